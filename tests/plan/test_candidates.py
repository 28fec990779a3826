"""Which tests are possible, what each costs, and how each is told."""

from dataclasses import replace
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.circuit.checks import unknown_name
from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.setup import LIVE_HOOKUPS, Hookup, Setup
from meterlink.plan.candidates import Effort, possible_setups
from meterlink.plan.instructions import instruction

NAMES = ("Door", "Desk", "Bed", "Hall")
FLAT = Circuit("Flat", NAMES)
NN, NG, LD = LIVE_HOOKUPS
EFFORT = Effort()


def of(circuit: Circuit = FLAT, **how: object) -> list[Setup]:
    return list(possible_setups(circuit, **how))


# what is possible


def test_every_live_test_is_there_once() -> None:
    found = of()
    n = len(NAMES)
    assert len(found) == len(set(found)) == n * (n * (n - 1) // 2) + 2 * n * n
    assert {setup.hookup for setup in found} == set(LIVE_HOOKUPS)
    assert all(unknown_name(setup, FLAT) is None for setup in found)


@given(st.sets(st.sampled_from(NAMES)), st.sets(st.sampled_from(LIVE_HOOKUPS)), st.booleans())
def test_what_cannot_be_reached_or_done_is_in_no_test(
    not_now: set[str], hookups: set[Hookup], one_place: bool
) -> None:
    found = of(not_now=not_now, hookups=hookups, one_place=one_place)
    everything = of()
    assert set(found) <= set(everything)
    for setup in everything:
        fits = (
            not set(setup.places) & not_now
            and setup.hookup in hookups
            and (not one_place or setup.load_at in setup.leads)
        )
        assert (setup in found) == fits


def test_where_there_is_no_ground_nothing_is_measured_against_it() -> None:
    assert not [s for s in of(replace(FLAT, grounded=False)) if s.hookup is NG]
    some = [s for s in of(replace(FLAT, no_ground=("Bed",))) if s.hookup is NG]
    assert {s.lead_a for s in some} == {"Door", "Desk", "Hall"}
    assert {s.load_at for s in some} == set(NAMES)  # the load needs no ground


def test_an_ohmmeter_reads_between_any_two_places_and_the_panel() -> None:
    found = of(hookups=[Hookup.PATH_RESISTANCE], side="hot")
    assert {(s.lead_a, s.lead_b) for s in found} == {
        *combinations(NAMES, 2),
        *((name, None) for name in NAMES),
    }
    assert {(s.side, s.load_at) for s in found} == {("hot", "")}


def test_a_direct_source_comes_back_over_the_ground_or_another_receptacle() -> None:
    direct = replace(FLAT, load_kind=LoadKind.DIRECT_SOURCE)
    found = of(direct)
    assert {s.hookup for s in found} == {NN}
    assert {s.side for s in found} == {"neutral"}
    assert {s.return_at for s in found} == {""}
    n, pairs = len(NAMES), len(NAMES) * (len(NAMES) - 1) // 2 + len(NAMES)
    assert len(found) == n * pairs
    back = of(replace(direct, grounded=False))
    assert {(s.load_at, s.return_at) for s in back} == set(combinations(NAMES, 2))
    assert all(s.load_at != s.return_at for s in back)


def test_one_receptacle_alone_can_be_tested_too() -> None:
    found = of(Circuit("One", ("Door",)))
    assert {(s.hookup, s.lead_a, s.load_at) for s in found} == {
        (NG, "Door", "Door"),
        (LD, "Door", "Door"),
    }


# what it costs


def test_a_test_where_nothing_moves_costs_one_cycle() -> None:
    setup = Setup(NN, "Door", "Desk", "Bed")
    assert EFFORT.of(setup, setup, FLAT) == EFFORT.cycle


@pytest.mark.parametrize(
    ("setup", "more"),
    [
        (Setup(NN, "Door", "Desk", "Hall"), EFFORT.other_room + EFFORT.load),
        (Setup(NN, "Door", "Hall", "Bed"), EFFORT.other_room + EFFORT.lead),
        (Setup(NN, "Hall", "Desk", "Hall"), EFFORT.other_room + EFFORT.lead + EFFORT.load),
        (Setup(NG, "Door", None, "Bed"), 0.0),
        (Setup(NN, "Desk", "Door", "Bed"), 0.0),  # the leads are where they were
    ],
)
def test_what_moves_is_paid_for_and_the_way_there_once(setup: Setup, more: float) -> None:
    last = Setup(NN, "Door", "Desk", "Bed")
    assert EFFORT.of(setup, last, FLAT) == pytest.approx(EFFORT.cycle + more)


def test_a_place_in_the_same_room_is_nearer() -> None:
    rooms = replace(FLAT, rooms={"Bed": "Bedroom", "Hall": "Bedroom"})
    last, setup = Setup(NN, "Door", "Desk", "Bed"), Setup(NN, "Door", "Desk", "Hall")
    assert EFFORT.of(setup, last, rooms) == pytest.approx(
        EFFORT.cycle + EFFORT.same_room + EFFORT.load
    )
    one_named = replace(FLAT, rooms={"Bed": "Bedroom"})
    assert EFFORT.of(setup, last, one_named) == EFFORT.of(setup, last, FLAT)


@given(st.sampled_from(of()), st.sampled_from([None, *of()]))
def test_no_test_costs_less_than_a_cycle_and_the_first_one_most(
    setup: Setup, last: Setup | None
) -> None:
    cost = EFFORT.of(setup, last, FLAT)
    assert EFFORT.cycle <= cost <= EFFORT.of(setup, None, FLAT)


# how it is told


@pytest.mark.parametrize(
    ("setup", "words"),
    [
        (
            Setup(NN, "Door", "Desk", "Bed"),
            "Put one lead in the neutral of Door, the other in that of Desk; plug the load in at "
            "Bed.",
        ),
        (
            Setup(NG, "Door", None, "Bed"),
            "Put the leads in neutral and ground of Door; plug the load in at Bed.",
        ),
        (
            Setup(LD, "Door", None, "Bed"),
            "Put the leads in hot and neutral of Door; plug the load in at Bed.",
        ),
        (
            Setup(Hookup.LOOP_RESISTANCE, "Door", None, "", "hot+neutral"),
            "Link hot and neutral at the panel; read the ohms between them at Door.",
        ),
        (
            Setup(Hookup.PATH_RESISTANCE, "Door", "Desk", "", "neutral"),
            "Read the ohms of the neutral from Door to Desk.",
        ),
        (
            Setup(Hookup.PATH_RESISTANCE, "Door", None, "", "hot"),
            "Read the ohms of the hot from Door to its breaker's terminal.",
        ),
        (
            Setup(NN, "Door", None, "Bed", "neutral"),
            "Put one lead in the neutral of Door, the other at the panel's bar; send the direct "
            "current into the neutral of Bed and back from its ground.",
        ),
        (
            Setup(NN, "Door", "Desk", "Bed", "hot", "Hall"),
            "Put one lead in the hot of Door, the other at Desk; send the direct current into the "
            "hot of Bed and back from that of Hall.",
        ),
        (
            Setup(NG, "Door", None, "Bed", "neutral+ground"),
            "Put the leads in neutral and ground of Door; send the direct current into the neutral "
            "of Bed and back from its ground.",
        ),
    ],
)
def test_a_test_is_told_with_every_place(setup: Setup, words: str) -> None:
    assert instruction(setup) == words


def test_several_cycles_are_said_with_their_length_where_a_hand_switches() -> None:
    setup = Setup(LD, "Door", None, "Bed")
    assert instruction(setup, 3).endswith("Switch it on and off 3 times, some 5 s each.")
    assert instruction(setup, 1) == instruction(setup)


@given(st.sampled_from(of()))
def test_no_place_of_a_test_is_left_unsaid(setup: Setup) -> None:
    assert all(name in instruction(setup) for name in setup.places)
