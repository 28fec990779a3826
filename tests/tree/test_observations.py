import math
from dataclasses import replace

import numpy as np
import pytest

from meterlink.assumptions import USUAL
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels.test_flags import Flag
from meterlink.testlog.columns import TestRow
from meterlink.tree.isolation import no_ground_log_odds
from meterlink.tree.observations import (
    USUAL_AMPS,
    Observation,
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
    ("drop", "verdict", "still"),
    [
        (100.0, Verdict.IN_PATH, False),
        (0.5, Verdict.NOT_IN_PATH, True),
        (None, Verdict.NOT_IN_PATH, True),
        (None, Verdict.IN_PATH, False),
    ],
)
def test_a_test_may_be_an_outlier_of_no_change_or_a_jump_each_at_its_rate(
    drop: float | None, verdict: Verdict, still: bool
) -> None:
    [seen] = observations_of(circuit(2), [row(1, NG, "Attic", None, "Bath", drop, verdict=verdict)])
    rates, wrong = USUAL.outliers, USUAL.outliers.misnamed / 2
    assert seen.saw_no_change == still
    assert seen.no_change == pytest.approx(rates.no_change + wrong)
    assert seen.jump == pytest.approx(rates.jump + wrong)


def test_a_test_with_a_flag_that_spoils_tests_is_trusted_least() -> None:
    flagged = row(1, NG, "Attic", None, "Bath", 100.0, flags=(Flag.OTHER_APPLIANCE,))
    [seen] = observations_of(circuit(2), [flagged])
    assert seen.jump == USUAL.outliers.flagged


@pytest.mark.parametrize("stated", [0.0, None, math.nan, -1.0, math.inf])
def test_an_uncertainty_of_nothing_is_never_taken_at_its_word(stated: float | None) -> None:
    one = row(1, NG, "Attic", None, "Bath", 50.0, stated)
    [seen] = observations_of(circuit(2), [one])
    assert math.isfinite(seen.u_mv)
    assert seen.u_mv >= USUAL.meter.floor_u_mv


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


def test_readings_beyond_any_house_and_currents_beyond_any_wire_are_bounded() -> None:
    rows = [
        row(1, NG, "Attic", None, "Bath", 1e12, verdict=Verdict.UNCLEAR),
        replace(row(2, NG, "Attic", None, "Bath", 50.0), amps=99_999_999.0),
    ]
    [seen] = observations_of(circuit(2, volts=120.0), rows)
    assert seen.amps == 1e4
    assert seen.sag_per_mohm <= 0.01


def idle(number: int, at: str, level_mv: float | None, flags: tuple[str, ...] = ()) -> TestRow:
    return replace(row(number, NG, at, None, "Bath", 1.0, flags=flags), idle_mv=level_mv)


def test_volts_between_neutral_and_ground_speak_for_a_missing_ground() -> None:
    rows = [
        idle(1, "Attic", 6000.0, (Flag.FLOATING,)),
        idle(2, "Bath", 7.0),
        idle(3, "Cellar", 300.0),
    ]
    odds = no_ground_log_odds(circuit(4), rows)
    assert odds[0] > 3
    assert odds[1] < -5
    assert odds[2] < 1  # another appliance's current may make 300 mV
    prior = USUAL.conditions.no_ground
    assert odds[3] == pytest.approx(np.log(prior / (1 - prior)))


def test_a_missing_ground_that_is_stated_is_believed_before_any_test() -> None:
    odds = no_ground_log_odds(circuit(2, no_ground=("Bath",)), [])
    assert odds[1] > 3 > odds[0]


def test_ohms_are_the_meter_s_own_ampere_from_lead_to_lead() -> None:
    setup = Setup(Hookup.PATH_RESISTANCE, "Attic", "Cellar", "", "neutral")
    one = replace(
        row(1, NG, "Attic", None, "Bath", None), setup=setup, path_mohm=90.0, path_u_mohm=1.0
    )
    tests = Tests.of(observations_of(circuit(3), [one]))
    chain = np.array([[0b111, 0b110, 0b100]])  # Attic, Bath, Cellar
    np.testing.assert_array_equal(tests.carrying(chain)[0, :, 0], [False, True, True])
    assert tests.amps.tolist() == [1.0]


def test_a_jump_of_any_size_is_a_probability_and_none_at_no_drop():
    """Log-uniform between its bounds: its density integrates to one, and is little near zero."""
    drops = np.concatenate([np.linspace(0.0, 40.0, 801), np.geomspace(40.05, 5000.0, 4000)])
    seen = Observation(1, Hookup.NEUTRAL_NEUTRAL, (0, 1), 2, 10.0, 0.0, 5.0)
    tests = Tests.of(replace(seen, drop_mv=float(drop)) for drop in drops)
    density = np.exp(tests.log_jump) / seen.jump
    assert np.trapezoid(density, drops) == pytest.approx(1.0, abs=0.05)
    still = np.exp(tests.log_still) / seen.no_change
    assert density[0] < 0.1 * still[0]


def test_no_jump_with_the_load_right_there_speaks_against_a_receptacle_of_another_circuit():
    own = Observation(1, Hookup.NEUTRAL_NEUTRAL, (0, 1), 0, 10.0, 0.2, 5.0)
    other = replace(own, load=2)
    tests = Tests.of([own, other])
    assert tests.log_away[0] < tests.log_away[1]
    jump = Tests.of([replace(own, drop_mv=700.0), replace(other, drop_mv=700.0)])
    assert jump.log_away[0] > jump.log_away[1]
