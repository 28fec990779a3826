"""Taking trees apart and putting them together again, against listings of every tree."""

from dataclasses import replace

import numpy as np
import pytest

from meterlink.tree.fit import Known, weigh
from meterlink.tree.hypotheses import Hypotheses, Kind, RunPrior
from meterlink.tree.isolation import Isolation
from meterlink.tree.likelihood import Grounds
from meterlink.tree.local_search import (
    closed_between_points,
    improved,
    log_prior_of,
    moves,
    padded,
)
from meterlink.tree.observations import Tests, observations_of
from meterlink.tree.posterior import Ensemble
from meterlink.tree.search import Setting, Stratum, search
from meterlink.tree.trees import TreePrior, every_tree, homes, is_splice

from .networks import common_path, rows_of_matrix
from .plain import NAMES, circuit, log_shapes, masks_of, parents, random_rows, wirings

SHAPES = TreePrior()
Key = tuple[tuple[int, ...], int]


def stratum(n: int, kind: Kind = Kind.SOUND, at: int | None = None) -> Stratum:
    return Stratum(
        kind, at, 0.0, tuple(i for i in range(n) if kind is not Kind.ELSEWHERE or i != at)
    )


def setting_of(tests: Tests, n: int) -> Setting:
    return Setting(Known(tests, RunPrior(), Grounds(np.full(n, -4.0))), SHAPES)


def keys(h: Hypotheses) -> set[Key]:
    """Each tree as its runs, with the point where a ring comes back."""
    found = set()
    for masks, near in zip(h.masks.tolist(), h.near.tolist(), strict=True):
        runs = tuple(sorted((m for m in masks if m), reverse=True))
        found.add((runs, min((m for m in runs if m & near == near), default=0) if near else 0))
    return found


def chain(n: int, kind: Kind = Kind.SOUND) -> Hypotheses:
    """One chain in the order of the names; as a ring its last point leads back to the panel."""
    everything = (1 << n) - 1
    masks = np.array([[everything & ~((1 << i) - 1) for i in range(n)]], dtype=np.int64)
    return Hypotheses.of(masks, kind=kind, near=1 << (n - 1) if kind is Kind.CLOSED else 0)


def reached_from(first: Hypotheses, where: Stratum, n: int) -> set[Key]:
    """All that can be reached by moves upon moves."""
    seen, front = keys(first), first
    while len(front):
        every = Hypotheses.joined([m.trees for m in moves(front, where, SHAPES)])
        tidy = padded(every.masks, n)
        every = replace(every, masks=tidy, home=homes(tidy))
        fresh = []
        for t in range(len(every)):
            [key] = keys(every.take(np.array([t])))
            if key not in seen:
                seen.add(key)
                fresh.append(t)
        front = every.take(np.array(fresh, dtype=np.intp))
    return seen


@pytest.mark.parametrize("n", [2, 3, 4])
def test_moves_lead_from_a_chain_to_every_tree_and_to_nothing_else(n: int) -> None:
    listed = {
        (tuple(m for m in row if m), 0) for row in masks_of(wirings(tuple(range(n)))).tolist()
    }
    assert reached_from(chain(n), stratum(n), n) == listed


@pytest.mark.parametrize("n", [2, 3])
def test_moves_of_a_ring_lead_to_every_ring_that_ends_at_a_receptacle(n: int) -> None:
    """The search grows rings that hold its first receptacle alone; the others come from here."""
    where = stratum(n, Kind.CLOSED)
    masks, _, _ = every_tree(n)
    ends = np.where(is_splice(masks), 0, masks)
    listed = {
        (tuple(sorted((m for m in row if m), reverse=True)), end)
        for row, of_row in zip(masks.tolist(), ends.tolist(), strict=True)
        for end in of_row
        if end and sum(m & end == end for m in row) > 1
    }
    reached = reached_from(chain(n, Kind.CLOSED), where, n)
    assert {(runs, end) for runs, end in reached if sum(m & end == end for m in runs) > 1} == listed
    grown = search(setting_of(Tests.of([]), n), where, capacity=10_000)
    assert grown is not None
    assert keys(grown.hypotheses.take(grown.log_prior > -1e5)) <= listed


