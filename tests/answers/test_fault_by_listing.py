"""Faults against a listing of every break in plain words, wiring by wiring."""

from collections import defaultdict
from collections.abc import Iterator
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.answers.fault import Fault, fault_places, find_fault, usual_wirings
from meterlink.answers.wirings import Wirings
from meterlink.assumptions import USUAL
from meterlink.tree.trees import clades
from meterlink.tree.wiring import PoorJoint

from ..tree.plain import Parents, masks_of, parents, way, wirings
from .circuits import CHAIN, FORK, NAMES, every_wiring, wirings_of

F = USUAL.faults
Break = tuple[frozenset[str], float, tuple[str, str]]  # what it makes dead, how often, where


def named(point: object, fed: frozenset[str], names: tuple[str, ...]) -> str:
    if isinstance(point, int):
        return names[point]
    return "a splice that feeds " + ", ".join(name for name in names if name in fed)


def breaks(feeds: Parents, names: tuple[str, ...]) -> Iterator[Break]:
    """Every break of one wiring: runs, devices from within, and the breaker."""
    fed = {
        point: frozenset(names[i] for i in feeds if isinstance(i, int) and point in way(feeds, i))
        for point in feeds
    }
    for point, above in feeds.items():
        far = named(point, fed[point], names)
        near = "panel" if above == "panel" else named(above, fed[above], names)
        yield fed[point], 2 * F.joint, (near, far)
        if isinstance(point, int):
            if fed[point] - {far}:
                yield fed[point] - {far}, F.through_device, (far, far)
            yield frozenset({far}), F.one_device, (far, far)
            yield fed[point], F.tripped, (far, far)
    yield frozenset(names), F.breaker, ("panel", "panel")


def agreement(
    made: frozenset[str], dead: set[str], live: set[str], names: tuple[str, ...]
) -> float:
    """Probability of what was found where a break makes some dead."""
    result = 1.0
    for name in names:
        is_dead = name in made
        if name in dead or name in live:
            right = is_dead == (name in dead)
            result *= 1 - F.wrong_dead if right else F.wrong_dead
        else:
            result *= F.not_looked if is_dead else 1 - F.not_looked
    return result


def listed(
    every: list[Parents], share: np.ndarray, dead: set[str], live: set[str], n: int
) -> tuple[dict[str, float], dict[tuple[str, str], float]]:
    """Probability of each box and of each place."""
    boxes: dict[str, float] = defaultdict(float)
    places: dict[tuple[str, str], float] = defaultdict(float)
    for feeds, p in zip(every, share, strict=True):
        found = list(breaks(feeds, NAMES[:n]))
        rate = sum(one[1] for one in found)
        for made, times, (near, far) in found:
            weight = p * times / rate * agreement(made, dead, live, NAMES[:n])
            boxes[near] += weight / 2
            boxes[far] += weight / 2
            places[near, far] += weight
    total = sum(boxes.values())
    return (
        {name: weight / total for name, weight in boxes.items()},
        {place: weight / total for place, weight in places.items()},
    )


def weighted(n: int, seed: int, count: int) -> tuple[list[Parents], Wirings]:
    """Some wirings, splices among them, with random weights."""
    rng = np.random.default_rng(seed)
    every = wirings(tuple(range(n)))
    picked = [every[int(i)] for i in rng.choice(len(every), min(count, len(every)), replace=False)]
    masks = masks_of(picked)
    share = rng.dirichlet(np.ones(len(picked)))
    found = Wirings(
        names=NAMES[:n],
        probability=share,
        masks=masks,
        ring_runs=np.zeros(masks.shape, dtype=bool),
        clades=clades(masks, n),
        closed=np.zeros(len(masks), dtype=bool),
        best=int(share.argmax()),
        untested=frozenset(),
    )
    return [parents(one) for one in picked], found


@settings(max_examples=40)
@given(seed=st.integers(0, 10**6), n=st.integers(2, 5), data=st.data())
def test_boxes_and_place_are_those_of_a_listing_of_every_break(
    seed: int, n: int, data: st.DataObject
) -> None:
    every, found = weighted(n, seed, 6)
    dead = data.draw(st.sets(st.sampled_from(NAMES[:n]), min_size=1))
    live = data.draw(st.sets(st.sampled_from(NAMES[:n]))) - dead
    answer = find_fault(found, dead, live=live)
    boxes, places = listed(every, found.probability, dead, live, n)
    for box in answer.boxes:
        assert box.probability == pytest.approx(boxes[box.name], abs=1e-9)
    said = {box.name for box in answer.boxes}
    assert all(p <= 1e-4 + 1e-9 for name, p in boxes.items() if name not in said)
    assert answer.place_probability == pytest.approx(max(places.values()))
    best = {place for place, p in places.items() if p > max(places.values()) - 1e-9}
    near = answer.last_live or answer.first_dead
    assert (near, answer.first_dead) in best
    assert answer.settled == (answer.place_probability >= 0.95)


@settings(max_examples=25)
@given(seed=st.integers(0, 10**6), n=st.integers(2, 5), data=st.data())
def test_explained_is_the_share_of_breaks_that_make_just_these_dead(
    seed: int, n: int, data: st.DataObject
) -> None:
    every, found = weighted(n, seed, 4)
    dead = data.draw(st.sets(st.sampled_from(NAMES[:n]), min_size=1))
    exact = total = 0.0
    for feeds, p in zip(every, found.probability, strict=True):
        one = list(breaks(feeds, NAMES[:n]))
        rate = sum(times for _, times, _ in one)
        for made, times, _ in one:
            weight = p * times / rate * agreement(made, dead, set(), NAMES[:n])
            total += weight
            exact += weight * (made == dead)
    assert find_fault(found, dead).explained == pytest.approx(exact / total)


