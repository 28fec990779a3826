"""What a parent's fit predicts, against a joint normal density and against proper fits."""

from dataclasses import replace

import numpy as np
import pytest

from meterlink.tree.fit import Known, refit, weigh
from meterlink.tree.hypotheses import Hypotheses, Kind, RunPrior
from meterlink.tree.likelihood import Grounds
from meterlink.tree.observations import Tests, observations_of
from meterlink.tree.runs import (
    Runs,
    expected,
    nearly_weighed,
    predicted,
    runs_by_sides,
    runs_of_fit,
)
from meterlink.tree.search import PREDICTED_REACH
from meterlink.tree.trees import Grown, TreePrior, every_tree, grow, homes

from .plain import LINE, NG, NN, circuit, parents, random_rows, row, wirings

PRIOR = RunPrior()


def known(tests: Tests) -> Known:
    return Known(tests, PRIOR, Grounds(np.full(8, -25.0)))


def guessed(runs: Runs, grown: Grown, news: Tests) -> np.ndarray:
    trees = Hypotheses.of(grown.masks, grown.home)
    return predicted(runs, trees, grown, known(news))


def split_tests(seed: int, n: int, m: int) -> tuple[Tests, Tests, Tests]:
    """Random tests of ``n`` receptacles: all, those without the last one, those with it."""
    rng = np.random.default_rng(seed)
    listed = wirings(tuple(range(n)))
    feeds = parents(listed[int(rng.integers(len(listed)))])
    tests = Tests.of(observations_of(circuit(n), random_rows(feeds, n, m, rng)))
    names_last = (tests.places() >> (n - 1) & 1) != 0
    return tests, tests.only(~names_last), tests.only(names_last)


@pytest.mark.parametrize("seed", range(8))
def test_trees_that_matter_are_predicted_to_a_few_nats(seed: int) -> None:
    n = 5
    tests, old, news = split_tests(seed, n, 14)
    masks, home, _ = every_tree(n - 1)
    evidence, runs = nearly_weighed(Hypotheses.of(masks, home), known(old))
    heavy = np.argsort(-evidence)[:20]
    grown = grow(masks[heavy], home[heavy], n - 1, n, TreePrior())
    guess = evidence[heavy][grown.origin] + guessed(runs.take(heavy), grown, news)
    proper = weigh(Hypotheses.of(grown.masks), known(tests))[0]
    near = proper > proper.max() - 8
    behind = (guess.max() - guess[near]) - (proper.max() - proper[near])
    assert behind.max() < PREDICTED_REACH
    weight = np.exp(proper[near] - proper.max())
    assert weight @ np.abs(behind) / weight.sum() < 4


def test_jumps_among_known_runs_have_a_joint_normal_density() -> None:
    masks = np.array([[0b11, 0b01]])
    mean = np.array([[80.0, 40.0, 75.0, 5.0, 150.0]])
    covariance = np.diag([9.0, 4.0, 0.0, 0.0, 0.0])[None]
    covariance[0, 0, 1] = covariance[0, 1, 0] = 1.5
    runs = Runs(mean, covariance, np.zeros(1))
    rows = [
        row(1, NG, "Cellar", None, "Cellar", 1190.0, 4.0),
        row(2, NG, "Attic", None, "Cellar", 1180.0, 5.0),
        row(3, NN, "Bath", "Cellar", "Attic", 395.0, 6.0),
    ]
    items = [
        replace(item, no_change=1e-30, jump=1e-30, sag_per_mohm=0.0)
        for item in observations_of(circuit(3), rows)
    ]
    news = Tests.of(items)
    grown = grow(masks, homes(masks), 2, 3, TreePrior())
    got = guessed(runs, grown, news)
    leaf_mean = PRIOR.mean(PRIOR.median_mohm)
    # Cellar (bit 2) as a leaf on the end of run 1 (Attic, bit 0): runs 0, 1 and a new one
    at = next(
        i for i, m in enumerate(grown.masks) if sorted(m[m > 0].tolist()) == [0b100, 0b101, 0b111]
    )
    design = 10.0 * np.array([[1, 1, 1], [1, 1, 0], [0, 1, 0]])
    joint = np.zeros((3, 3))
    joint[:2, :2] = covariance[0, :2, :2]
    joint[2, 2] = PRIOR.relative_variance * leaf_mean**2
    spread = design @ joint @ design.T + np.diag(news.u**2)
    off = news.drop - design @ np.array([80.0, 40.0, leaf_mean])
    expected = -0.5 * (
        off @ np.linalg.solve(spread, off) + np.linalg.slogdet(spread)[1] + 3 * np.log(2 * np.pi)
    )
    assert got[at] == pytest.approx(expected, abs=1e-6)