@pytest.mark.parametrize("seed", range(4))
def test_a_move_takes_off_what_it_says_and_can_put_it_back_where_it_was(seed: int) -> None:
    n = 5
    masks, home, _ = every_tree(n)
    pick = np.random.default_rng(seed).choice(len(masks), 3, replace=False)
    h = Hypotheses.of(masks[pick], home[pick])
    cuts = set()
    for move in moves(h, stratum(n), SHAPES):
        cuts.add(move.cut)
        assert not (move.bare.masks & move.cut).any()
        assert ((move.trees.masks & move.cut) != 0).any(axis=1).all()
        bare = move.bare.masks[move.grown.origin]
        rest = np.where(move.trees.masks & ~move.cut, move.trees.masks & ~move.cut, 0)
        for t in range(len(rest)):  # what was not cut off is as it was
            assert {int(m) for m in rest[t] if m} == {int(m) for m in bare[t] if m}
        assert keys(move.trees) & keys(h)
    assert {1 << i for i in range(n)} <= cuts
    parts = {int(m) for m in h.masks.ravel() if int(m).bit_count() > 1 and int(m) != 0b11111}
    assert parts <= cuts


def test_a_part_is_moved_in_one_piece() -> None:
    h = chain(4)
    [part] = [m for m in moves(h, stratum(4), SHAPES) if m.cut == 0b1100]
    for masks in part.trees.masks.tolist():
        assert 0b1000 in masks  # Den stays beyond Cellar
        assert min(m for m in masks if m & 0b0100) & 0b1000
    assert len(keys(part.trees)) == len(part.trees)


def test_the_far_end_of_a_second_path_stays_where_it_is() -> None:
    h = chain(4)
    closed = Hypotheses(
        h.masks, h.home, np.array([int(Kind.CLOSED)]), np.array([0b1000]), np.array([0b0010])
    )
    where = Stratum(Kind.CLOSED, None, 0.0, (0, 1, 2, 3), ring=False)
    cuts = {move.cut for move in moves(closed, where, SHAPES) if len(move.trees)}
    assert not {cut for cut in cuts if cut & 0b0010}
    assert 0b0001 in cuts


def test_a_ring_without_its_last_point_ends_at_the_one_before() -> None:
    ring = chain(4, Kind.CLOSED)
    [move] = [m for m in moves(ring, stratum(4, Kind.CLOSED), SHAPES) if m.cut == 0b1000]
    assert move.bare.near.tolist() == [0b0100]
    assert keys(ring) < keys(move.trees)  # its old place is one of many


def drawn_on(feeds: dict, n: int, seed: int, m: int = 14) -> Tests:
    rng = np.random.default_rng(seed)
    return Tests.of(observations_of(circuit(n), random_rows(feeds, n, m, rng)))


@pytest.mark.parametrize("seed", range(5))
def test_from_a_wrong_tree_alone_the_heaviest_of_all_is_found(seed: int) -> None:
    """Everything but one tree was lost on the way; the listing says which tree is best."""
    n = 4
    every = wirings(tuple(range(n)))
    true = parents(every[int(np.random.default_rng(100 + seed).integers(len(every)))])
    setting, where = setting_of(drawn_on(true, n, seed), n), stratum(n)
    listed = Hypotheses.of(masks_of(every))
    weight = weigh(listed, setting.known)[0] + log_shapes(n, SHAPES)
    wrong = listed.take(np.array([int(weight.argmin())]))
    evidence, badness = weigh(wrong, setting.known)
    lost = Ensemble(
        wrong, log_prior_of(wrong, setting, where), evidence, np.zeros(1), badness, False
    )
    found = improved(lost, setting, where)
    assert found.log_weight.max() == pytest.approx(weight.max(), abs=1e-6)
    assert len(keys(found.hypotheses)) == len(found.hypotheses)  # each tree once
    assert found.log_importance == pytest.approx(0)


