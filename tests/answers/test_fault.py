from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.answers.fault import fault_places, find_fault, usual_wirings
from meterlink.answers.wirings import Wirings
from meterlink.assumptions import USUAL
from meterlink.tree.wiring import PoorJoint

from .circuits import CHAIN, FORK, every_wiring, ring_of, wirings_of


def test_the_last_live_and_the_first_dead_box_come_first() -> None:
    found = find_fault(wirings_of([CHAIN]), ["Bed", "Hall"])
    assert {box.name for box in found.boxes[:2]} == {"Desk", "Bed"}
    assert (found.last_live, found.first_dead) == ("Desk", "Bed")
    assert found.explained > 0.8
    assert sum(box.probability for box in found.boxes) == pytest.approx(1, abs=0.01)


def test_with_all_dead_the_panel_is_among_them() -> None:
    found = find_fault(wirings_of([CHAIN]), list(CHAIN))
    assert {box.name for box in found.boxes[:2]} == {"panel", "Door"}


def test_where_both_branches_are_dead_the_box_that_feeds_them_comes_first() -> None:
    fork = {"Door": "panel", "Desk": "Door", "Bed": "Door", "Hall": "Bed"}
    found = find_fault(wirings_of([fork]), ["Desk", "Bed", "Hall"], live=["Door"])
    assert found.boxes[0].name == "Door"
    assert found.boxes[0].probability > 0.8


def test_a_poor_connection_moves_its_run_to_the_front() -> None:
    wirings = wirings_of([CHAIN, {**CHAIN, "Bed": "Door", "Desk": "Bed", "Hall": "Desk"}])
    joint = PoorJoint("Bed", "neutral", 0.9, 60.0, 3.0, 8.0)
    without = find_fault(wirings, ["Bed", "Hall"], live=["Door", "Desk"])
    found = find_fault(wirings, ["Bed", "Hall"], live=["Door", "Desk"], poor=[joint])
    assert found.boxes[0].probability > without.boxes[0].probability - 1e-9
    assert found.place_probability > without.place_probability


def test_two_breaks_are_not_explained_by_one() -> None:
    found = find_fault(wirings_of([FORK]), ["Desk", "Hall"], live=["Door", "Bed"])
    assert found.explained < 0.5


def test_the_question_is_the_order_that_is_not_known() -> None:
    other = {"Door": "panel", "Bed": "Door", "Desk": "Bed", "Hall": "Desk"}
    found = find_fault(wirings_of([CHAIN, other]), ["Hall"], live=["Door", "Desk", "Bed"])
    assert found.question is not None
    assert set(found.question.order_of or ()) >= {"Desk", "Bed"} or found.question.look_at is None
    assert not found.settled


def test_without_a_test_the_usual_order_of_things_says_where_to_look_and_is_not_sure() -> None:
    names = ("Door", "Desk", "Bed", "Hall", "Sink")
    found = find_fault(usual_wirings(names), ["Hall", "Sink"], tested=False)
    assert not found.settled
    assert not found.tested
    assert {box.name for box in found.boxes[:2]} == {"Bed", "Hall"}
    assert found.boxes[0].probability < 0.6
    again = find_fault(usual_wirings(names), ["Hall", "Sink"], tested=False)
    assert again == found


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(2, 5), data=st.data())
def test_the_true_break_is_among_the_best_where_the_wiring_is_known(
    seed: int, n: int, data: st.DataObject
) -> None:
    every = every_wiring(n, np.random.default_rng(seed))
    k = data.draw(st.integers(0, len(every.probability) - 1))
    run = data.draw(st.sampled_from([int(m) for m in every.masks[k] if m]))
    one = every.ring_runs[[k]], every.clades[[k]], every.closed[[k]]
    known = Wirings(every.names, np.ones(1), every.masks[[k]], *one, 0, frozenset())
    found = find_fault(known, every.named(run), live=every.named(every.all_bits & ~run))
    ends = np.flatnonzero(every.clades[k] == run)
    if len(ends):
        best = {box.name for box in found.boxes[:3]}
        assert every.names[int(ends[0])] in best
    assert sum(box.probability for box in found.boxes) == pytest.approx(1, abs=0.01)


def test_the_label_of_a_place_tells_wirings_apart_only_where_the_place_differs() -> None:
    wirings = wirings_of([CHAIN, {**CHAIN, "Hall": "Desk"}, FORK])
    labels = fault_places(wirings.clades, wirings.bits(["Desk"]))
    assert labels.shape == (3,)
    assert len({int(label) for label in fault_places(wirings.clades, wirings.bits(["Bed"]))}) == 2


def test_one_break_of_a_ring_makes_nothing_dead() -> None:
    found = find_fault(ring_of("Door", "Desk", "Bed"), ["Desk", "Bed"], live=["Door"])
    assert found.on_ring == ("Desk", "Bed")
    assert found.explained < 0.01


def test_how_often_a_box_is_at_fault_is_for_the_caller_to_assume() -> None:
    wirings = wirings_of([CHAIN])
    devices = replace(USUAL, faults=replace(USUAL.faults, one_device=50.0))
    (usual, *_), (device, *_) = (
        find_fault(replace(wirings, assumptions=one), ["Hall"]).boxes for one in (USUAL, devices)
    )
    assert device.name == "Hall"
    assert device.probability > 0.95 > usual.probability
