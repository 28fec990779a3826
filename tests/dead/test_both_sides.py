"""Both sides of the dead circuit: hot beside neutral, loops, polarity, ground through metal."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.setup import Hookup, Verdict, made_setup
from meterlink.plan.candidates import possible_setups
from meterlink.testlog.columns import TestRow
from meterlink.tree.observations import observations_of
from meterlink.tree.resolve import resolve

NAMES = ("Door", "Desk", "Bed", "Sink")
FEED = {"Door": "panel", "Desk": "Door", "Bed": "Desk", "Sink": "Desk"}
NEUTRAL = {"Door": 90.0, "Desk": 30.0, "Bed": 45.0, "Sink": 35.0}
CIRCUIT = Circuit("Up", NAMES, conductor="14 AWG copper", load_amps=5.0)
DIRECT = replace(CIRCUIT, load_kind=LoadKind.DIRECT_SOURCE)
PAIRS = [(a, None) for a in NAMES] + [("Door", "Desk"), ("Desk", "Bed"), ("Bed", "Sink")]


def way(name):
    found = set()
    while name in FEED:
        found.add(name)
        name = FEED[name]
    return found


def row(setup, **values):
    number = row.count = getattr(row, "count", 0) + 1
    return TestRow(number, datetime(2026, 3, 2, tzinfo=UTC), setup, **values)


def path(a, b, side, mohm):
    setup = made_setup(Hookup.PATH_RESISTANCE, a, b, side=side)
    runs = sum(mohm[run] for run in way(a) ^ way(b))
    return row(setup, path_mohm=runs, path_u_mohm=1.0, verdict=Verdict.IN_PATH)


def injected(a, b, load, *, sign=1.0, u=0.1, circuit_amps=5.0, back=None, mohm=NEUTRAL):
    setup = made_setup(Hookup.NEUTRAL_NEUTRAL, a, b, load, return_at=back, direct=True)
    flow, home = way(load), way(back or "panel")
    runs = sum(
        mohm[run] * ((run in way(a)) - (run in way(b or "panel"))) * ((run in flow) - (run in home))
        for run in FEED
    )
    drop = sign * circuit_amps * runs
    return row(setup, amps=circuit_amps, drop_mv=drop, drop_u_mv=u, verdict=Verdict.IN_PATH)


def feeds(found):
    return {point.name: point.fed_from for point in found.points}


@pytest.mark.parametrize("side", ["hot", "neutral"])
@pytest.mark.parametrize("excess", [50.0, 100.0])
def test_a_poor_joint_is_named_with_its_side(side, excess):
    poor = NEUTRAL | {"Desk": NEUTRAL["Desk"] + excess}
    sides = {"neutral": NEUTRAL, "hot": NEUTRAL, side: poor}
    rows = [path(a, b, s, mohm) for s, mohm in sides.items() for a, b in PAIRS]
    found = resolve(replace(CIRCUIT, run_lengths_m=_lengths()), rows)
    assert feeds(found) == FEED
    named = {joint.run_to: str(joint.side) for joint in found.poor_joints}
    assert named.get("Desk") == side, found.poor_joints


def test_sound_runs_of_both_sides_have_no_poor_joint():
    rows = [path(a, b, s, NEUTRAL) for s in ("neutral", "hot") for a, b in PAIRS]
    found = resolve(replace(CIRCUIT, run_lengths_m=_lengths()), rows)
    assert feeds(found) == FEED
    assert not found.poor_joints


def _lengths():
    """Cable lengths that go with the runs, with 6 mohm for the joints."""
    per_m = 1e3 * CIRCUIT.ohm_per_m()
    return {name: (mohm - 6.0) / per_m for name, mohm in NEUTRAL.items()}


def test_a_current_between_two_receptacles_settles_the_order_without_ground():
    tests = [
        *((a, None, a, "Door") for a in NAMES[1:]),
        *[("Door", None, "Door", None), ("Desk", "Door", "Bed", "Door")],
        *[("Bed", "Sink", "Bed", "Sink"), ("Desk", "Sink", "Bed", "Sink")],
        *[("Desk", "Bed", "Bed", "Door"), ("Desk", "Bed", "Sink", "Door")],
    ]
    rows = [injected(a, b, load, back=back) for a, b, load, back in tests]
    assert feeds(resolve(DIRECT, rows)) == FEED


def test_one_swapped_polarity_among_many_is_outvoted():
    tests = [(a, None, a) for a in NAMES] + [
        *[("Desk", "Door", "Bed"), ("Bed", "Desk", "Bed"), ("Sink", "Desk", "Sink")],
        *[("Bed", "Sink", "Bed"), ("Desk", "Door", "Sink"), ("Bed", "Sink", "Sink")],
    ]
    rows = [
        injected(a, b, load, sign=-1.0 if k == 4 else 1.0) for k, (a, b, load) in enumerate(tests)
    ]
    assert feeds(resolve(DIRECT, rows)) == FEED


def test_a_reading_over_the_ground_counts_as_less_sure():
    ground = made_setup(Hookup.NEUTRAL_GROUND, "Bed", None, "Bed", direct=True)
    told = row(ground, amps=5.0, drop_mv=1700.0, drop_u_mv=0.1, verdict=Verdict.IN_PATH)
    (item,) = observations_of(DIRECT, [told])
    assert item.sides == ("neutral", "ground")
    assert item.u_mv > 100  # metal beside the wire may lower it


def test_dead_tests_are_planned_on_one_conductor_and_never_over_the_ground():
    hot = list(possible_setups(CIRCUIT, hookups=[Hookup.PATH_RESISTANCE], side="hot"))
    assert {setup.side for setup in hot} == {"hot"}
    assert len(hot) == 10  # six pairs, four to the panel
    direct = list(possible_setups(DIRECT))
    assert {setup.hookup for setup in direct} == {Hookup.NEUTRAL_NEUTRAL}
    without = list(possible_setups(replace(DIRECT, grounded=False)))
    assert all(setup.return_at for setup in without)


def test_live_and_dead_tests_of_one_log_settle_the_order_together():
    live = [
        row(
            made_setup(Hookup.NEUTRAL_GROUND, name, None, name),
            amps=10.0,
            drop_mv=10.0 * sum(NEUTRAL[run] for run in way(name)),
            drop_u_mv=6.0,
            verdict=Verdict.IN_PATH,
        )
        for name in NAMES
    ]
    dead = [path(a, b, "neutral", NEUTRAL) for a, b in PAIRS[4:]]
    assert feeds(resolve(replace(CIRCUIT, load_amps=10.0), [*live, *dead])) == FEED
