"""What a parent's fit foretells, against a joint normal density and against proper fits."""

from dataclasses import replace

import numpy as np
import pytest

from meterlink.tree.columns import columns_of
from meterlink.tree.ensemble import nearly_weighed, weigh
from meterlink.tree.evidence import fit
from meterlink.tree.observations import Tests, observations_of
from meterlink.tree.offspring import foretold
from meterlink.tree.run_prior import RunPrior
from meterlink.tree.runs import Runs, runs_of_fit
from meterlink.tree.search import FORETOLD_REACH
from meterlink.tree.tree_prior import TreePrior
from meterlink.tree.trees import every_tree, grow, homes

from .plain import LINE, NG, NN, circuit, parents, random_rows, row, wirings

PRIOR = RunPrior()


def split_tests(seed: int, n: int, m: int) -> tuple[Tests, Tests, Tests]:
    """Random tests of ``n`` receptacles: all, those without the last one, those with it."""
    rng = np.random.default_rng(seed)
    listed = wirings(tuple(range(n)))
    feeds = parents(listed[int(rng.integers(len(listed)))])
    tests = Tests.of(observations_of(circuit(n), random_rows(feeds, n, m, rng)))
    names_last = (tests.places() >> (n - 1) & 1) != 0
    return tests, tests.only(~names_last), tests.only(names_last)


@pytest.mark.parametrize("seed", range(8))
def test_trees_that_matter_are_foretold_to_a_few_nats(seed: int) -> None:
    n = 5
    tests, old, news = split_tests(seed, n, 14)
    masks, home, _ = every_tree(n - 1)
    evidence, runs = nearly_weighed(masks, home, old, PRIOR)
    heavy = np.argsort(-evidence)[:20]
    grown = grow(masks[heavy], home[heavy], n - 1, n, TreePrior())
    guess = evidence[heavy][grown.origin] + foretold(runs.take(heavy), grown, news, PRIOR)
    proper = weigh(grown.masks, homes(grown.masks), tests, PRIOR)
    near = proper > proper.max() - 8
    behind = (guess.max() - guess[near]) - (proper.max() - proper[near])
    assert behind.max() < FORETOLD_REACH
    weight = np.exp(proper[near] - proper.max())
    assert weight @ np.abs(behind) / weight.sum() < 4


def test_jumps_among_known_runs_have_a_joint_normal_density() -> None:
    masks = np.array([[0b11, 0b01]])
    mean = np.array([[80.0, 40.0, 150.0]])
    covariance = np.diag([9.0, 4.0, 0.0])[None] + 1.5 * (1 - np.eye(3)) * np.array([1, 1, 0])
    covariance[:, 2, :2] = covariance[:, :2, 2] = 0.0
    runs = Runs(mean, covariance, np.zeros(1))
    rows = [
        row(1, NG, "Cellar", None, "Cellar", 1190.0, 4.0),
        row(2, NG, "Attic", None, "Cellar", 1180.0, 5.0),
        row(3, NN, "Bath", "Cellar", "Attic", 395.0, 6.0),
    ]
    items = [
        replace(item, lie=1e-30, sag_per_mohm=0.0) for item in observations_of(circuit(3), rows)
    ]
    news = Tests.of(items)
    grown = grow(masks, homes(masks), 2, 3, TreePrior())
    got = foretold(runs, grown, news, PRIOR)
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


@pytest.mark.parametrize("seed", range(4))
def test_trees_given_up_are_only_those_that_stay_below_what_they_must_reach(seed: int) -> None:
    n = 5
    _, old, news = split_tests(40 + seed, n, 16)
    masks, home, _ = every_tree(n - 1)
    _, runs = nearly_weighed(masks, home, old, PRIOR)
    grown = grow(masks, home, n - 1, n, TreePrior())
    whole = foretold(runs, grown, news, PRIOR)
    least = np.full(len(whole), np.quantile(whole, 0.9))
    some = foretold(runs, grown, news, PRIOR, least)
    given_up = np.isneginf(some)
    assert given_up.any()
    assert (whole[given_up] < least[given_up]).all()
    np.testing.assert_allclose(some[~given_up], whole[~given_up])


def test_runs_that_tests_do_not_part_share_what_is_known_of_their_sum() -> None:
    masks = np.array([[0b111, 0b011, 0b001]])  # a chain: Cellar, Bath, Attic
    home = homes(masks)
    rows = [
        row(1, NG, "Attic", None, "Attic", 1500.0, 3.0),
        row(2, LINE, "Attic", None, "Attic", 4400.0, 60.0),
    ]
    tests = Tests.of(observations_of(circuit(3), rows))
    columns = columns_of(masks, home, tests, PRIOR)
    runs = runs_of_fit(masks, home, tests, PRIOR, columns, fit(columns, tests))
    whole = np.array([1.0, 1.0, 1.0, 0.0])
    assert runs.mean[0] @ whole == pytest.approx(150, rel=0.02)
    u = float(np.sqrt(whole @ runs.covariance[0] @ whole))
    assert 0.2 < u < 1.5  # the sum is known as well as the test tells it,
    assert np.sqrt(runs.covariance[0, 0, 0]) > 15  # each part is not
    assert runs.mean[0, -1] == pytest.approx(140, rel=0.3)  # (4400 - 2 * 1500) / 10 A: the source
    assert np.linalg.eigvalsh(runs.covariance[0]).min() > -1e-9


def test_trees_with_the_same_evidence_get_the_runs_of_their_own_columns() -> None:
    tests, *_ = split_tests(3, 4, 5)
    masks, home, _ = every_tree(4)
    evidence, runs = nearly_weighed(masks, home, tests, PRIOR)
    np.testing.assert_allclose(evidence, weigh(masks, home, tests, PRIOR))
    for k in range(0, len(masks), 23):
        one = masks[[k]], home[[k]]
        columns = columns_of(*one, tests, PRIOR)
        alone = runs_of_fit(*one, tests, PRIOR, columns, fit(columns, tests))
        np.testing.assert_allclose(runs.mean[[k]], alone.mean, rtol=0.02)
        np.testing.assert_allclose(runs.covariance[[k]], alone.covariance, rtol=0.1, atol=2.0)
