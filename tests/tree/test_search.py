"""The search against a listing of every tree made another way, and against itself."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.circuit.circuit import Circuit
from meterlink.tree.fit import Known, weigh
from meterlink.tree.hypotheses import Hypotheses, Kind, RunPrior, columns_of
from meterlink.tree.infer import infer
from meterlink.tree.likelihood import Grounds, Problem
from meterlink.tree.local_search import improved
from meterlink.tree.observations import Tests, observations_of
from meterlink.tree.posterior import Ensemble, first_probabilities, orders_of, relations
from meterlink.tree.search import (
    Setting,
    Stratum,
    at_most,
    insertion_order,
    search,
    thin,
    told_by,
    truncated,
)
from meterlink.tree.trees import TreePrior

from .plain import (
    NAMES,
    NG,
    circuit,
    log_shapes,
    masks_of,
    parents,
    random_rows,
    row,
    wirings,
)

PRIOR, SHAPES = RunPrior(), TreePrior()


def drawn_tests(seed: int, n: int, m: int) -> Tests:
    rng = np.random.default_rng(seed)
    listed = wirings(tuple(range(n)))
    feeds = parents(listed[int(rng.integers(len(listed)))])
    return Tests.of(observations_of(circuit(n), random_rows(feeds, n, m, rng, outlier=0.03)))


def searched(tests: Tests, n: int, capacity: int = 4000, seed: int = 0) -> Ensemble:
    setting = Setting(known(tests, n), SHAPES)
    sound = Stratum(Kind.SOUND, None, 0.0, tuple(range(n)))
    found = search(setting, sound, capacity=capacity, seed=seed)
    assert found is not None
    return improved(found, setting, sound)


def known(tests: Tests, n: int) -> Known:
    return Known(tests, PRIOR, Grounds(np.full(n, -4.0)))


def listed(tests: Tests, n: int) -> Ensemble:
    """Every tree with its weight, nothing left out."""
    every = wirings(tuple(range(n)))
    h = Hypotheses.of(masks_of(every))
    evidence, badness = weigh(h, known(tests, n))
    return Ensemble(h, log_shapes(n, SHAPES), evidence, np.zeros(len(h)), badness, True)


def difference(a: Ensemble, b: Ensemble, n: int) -> float:
    """Largest difference in who feeds whom, in the first receptacle and in the best order."""
    one, other = orders_of(a, n), orders_of(b, n)
    return max(
        float(np.abs(relations(one, n) - relations(other, n)).max()),
        float(np.abs(first_probabilities(one, n) - first_probabilities(other, n)).max()),
        abs(float(one.probability.max()) - float(other.probability.max())),
    )


@pytest.mark.parametrize("seed", range(12))
def test_the_search_says_what_a_listing_of_every_tree_says(seed: int) -> None:
    n, m = 3 + seed % 3, 3 + (seed * 5) % 10
    tests = drawn_tests(seed, n, m)
    assert difference(searched(tests, n), listed(tests, n), n) < 1e-3


@pytest.mark.parametrize("seed", range(4))
def test_a_small_population_stays_near_the_listing(seed: int) -> None:
    tests = drawn_tests(seed, 5, 9)
    assert difference(searched(tests, 5, capacity=300), listed(tests, 5), 5) < 0.05


@pytest.mark.parametrize("seed", range(3))
def test_the_same_tests_give_the_same_answer_bit_for_bit(seed: int) -> None:
    tests = drawn_tests(seed, 6, 9)
    one, other = searched(tests, 6, capacity=150), searched(tests, 6, capacity=150)
    np.testing.assert_array_equal(one.masks, other.masks)
    np.testing.assert_array_equal(one.weights, other.weights)


def test_without_tests_every_order_of_a_chain_weighs_the_same() -> None:
    none = Tests.of([])
    first = first_probabilities(orders_of(searched(none, 4), 4), 4)
    assert np.ptp(first[:4]) < 1e-9
    assert first.sum() == pytest.approx(1)


@given(
    st.lists(st.floats(-30, 0), min_size=2, max_size=80),
    st.integers(1, 20),
    st.integers(0, 2**32 - 1),
)
@settings(max_examples=60)
def test_thinning_keeps_no_more_than_asked_and_the_heaviest_as_they_are(
    log_weight: list[float], capacity: int, seed: int
) -> None:
    weight = np.array(log_weight)
    kept, gained, whole = thin(weight, capacity, np.random.default_rng(seed))
    assert 1 <= len(kept) <= capacity
    assert len(set(kept.tolist())) == len(kept)
    assert (gained >= -1e-9).all()
    if whole:
        assert (gained == 0).all()


def test_thinning_is_unbiased() -> None:
    """The mean weight each tree keeps over many draws is the one it had (within 5 errors)."""
    rng = np.random.default_rng(8)
    log_weight = rng.normal(0, 1.5, 40)
    draws = 4000
    total, square = np.zeros(40), np.zeros(40)
    for _ in range(draws):
        kept, gained, whole = thin(log_weight, 12, rng)
        assert not whole
        weight = np.exp(log_weight[kept] + gained)
        total[kept] += weight
        square[kept] += weight**2
    mean = total / draws
    error = np.sqrt(np.maximum(square / draws - mean**2, 0) / draws)
    assert (np.abs(mean - np.exp(log_weight)) <= 5 * error + 1e-12).all()


def test_receptacles_that_tests_join_are_put_on_early() -> None:
    rows = [
        row(1, NG, "Bath", None, "Den", 100.0),
        row(2, NG, "Den", None, "Bath", 100.0),
        row(3, NG, "Bath", None, "Attic", 100.0),
    ]
    tests = Tests.of(observations_of(circuit(5), rows))
    order = insertion_order(tests, tuple(range(5)))
    assert sorted(order) == [0, 1, 2, 3, 4]
    assert order[:3] == (1, 3, 0)


@pytest.mark.parametrize("seed", range(3))
def test_renamed_receptacles_keep_their_order(seed: int) -> None:
    n = 5
    rng = np.random.default_rng(seed)
    every = wirings(tuple(range(n)))
    feeds = parents(every[int(rng.integers(len(every)))])
    rows = random_rows(feeds, n, 9, rng)
    new = rng.permutation(n)
    renamed = circuit(n)
    there = {NAMES[i]: NAMES[int(new[i])] for i in range(n)}
    again = [
        row(
            r.test,
            r.setup.hookup,
            there[r.setup.lead_a],
            there[r.setup.lead_b] if r.setup.lead_b else None,
            there[r.setup.load_at],
            r.drop_mv,
            r.drop_u_mv,
        )
        for r in rows
    ]
    before = relations(orders_of(searched(Tests.of(observations_of(renamed, rows)), n), n), n)
    after = relations(orders_of(searched(Tests.of(observations_of(renamed, again)), n), n), n)
    np.testing.assert_allclose(after[np.ix_(new, new)], before, atol=1e-3)


@settings(max_examples=20)
@given(seed=st.integers(0, 10_000), away=st.integers(0, 2))
def test_no_tree_without_a_receptacle_makes_tests_likelier_than_the_bound(
    seed: int, away: int
) -> None:
    """And of the tests that the condition alone decides, the bound is what they say."""
    n = 3
    tests = drawn_tests(seed, n, 8)
    stratum = Stratum(Kind.ELSEWHERE, away, 0.0, tuple(i for i in range(n) if i != away))
    masks = masks_of(wirings(stratum.places))
    h = Hypotheses.of(masks, kind=Kind.ELSEWHERE, near=1 << away)
    told = told_by(stratum, tests)
    for some, bound in ((tests, at_most(tests, stratum)), (tests.only(told), None)):
        problem = Problem(columns_of(h, some, PRIOR), some, PRIOR, Grounds(np.full(n, -50.0)))
        x = np.random.default_rng(seed).normal(3.0, 1.0, (len(h), problem.size))
        each = problem.likelihood(problem.predict(x)[0])[0]
        if bound is not None:
            assert (each <= bound.sum() + 1e-6).all()
        else:
            assert each == pytest.approx(at_most(some, stratum).sum(), abs=1e-6)


def test_a_drawn_tree_that_turns_out_well_does_not_outweigh_all_others() -> None:
    """It stands for many trees that looked as poor as itself, not for many as good."""
    log_single, log_importance = np.zeros(400), np.full(400, 0.1)
    log_importance[:10], log_importance[-1] = 0.0, 11.0
    found = truncated(log_single, log_importance)
    weight = np.exp(log_single + found)
    assert weight[-1] / weight.sum() == pytest.approx(1 / 20, rel=0.05)
    assert found[:-1] == pytest.approx(log_importance[:-1])


def test_nothing_is_cut_where_no_drawn_tree_stands_out() -> None:
    rng = np.random.default_rng(1)
    log_importance = np.where(rng.random(300) < 0.5, 0.0, rng.uniform(0.0, 2.0, 300))
    found = truncated(rng.normal(0.0, 0.5, 300) - log_importance, log_importance)
    assert found == pytest.approx(log_importance)


SIX_DEPTHS = (  # where, idle, on, its u, drop and its u, in mV
    ("Bench", 7.8349, 1230.8039, 3.9801, 1230.4178, 7.372),
    ("Shelf", 8.437, 1715.1064, 5.925, 1714.7017, 8.9305),
    ("Pantry", 5.5078, 2057.6783, 3.4874, 2057.3023, 5.4976),
    ("Sink", 5.3029, 1515.0733, 2.2513, 1514.6959, 4.8982),
    ("Crib", 5.6305, 791.8467, 2.5998, 791.467, 5.1487),
    ("Mirror", 5.1343, 1206.3602, 1.4731, 1205.9715, 4.2646),
)


def test_six_depths_alone_claim_no_fork_before_the_first() -> None:
    """One tree with a splice was drawn with a factor of e**11 and then fitted well: 96 % for it."""
    names = ("Mirror", "Bench", "Crib", "Shelf", "Pantry", "Sink")
    known = Circuit("six", names, volts=230, conductor="2.5 mm2 copper", load_amps=8.77)
    rows = [
        replace(row(i, NG, at, None, at, *drop), idle_mv=idle, on_mv=on, level_u_mv=u, amps=8.77)
        for i, (at, idle, on, u, *drop) in enumerate(SIX_DEPTHS, 1)
    ]
    for seed in range(4):
        found = infer(known, rows, seed=seed)
        assert first_probabilities(found.orders, 6).max() < 0.95