def test_runs_that_tests_do_not_part_share_what_is_known_of_their_sum() -> None:
    masks = np.array([[0b111, 0b011, 0b001]])  # a chain: Cellar, Bath, Attic
    home = homes(masks)
    rows = [
        row(1, NG, "Attic", None, "Attic", 1500.0, 3.0),
        row(2, LINE, "Attic", None, "Attic", 4400.0, 60.0),
    ]
    tests = Tests.of(observations_of(circuit(3), rows))
    h = Hypotheses.of(masks, home)
    runs = runs_of_fit(h, known(tests), *refit(h, known(tests))[:2])
    whole = np.array([1.0, 1.0, 1.0, 0.0, 0.0, 0.0])
    assert runs.mean[0] @ whole == pytest.approx(150, rel=0.02)
    u = float(np.sqrt(whole @ runs.covariance[0] @ whole))
    assert 0.2 < u < 1.5  # the sum is known as well as the test tells it,
    assert np.sqrt(runs.covariance[0, 0, 0]) > 15  # each part is not
    assert runs.mean[0, -1] == pytest.approx(140, rel=0.3)  # (4400 - 2 * 1500) / 10 A: the source
    assert np.linalg.eigvalsh(runs.covariance[0]).min() > -1e-9


@pytest.mark.parametrize("with_neutral", [False, True])
def test_a_sag_is_foreseen_as_well_as_it_was_measured(*, with_neutral: bool) -> None:
    """Source, home run and ratios are unknown each; what a test saw is their sum, and known."""
    h = Hypotheses.of(np.array([[0b111, 0b011, 0b001]]))  # a chain: Cellar, Bath, Attic
    rows = [
        row(1, LINE, "Attic", None, "Attic", 5400.0, 60.0),
        row(2, LINE, "Bath", None, "Attic", 4200.0, 60.0),
        row(3, LINE, "Cellar", None, "Attic", 3100.0, 60.0),
    ]
    rows += [row(4, NG, "Attic", None, "Attic", 1500.0, 3.0)] if with_neutral else []
    tests = Tests.of(observations_of(circuit(3), rows))
    columns, fitted, _ = refit(h, known(tests))
    mean, variance = expected(h, tests, runs_by_sides(h, known(tests), columns, fitted))
    np.testing.assert_allclose(mean, fitted.predicted_mv, rtol=0.01)
    assert (np.sqrt(variance) < 1.02 * tests.u).all()


def test_trees_with_the_same_evidence_get_the_runs_of_their_own_columns() -> None:
    tests, *_ = split_tests(3, 4, 5)
    masks, home, _ = every_tree(4)
    every = Hypotheses.of(masks, home)
    evidence, runs = nearly_weighed(every, known(tests))
    np.testing.assert_allclose(evidence, weigh(every, known(tests))[0], atol=0.05)
    for k in range(0, len(masks), 23):
        one = every.take(np.array([k]))
        alone = runs_of_fit(one, known(tests), *refit(one, known(tests))[:2])
        u = np.sqrt(np.einsum("kee->ke", alone.covariance))
        np.testing.assert_array_less(np.abs(runs.mean[[k]] - alone.mean), 0.15 * u + 1e-9)
        near_u = np.sqrt(np.einsum("kee->ke", runs.covariance[[k]]))
        np.testing.assert_allclose(near_u, u, rtol=0.2, atol=1.0)


@pytest.mark.parametrize("kind", [Kind.SOUND, Kind.BONDED, Kind.CLOSED])
def test_where_no_test_is_new_nothing_is_gained_or_lost(kind: Kind) -> None:
    """A receptacle that no test names is put back under every condition."""
    tests, old, _ = split_tests(3, 4, 10)
    masks, home, _ = every_tree(3)
    h = Hypotheses.of(masks, home, kind, near=0b1)
    _, runs = nearly_weighed(h, known(old))
    grown = grow(masks, home, 3, 4, TreePrior())
    trees = Hypotheses.of(grown.masks, grown.home, kind, near=0b1)
    nothing = tests.only(np.zeros(0, dtype=np.intp))
    assert predicted(runs, trees, grown, known(nothing)).tolist() == [0.0] * len(trees)