def information(joint: np.ndarray) -> float:
    """Mutual information in bits, straight from its definition."""
    joint = joint / joint.sum()
    bits = 0.0
    for a, row in enumerate(joint):
        for b, p in enumerate(row):
            if p > 0:
                bits += p * np.log2(p / (joint[a].sum() * joint[:, b].sum()))
    return bits


@pytest.mark.parametrize("seed", range(6))
def test_the_question_is_the_one_that_tells_most_about_the_box(seed: int) -> None:
    n = 4
    every, found = weighted(n, seed, 5)
    dead, live = {NAMES[seed % n]}, {NAMES[(seed + 1) % n]}
    answer = find_fault(found, dead, live=live)
    names = sorted(
        {end for feeds in every for *_, ends in breaks(feeds, NAMES[:n]) for end in ends}
    )
    by_look = {name: np.zeros((2, len(names))) for name in NAMES[:n] if name not in dead | live}
    by_order = {pair: np.zeros((3, len(names))) for pair in combinations(range(n), 2)}
    for feeds, p in zip(every, found.probability, strict=True):
        one = list(breaks(feeds, NAMES[:n]))
        rate = sum(times for _, times, _ in one)
        for made, times, ends in one:
            weight = p * times / rate * agreement(made, dead, live, NAMES[:n]) / 2
            for end in ends:
                at = names.index(end)
                for name, table in by_look.items():
                    table[int(name in made), at] += weight
                for (i, j), table in by_order.items():
                    state = 0 if i in way(feeds, j) else 1 if j in way(feeds, i) else 2
                    table[state, at] += weight
    bits = {name: information(table) for name, table in by_look.items()} | {
        (NAMES[i], NAMES[j]): information(table) for (i, j), table in by_order.items()
    }
    most = max(bits.values())
    if answer.question is None:
        assert most < 0.05
    else:
        asked = answer.question.look_at or answer.question.order_of
        assert bits[asked] == pytest.approx(most)
        assert answer.question.bits == pytest.approx(most)


def test_a_poor_connection_counts_for_the_run_that_it_is_on_alone() -> None:
    known = wirings_of([CHAIN])
    joint = PoorJoint("Bed", "neutral", 0.5, 60.0, 3.0, 8.0)

    def rates(flickers: bool) -> Fault:
        return find_fault(known, ["Bed", "Hall"], poor=[joint], flickers=flickers)

    dead, flickering = rates(False), rates(True)
    for found, times in ((dead, F.poor_times), (flickering, F.poor_times_flicker)):
        plain = 2 * F.joint * (1 + 0.5 * times)
        breaks_here = {  # of the chain, what makes Bed and Hall dead, alone or among others
            ("Desk", "Bed"): plain * 0.98**2 * 0.9**2,
        }
        other = sum(
            rate * agreement(made, {"Bed", "Hall"}, set(), tuple(CHAIN))
            for made, rate, place in breaks({0: "panel", 1: 0, 2: 1, 3: 2}, tuple(CHAIN))
            if place != ("Desk", "Bed")
        )
        expected = breaks_here["Desk", "Bed"] / (breaks_here["Desk", "Bed"] + other)
        assert found.place_probability == pytest.approx(expected)
    assert flickering.flickers
    assert not dead.flickers


def test_a_poor_connection_at_a_name_that_is_not_there_is_passed_over() -> None:
    joint = PoorJoint("splice 1", "neutral", 0.9, 60.0, 3.0, 8.0)
    plain = find_fault(wirings_of([CHAIN]), ["Bed"])
    assert find_fault(wirings_of([CHAIN]), ["Bed"], poor=[joint]) == plain


@pytest.mark.parametrize("n", [2, 3, 4])
def test_the_label_of_a_place_is_that_of_the_receptacle_that_explains_most(n: int) -> None:
    found = every_wiring(n, np.random.default_rng(n))
    for dead in range(1, 1 << n):
        labels = fault_places(found.clades, dead).tolist()
        for row, label in zip(found.clades.tolist(), labels, strict=True):
            first, last = divmod(label, n + 1)
            wrong = [(mask ^ dead).bit_count() for mask in row]
            assert wrong[first] == min(wrong)
            above = [i for i in range(n) if i != first and row[i] >> first & 1]
            nearest = min(above, key=lambda i: row[i].bit_count(), default=n)
            assert last == nearest


def test_untested_wirings_are_as_often_listed_and_chained_as_is_assumed() -> None:
    names = NAMES[:5]
    found = usual_wirings(names)
    first = found.clades == 0b11111
    listed_first = first[:, 0].mean()
    assert listed_first == pytest.approx(
        F.listed_in_order * (1 - F.next_on_panel) ** 4 + (1 - F.listed_in_order) / 5, abs=0.06
    )
    chain = (np.sort(np.bitwise_count(found.clades), axis=1) == np.arange(1, 6)).all(axis=1)
    # the second of the circuit hangs on the first wherever it does not hang on the panel
    on_last = [F.next_on_last + (1 - F.next_on_last - F.next_on_panel) / k for k in range(1, 5)]
    assert chain.mean() == pytest.approx(np.prod(on_last), abs=0.06)
    assert found.untested == frozenset(names)


def test_what_was_said_to_be_dead_and_live_at_once_counts_as_dead() -> None:
    both = find_fault(wirings_of([FORK]), ["Hall"], live=["Hall", "Door"])
    once = find_fault(wirings_of([FORK]), ["Hall"], live=["Door"])
    assert both.boxes == once.boxes
    assert once.dead == ("Hall",)
