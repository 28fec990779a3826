import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.assumptions import MAX_RECEPTACLES, Shapes
from meterlink.tree.trees import (
    TreePrior,
    bits_of,
    clades,
    every_tree,
    grow,
    homes,
    is_splice,
    log_ring_shape,
    log_shape,
    log_total,
    single,
    squeeze,
    without,
)

from .plain import log_shapes, masks_of, parents, way, wirings

RATES = Shapes().rates
COUNTS = Path(__file__).parents[2] / "fixtures" / "reference" / "tree_counts.csv"


def published_counts() -> dict[int, int]:
    """OEIS A005263(n + 1), as listed in the reference table."""
    with COUNTS.open(encoding="utf-8") as stream:
        table = csv.DictReader(line for line in stream if not line.startswith("#"))
        column = "with_junctions_panel_any_degree_A005263(n+1)"
        return {int(line["n_receptacles"]): int(line[column]) for line in table}


def as_sets(masks: np.ndarray) -> set[frozenset[int]]:
    return {frozenset(int(m) for m in row if m) for row in masks}


@st.composite
def tree(draw: st.DrawFn, least: int = 1, most: int = 9) -> tuple[np.ndarray, np.ndarray, int]:
    """One random tree of ``n`` receptacles, grown in a random order."""
    n = draw(st.integers(least, most))
    order = draw(st.permutations(range(n)))
    masks, home = single(order[0])
    for bit in order[1:]:
        grown = grow(masks, home, bit, n, TreePrior())
        pick = draw(st.integers(0, len(grown.masks) - 1))
        masks, home = squeeze(grown.masks[pick : pick + 1], grown.home[pick : pick + 1])
    return masks, home, n


@pytest.mark.parametrize("n", range(1, 7))
def test_the_listing_has_the_size_that_oeis_a005263_gives(n: int) -> None:
    assert len(every_tree(n)[0]) == published_counts()[n]


@pytest.mark.parametrize("n", range(1, 6))
def test_the_listing_holds_each_tree_once(n: int) -> None:
    masks = every_tree(n)[0]
    assert len(as_sets(masks)) == len(masks)


@pytest.mark.parametrize("n", range(1, 6))
def test_the_listing_is_the_one_made_by_parting_sets(n: int) -> None:
    plain = masks_of(wirings(tuple(range(n))))
    assert as_sets(plain) == as_sets(every_tree(n)[0])


@pytest.mark.parametrize("n", range(1, 6))
def test_weights_grown_step_by_step_are_those_of_the_finished_shape(n: int) -> None:
    prior = TreePrior()
    masks, home, grown = every_tree(n, prior)
    np.testing.assert_allclose(log_shape(masks, home, n, prior), grown, atol=1e-12)


@pytest.mark.parametrize("rates", [(1.0,), RATES])
def test_weights_of_shapes_follow_their_description(rates: tuple[float, ...]) -> None:
    shapes = Shapes(forks=0.11, splices=0.07, home_splice=1.7, panel_forks=0.03, rates=rates)
    prior = TreePrior(shapes)
    masks = masks_of(wirings((0, 1, 2, 3)))
    got = log_shape(masks, homes(masks), 4, prior)
    np.testing.assert_allclose(got, log_shapes(4, prior), atol=1e-12)


@pytest.mark.parametrize(("n", "count"), published_counts().items())
def test_trees_of_weight_one_number_what_oeis_a005263_gives(n: int, count: int) -> None:
    of_one = TreePrior(Shapes(forks=n / 4, splices=n / 4, home_splice=1.0, panel_forks=0.5))
    assert np.exp(log_total(of_one, n, 1.0)) == pytest.approx(count, rel=1e-9)


@pytest.mark.parametrize("rate", RATES)
def test_the_sum_of_all_weights_is_that_of_the_listing(rate: float) -> None:
    usual = TreePrior(Shapes(rates=(1.0,)))
    masks, home, log_prior = every_tree(5, usual)
    assert np.logaddexp.reduce(log_prior) == pytest.approx(0.0)
    branches = np.array([sum(int(m).bit_count() == 1 for m in row) for row in masks]) - 1
    expected = np.logaddexp.reduce(log_prior + branches * np.log(rate))
    assert log_total(usual, 5, rate) - log_total(usual, 5, 1.0) == pytest.approx(expected)
    assert log_shape(masks, home, 5, usual) == pytest.approx(log_prior)


