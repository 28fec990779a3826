"""What is fitted side by side, recalled or left out against each fitted on its own."""

import numpy as np
import pytest

from meterlink.assumptions import USUAL
from meterlink.tree import wrong_names
from meterlink.tree.fit import Known, refit, weigh
from meterlink.tree.hypotheses import Hypotheses, Kind, RunPrior
from meterlink.tree.infer import strata_of
from meterlink.tree.likelihood import Grounds
from meterlink.tree.observations import Tests, observations_of
from meterlink.tree.runs import nearly_weighed
from meterlink.tree.search import Setting, search, searched
from meterlink.tree.trees import TreePrior, every_tree, homes

from .plain import circuit, parents, random_rows, wirings

SHAPES = TreePrior()


def drawn(seed: int, n: int, m: int) -> Known:
    """Random tests of a random circuit."""
    rng = np.random.default_rng(seed)
    listed = wirings(tuple(range(n)))
    feeds = parents(listed[int(rng.integers(len(listed)))])
    tests = Tests.of(observations_of(circuit(n), random_rows(feeds, n, m, rng, outlier=0.1)))
    return Known(tests, RunPrior(), Grounds(np.full(n, -4.0)))


def trees_with_conditions(n: int) -> Hypotheses:
    """Every tree, sound and with one of each condition."""
    masks, home, _ = every_tree(n)
    first = masks & ~np.int64(1)
    return Hypotheses.joined(
        [
            Hypotheses.of(masks, home),
            Hypotheses.of(masks, home, kind=Kind.BONDED, near=1),
            Hypotheses.of(masks, home, kind=Kind.CLOSED, near=2),
            Hypotheses.of(first, homes(first), kind=Kind.ELSEWHERE, near=1),
        ]
    )


@pytest.mark.parametrize("seed", range(3))
def test_hypotheses_with_tests_of_their_own_fit_as_with_these_tests_alone(seed: int) -> None:
    known = drawn(seed, 3, 10)
    every = trees_with_conditions(3)
    every = every.take(~every.paths)  # a path's other starts hang on the number of columns
    counted = np.random.default_rng(seed).random((len(every), 10)) < 0.7
    evidence, runs = nearly_weighed(every, known, counted)
    for k in range(0, len(every), 7):
        one = every.take(np.array([k]))
        alone, own = nearly_weighed(one, known.only(counted[k]))
        assert evidence[k] == pytest.approx(alone[0], abs=0.05)
        np.testing.assert_allclose(runs.mean[k], own.mean[0], rtol=0.05)
        np.testing.assert_allclose(runs.usual_sag[k], own.usual_sag[0], rtol=0.05)


@pytest.mark.parametrize("seed", range(3))
def test_conditions_searched_side_by_side_weigh_what_each_does_alone(seed: int) -> None:
    n = 4
    setting = Setting(drawn(10 + seed, n, 9), SHAPES)
    strata = list(strata_of(n, USUAL, ring_usual=False))
    together = searched(setting, strata, capacity=400)
    for stratum, found in zip(strata, together, strict=True):
        alone = search(setting, stratum, capacity=400)
        assert found is not None
        assert alone is not None
        a, b = (np.logaddexp.reduce(one.log_weight) for one in (found, alone))
        assert a == pytest.approx(b, abs=0.3), stratum  # a ring has several modes


@pytest.mark.parametrize("seed", range(3))
def test_what_was_weighed_before_is_recalled_where_it_was(seed: int) -> None:
    known, fresh = drawn(20 + seed, 4, 11), drawn(20 + seed, 4, 11)
    every = trees_with_conditions(4)
    evidence, _ = weigh(every, known)
    some = every.take(np.argsort(-evidence)[:40])
    assert known.modes
    recalled, again = (refit(some, one)[1] for one in (known, fresh))
    better = recalled.log_evidence - again.log_evidence  # where the first fit had not quite ended
    assert better.min() > -0.02
    assert better.max() < 0.5
    assert np.median(np.abs(better)) < 1e-3


@pytest.mark.parametrize("seed", range(3))
def test_a_wrong_name_gains_nearly_what_it_does_where_every_test_is_looked_at(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    n, known = 4, drawn(30 + seed, 4, 12)
    masks, home, _ = every_tree(n)
    h = Hypotheses.of(masks, home)
    evidence, _ = weigh(h, known)
    h = h.take(np.argsort(-evidence)[:60])
    columns, fitted, _ = refit(h, known)
    gains = []
    for least in (wrong_names.LEAST_GAIN, 1e-300):
        monkeypatch.setattr(wrong_names, "LEAST_GAIN", least)
        gains.append(
            wrong_names.misnamed_gain(h, known, columns, fitted, n, USUAL.outliers.misnamed)
        )
    assert np.abs(gains[0] - gains[1]).max() < 0.2
    assert gains[1].max() > 0.2
