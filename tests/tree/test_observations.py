import math
from dataclasses import replace

import numpy as np
import pytest

from meterlink.circuit.setup import Setup, Verdict
from meterlink.levels.flags import Flag
from meterlink.tree.observations import (
    FLOOR_U_MV,
    LIE_FLAGGED,
    LIE_JUMP,
    LIE_NO_CHANGE,
    USUAL_AMPS,
    Tests,
    observations_of,
)

from .plain import LINE, NAMES, NG, NN, circuit, masks_of, parents, row, runs_seen, wirings


def test_which_runs_a_test_sees_is_that_of_the_shared_ways() -> None:
    listed = wirings((0, 1, 2, 3))
    masks = masks_of(listed)
    setups = [
        Setup(hookup, NAMES[a], NAMES[b] if hookup is NN else None, NAMES[load])
        for hookup in (NN, NG, LINE)
        for a in range(4)
        for b in ({*range(4)} - {a} if hookup is NN else {a})
        for load in range(4)
    ]
    rows = [row(i, s.hookup, s.lead_a, s.lead_b, s.load_at, 1.0) for i, s in enumerate(setups, 1)]
    tests = Tests.of(observations_of(circuit(4), rows))
    count = tests.carrying(masks).sum(axis=1)
    for k in range(0, len(listed), 7):
        feeds = parents(listed[k])
        assert count[k].tolist() == [len(runs_seen(feeds, setup)) for setup in setups]


def test_rows_that_say_nothing_are_left_out() -> None:
    rows = [
        row(1, NG, "Attic", None, "Bath", None, None, verdict=Verdict.UNCLEAR),
        row(2, NG, "Attic", None, "Bath", math.nan, 1.0, verdict=Verdict.UNCLEAR),
        row(3, NG, "Attic", None, "Bath", 30.0, 1.0),
    ]
    assert [o.test for o in observations_of(circuit(2), rows)] == [3]


@pytest.mark.parametrize(
    ("drop", "verdict", "lie"),
    [
        (100.0, Verdict.IN_PATH, LIE_JUMP),
        (0.5, Verdict.NOT_IN_PATH, LIE_NO_CHANGE),
        (None, Verdict.NOT_IN_PATH, LIE_NO_CHANGE),
        (None, Verdict.IN_PATH, LIE_JUMP),
    ],
)
def test_a_test_that_saw_no_change_is_trusted_less_than_a_jump(
    drop: float | None, verdict: Verdict, lie: float
) -> None:
    [seen] = observations_of(circuit(2), [row(1, NG, "Attic", None, "Bath", drop, verdict=verdict)])
    assert seen.lie == lie


def test_a_test_with_a_flag_that_spoils_tests_is_trusted_least() -> None:
    flagged = row(1, NG, "Attic", None, "Bath", 100.0, flags=(Flag.OTHER_APPLIANCE,))
    [seen] = observations_of(circuit(2), [flagged])
    assert seen.lie == LIE_FLAGGED


@pytest.mark.parametrize("stated", [0.0, None, math.nan, -1.0, math.inf])
def test_an_uncertainty_of_nothing_is_never_taken_at_its_word(stated: float | None) -> None:
    one = row(1, NG, "Attic", None, "Bath", 50.0, stated)
    [seen] = observations_of(circuit(2), [one])
    assert math.isfinite(seen.u_mv)
    assert seen.u_mv >= FLOOR_U_MV


@pytest.mark.parametrize(
    ("stated", "known", "used"),
    [(8.0, 12.0, 8.0), (None, 12.0, 12.0), (0.0, 12.0, 12.0), (None, None, USUAL_AMPS)],
)
def test_amps_come_from_the_test_then_the_job_then_what_is_usual(
    stated: float | None, known: float | None, used: float
) -> None:
    one = row(1, NG, "Attic", None, "Bath", 50.0, amps=stated)
    [seen] = observations_of(circuit(2, load_amps=known), [one])
    assert seen.amps == used


def test_a_part_of_the_tests_keeps_their_order() -> None:
    rows = [row(i, NG, "Attic", None, "Bath", 10.0 * i) for i in range(1, 6)]
    tests = Tests.of(observations_of(circuit(2), rows))
    part = tests.only(np.array([True, False, True, False, True]))
    assert [o.test for o in part.items] == [1, 3, 5]
    assert part.drop.tolist() == [10.0, 30.0, 50.0]


def test_the_places_of_a_test_are_its_leads_and_its_load() -> None:
    rows = [row(1, NN, "Attic", "Den", "Bath", 10.0), row(2, LINE, "Cellar", None, "Cellar", 10.0)]
    tests = Tests.of(observations_of(circuit(4), rows))
    assert tests.places().tolist() == [0b1011, 0b0100]


def test_the_current_at_a_far_place_falls_with_the_volts_it_gets() -> None:
    one = row(1, NG, "Attic", None, "Bath", 50.0)
    [seen] = observations_of(circuit(2, volts=120.0), [one])
    # a heater is a resistance: 2 mohm of loop a mohm of neutral, times I over V (Ohm's law)
    assert seen.sag_per_mohm == pytest.approx(2e-3 * 10 / 120)
    [unknown] = observations_of(circuit(2), [replace(one)])
    assert unknown.sag_per_mohm == 0