def test_branches_seen_make_more_branches_believable() -> None:
    for n in (4, 8, 20, MAX_RECEPTACLES):
        each_more = np.diff(TreePrior().log_branches(n))
        assert (np.diff(each_more) > 0).all()


def test_homes_splices_and_clades_are_those_of_the_plain_listing() -> None:
    listed = wirings((0, 1, 2, 3))
    masks = masks_of(listed)
    fed = clades(masks, 4)
    home, splice = homes(masks), is_splice(masks)
    for k, wiring in enumerate(listed):
        feeds = parents(wiring)
        assert home[k].sum() == sum(p == "panel" for p in feeds.values())
        assert splice[k].sum() == sum(isinstance(p, tuple) for p in feeds)
        for i in range(4):
            beyond = {j for j in range(4) if i in way(feeds, j)}
            assert set(bits_of(int(fed[k, i]))) == beyond


@given(tree(least=2))
@settings(max_examples=60)
def test_a_receptacle_taken_off_and_put_back_gives_the_tree_among_others(given_tree) -> None:
    masks, _, n = given_tree
    for bit in range(n):
        bare = without(masks, bit)
        assert not ((bare >> bit) & 1).any()
        grown = grow(bare, homes(bare), bit, n, TreePrior())
        assert as_sets(masks) <= as_sets(grown.masks)
        assert len(as_sets(grown.masks)) == len(grown.masks)


@given(tree())
@settings(max_examples=60)
def test_runs_of_a_tree_are_nested_or_apart_and_each_receptacle_has_its_own(given_tree) -> None:
    masks, home, n = given_tree
    runs = [int(m) for m in masks[0] if m]
    assert all(a & b in (0, a, b) for a in runs for b in runs)
    assert len(set(runs)) == len(runs)
    own = clades(masks, n)[0]
    assert len(set(own.tolist())) == n
    np.testing.assert_array_equal(homes(masks), home)


@given(tree(least=3))
@settings(max_examples=40)
def test_taking_a_receptacle_off_keeps_who_feeds_whom_among_the_others(given_tree) -> None:
    masks, _, n = given_tree
    before = clades(masks, n)[0]
    for bit in range(n):
        after = clades(without(masks, bit), n)[0]
        for i in set(range(n)) - {bit}:
            assert after[i] == before[i] & ~(1 << bit)


def test_more_onward_runs_never_weigh_more_than_a_chain() -> None:
    masks, _, log_prior = every_tree(5)
    runs = (masks != 0).sum(axis=1)
    chain = (runs == 5) & (np.bitwise_count(masks).sum(axis=1) == 15)  # of sizes 5, 4, 3, 2, 1
    assert chain.sum() == 120
    assert np.ptp(log_prior[chain]) == pytest.approx(0)
    assert log_prior.max() == pytest.approx(log_prior[chain][0])


@pytest.mark.parametrize("n", [2, 3, 4, 5])
def test_rings_have_the_weight_of_all_rings_but_those_that_begin_and_end_in_spliced_spurs(
    n: int,
) -> None:
    """Each ring stands there in both directions; one whose ends are both splices in none."""
    prior = TreePrior()
    masks, home, _ = every_tree(n, prior)
    total, ends_spliced = 0.0, 0.0
    splice = is_splice(masks)
    for t in range(len(masks)):
        for e in np.flatnonzero(masks[t]):
            end = masks[t, e]
            if ((masks[t] & end) == end).sum() > 1:
                weight = log_ring_shape(masks[[t]], home[[t]], np.array([end]), n, prior)
                total += float(np.exp(weight[0]))
                way = (masks[t] & end) == end
                ends_spliced += float(np.exp(weight[0])) * (splice[t] & home[t] & way).any()
    assert 0.75 < total < 1.0
    assert total + ends_spliced + 0.15 > 1.0