def test_the_prior_of_a_tree_counts_what_was_found_with_the_power_off() -> None:
    h = chain(3)
    plain = setting_of(Tests.of([]), 3)
    found = Setting(plain.known, SHAPES, Isolation(pairs=((0, 2, 4.0), (2, 1, -3.0))))
    more = log_prior_of(h, found, stratum(3)) - log_prior_of(h, plain, stratum(3))
    assert more == pytest.approx(
        4.0 / 2 + 3.0 / 2
    )  # both agree: first feeds third, not third second


def test_a_ring_of_one_point_weighs_nothing() -> None:
    masks = np.array([[0b01, 0b10]], dtype=np.int64)
    h = Hypotheses.of(masks, kind=Kind.CLOSED, near=0b10)
    assert log_prior_of(h, setting_of(Tests.of([]), 2), stratum(2, Kind.CLOSED))[0] < -1e5


def test_equal_trees_are_equal_rows_whatever_the_order_of_their_runs() -> None:
    rows = padded(np.array([[1, 7, 0, 3], [7, 3, 1, 0]], dtype=np.int64), 3)
    assert rows.tolist() == [[7, 3, 1, 0, 0, 0]] * 2


def test_a_run_more_between_two_points_is_found_between_these_two() -> None:
    edges = [
        ("panel", "Attic", 60.0),
        ("Attic", "Bath", 40.0),
        ("Bath", "Cellar", 30.0),
        ("Cellar", "Den", 35.0),
        ("Den", "Attic", 30.0),
    ]
    names, g = common_path(edges, ["panel"])
    assert names == list(NAMES[:4])
    setting = setting_of(Tests.of(observations_of(circuit(4), rows_of_matrix(names, g))), 4)
    where = stratum(4)
    sound = search(setting, where, capacity=400)
    assert sound is not None
    sound = improved(sound, setting, where)
    total = float(np.logaddexp.reduce(sound.log_weight))
    found = closed_between_points(sound, setting, -5.0, where.places, total)
    assert found is not None
    best = int(found.log_weight.argmax())
    masks = [int(m) for m in found.masks[best] if m]
    clades = [min(m for m in masks if m >> i & 1) for i in range(4)]
    feeds = {
        frozenset((i, clades.index(min(m for m in masks if m & own == own and m != own))))
        for i, own in enumerate(clades)
        if i
    }
    near, far = int(found.hypotheses.near[best]), int(found.hypotheses.far[best])
    ends = [clades.index(min(m for m in masks if m & bits == bits)) for bits in (near, far)]
    around = {frozenset(pair) for pair in ((0, 1), (1, 2), (2, 3), (3, 0))}
    assert feeds | {frozenset(ends)} == around  # wherever the loop is taken as open
    assert found.log_weight.max() > sound.log_weight.max() + 10
    assert (found.hypotheses.kind == Kind.CLOSED).all()


@pytest.mark.parametrize("seed", range(6))
def test_a_run_more_never_joins_a_point_to_itself_or_to_the_one_that_feeds_it(seed: int) -> None:
    n = 5
    masks, home, log_prior = every_tree(n)
    [pick] = np.random.default_rng(seed).choice(len(masks), 1)
    h = Hypotheses.of(masks[[pick]], home[[pick]])
    setting = setting_of(Tests.of([]), n)
    nothing = np.zeros(1)
    one = Ensemble(h, log_prior[[pick]], nothing, nothing, np.full(1, 2e9), True)
    found = closed_between_points(one, setting, 0.0, tuple(range(n)), 1e9)
    points = [int(m) for m in masks[pick] if m]
    feeder = {p: min((q for q in points if q & p == p and q != p), default=0) for p in points}
    pairs = set()
    if found is not None:
        for near, far in zip(found.hypotheses.near, found.hypotheses.far, strict=True):
            ends = [min(p for p in points if p & int(bits) == bits) for bits in (near, far)]
            pairs.add(frozenset(ends))
    apart = {
        frozenset((p, q))
        for p in points
        for q in points
        if p != q and feeder[p] != q and feeder[q] != p
    }
    assert pairs == apart
