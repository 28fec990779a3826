"""Readings by eye and by ohmmeter as rows: what is worked out, what is refused and why."""

import math
from datetime import UTC, datetime

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.errors import UsageError
from meterlink.testlog.columns import Source, from_cells, to_cells
from meterlink.testlog.rows import (
    CONTACT_U_MOHM,
    FOUR_WIRE_U_MOHM,
    Levels,
    coarse_step,
    entered_row,
    levels_of_sag,
    ohms_row,
    step_of,
    usual_run_mohm,
)

NOW = datetime(2026, 3, 2, 9, tzinfo=UTC)
FLAT = Circuit("Flat", ("Door", "Desk", "Bed"), volts=120.0, hertz=60.0, load_amps=12.0,
               conductor="14 AWG copper")  # fmt: skip
GROUND = Setup(Hookup.NEUTRAL_GROUND, "Desk", None, "Bed")
PATH = Setup(Hookup.PATH_RESISTANCE, "Door", "Desk", "", "neutral")
LOOP = Setup(Hookup.LOOP_RESISTANCE, "Door", None, "", "hot+neutral")


def entered(idle: float, on: float, wander: float = 2.0, setup: Setup = GROUND, **more: object):
    return entered_row(setup, FLAT, time=NOW, seen=Levels(idle, on, wander), **more)


@settings(max_examples=30)
@example(idle=5e-324, on=0.0, wander=1.0)
@given(st.floats(0, 2000), st.floats(0, 5000), st.floats(0.1, 50))
def test_whatever_the_phase_a_drop_is_between_difference_and_sum_of_the_levels(
    idle: float, on: float, wander: float
) -> None:
    """A magnitude of a sum of two phasors: ``|on - idle| <= drop <= on + idle``."""
    row = entered(idle, on, wander)
    assert row.drop_mv is not None
    assert row.drop_u_mv is not None
    slack = 4 * row.drop_u_mv + 1e-6
    assert abs(on - idle) - slack <= row.drop_mv <= on + idle + slack
    assert row.drop_u_mv > 0
    assert (row.idle_mv, row.on_mv) == (idle, on)
    assert row.delta_mv == pytest.approx(on - idle)
    assert row.level_u_mv == pytest.approx(wander * math.sqrt(2 / 3))


@settings(max_examples=25)
@given(st.floats(0, 1000), st.floats(0, 3000))
def test_what_is_entered_comes_back_from_the_log(idle: float, on: float) -> None:
    row = entered(round(idle, 1), round(on, 1), note="by hand, =1")
    back = from_cells(to_cells(row))
    assert back.setup == row.setup
    assert back.verdict is row.verdict
    assert back.note == "by hand, =1"
    assert back.source is Source.ENTERED
    assert back.drop_mv == pytest.approx(row.drop_mv, abs=1e-3)


def test_the_current_of_the_load_is_the_stated_one_or_the_circuits() -> None:
    assert entered(6, 215).amps == 12.0
    assert entered(6, 215, amps=8.0).amps == 8.0


@pytest.mark.parametrize("verdict", [Verdict.IN_PATH, Verdict.NOT_IN_PATH])
def test_only_a_jump_or_none_has_no_figures(verdict: Verdict) -> None:
    row = entered_row(GROUND, FLAT, time=NOW, seen=verdict)
    assert row.verdict is verdict
    assert (row.idle_mv, row.on_mv, row.drop_mv, row.drop_u_mv, row.limit_mv) == (None,) * 5


@pytest.mark.parametrize(
    ("idle", "on", "wander", "words"),
    [
        (-6, 215, 2, "-6 mV (idle) makes no sense"),
        (6, -215, 2, "-215 mV (on) makes no sense"),
        (6, 2e6, 2, "2e+06 mV (on) makes no sense"),
        (math.nan, 215, 2, "nan mV (idle) makes no sense"),
        (6, 215, 0, "A wander of 0 mV makes no sense"),
        (6, 215, math.nan, "makes no sense"),
        (6, 215, 2e6, "makes no sense"),
    ],
)
def test_levels_that_no_meter_shows_are_refused(idle, on, wander, words: str) -> None:
    with pytest.raises(UsageError) as refused:
        entered(idle, on, wander)
    assert words in str(refused.value)


# sag


def test_a_sag_in_percent_is_a_pair_of_levels_of_the_supply() -> None:
    levels = levels_of_sag(4.0, 120.0, None)
    assert (levels.idle_mv, levels.on_mv, levels.wander_mv) == (120_000.0, 115_200.0, 120.0)
    assert levels_of_sag(4.0, 120.0, 50.0).wander_mv == 50.0


@pytest.mark.parametrize(
    ("percent", "volts", "words"),
    [(4.0, None, "needs the supply"), (-1.0, 120.0, "0 to 50"), (51.0, 120.0, "0 to 50")],
)
def test_a_sag_that_makes_no_sense_is_refused(percent, volts, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        levels_of_sag(percent, volts, None)
    with pytest.raises(UsageError):
        levels_of_sag(math.nan, 120.0, None)


# ohms


def ohms(value: float, setup: Setup = PATH, **more: object):
    return ohms_row(setup, FLAT, time=NOW, ohms=value, **({"step_ohms": 0.001} | more))


def test_an_ohmmeters_uncertainty_has_its_step_its_contacts_and_its_spread() -> None:
    """JCGM 100, F.2.2.1: a step adds itself over root 12."""
    two = ohms(0.143)
    assert two.path_mohm == pytest.approx(143.0)
    assert two.path_u_mohm == pytest.approx(math.hypot(1 / math.sqrt(12), CONTACT_U_MOHM))
    four = ohms(0.143, four_wire=True, spread_mohm=0.4)
    assert four.path_u_mohm == pytest.approx(math.sqrt(1 / 12 + FOUR_WIRE_U_MOHM**2 + 0.4**2))
    assert two.verdict is Verdict.IN_PATH
    assert ohms(0.004).verdict is Verdict.UNCLEAR  # as near to nothing as its contacts


def test_leads_that_the_meter_did_not_take_off_are_taken_off() -> None:
    assert ohms(0.443, lead_ohms=0.3).path_mohm == pytest.approx(143.0)
    with pytest.raises(UsageError, match="taken off twice"):
        ohms(0.143, lead_ohms=0.3)
    assert ohms(-0.005).path_mohm == -5.0  # within its uncertainty


@pytest.mark.parametrize(
    ("value", "more", "words"),
    [
        (math.nan, {}, "The reading is no finite number"),
        (math.inf, {}, "The reading is no finite number"),
        (0.1, {"step_ohms": math.inf}, "The step is no finite number"),
        (0.1, {"lead_ohms": math.nan}, "The leads is no finite number"),
        (0.1, {"step_ohms": 11.0}, "at most 10 ohm"),
        (0.1, {"lead_ohms": 101.0}, "at most 100 ohm"),
        (1e4, {}, "a conductor is broken or not linked"),
        (3.0, {}, "Was the wander lead nulled"),
    ],
)
def test_what_no_cable_has_is_refused_with_what_may_be_wrong(value, more, words: str) -> None:
    with pytest.raises(UsageError) as refused:
        ohms(value, **more)
    assert words in str(refused.value)


def test_a_very_poor_joint_is_believed_where_it_is_said_to_be_meant() -> None:
    with pytest.raises(UsageError, match="m of 14 AWG copper"):
        ohms(3.0)
    assert ohms(3.0, believed=True).path_mohm == 3000.0
    assert ohms(3.3, lead_ohms=0.3).path_mohm == pytest.approx(3000.0)


def test_a_loop_of_two_conductors_may_have_twice_as_much() -> None:
    limit = 120.0 * (FLAT.ohm_per_m() or 0.0)
    with pytest.raises(UsageError):
        ohms(1.5 * limit)
    assert ohms(1.5 * limit, setup=LOOP).path_mohm == pytest.approx(1.5e3 * limit)


@pytest.mark.parametrize(
    ("text", "step"),
    [
        ("0.143", 0.001),
        ("0.410", 0.001),
        ("12", 1.0),
        ("1.5e-1", 0.01),
        ("2E3", 1000.0),
        (" 0.1 ", 0.1),
    ],
)
def test_the_step_of_a_display_is_read_off_what_was_typed(text: str, step: float) -> None:
    assert step_of(text) == pytest.approx(step)


def test_a_meter_whose_step_is_as_large_as_the_runs_is_said_to_be_too_coarse() -> None:
    run_ohms = usual_run_mohm(FLAT) / 1e3
    assert coarse_step(0.001, FLAT) is None
    assert coarse_step(0.49 * run_ohms, FLAT) is None
    text = coarse_step(0.1, FLAT)
    assert text is not None
    assert "0.1 ohm" in text
    assert usual_run_mohm(Circuit("?", ("A", "B"))) > 0  # where no conductor is stated


# a direct source


DIRECT = Circuit("Dead", ("Door", "Desk", "Bed"), load_amps=5.0, load_kind=LoadKind.DIRECT_SOURCE,
                 hertz=0.0, conductor="14 AWG copper")  # fmt: skip
TO_PANEL = Setup(Hookup.NEUTRAL_NEUTRAL, "Desk", None, "Bed", "neutral")
BETWEEN = Setup(Hookup.NEUTRAL_NEUTRAL, "Desk", "Door", "Bed", "neutral")


def direct(setup: Setup, idle: float, on: float, wander: float = 0.1):
    return entered_row(setup, DIRECT, time=NOW, seen=Levels(idle, on, wander))


def test_a_direct_source_gives_signed_drops() -> None:
    row = direct(BETWEEN, 0.2, -120.0)
    assert row.drop_mv == pytest.approx(-120.2)
    assert row.verdict is Verdict.IN_PATH
    assert direct(BETWEEN, 0.2, 120.0).drop_mv == pytest.approx(119.8)


def test_a_drop_to_the_panel_that_is_negative_says_what_is_swapped() -> None:
    with pytest.raises(UsageError, match="the source's clips are swapped"):
        direct(TO_PANEL, 0.0, -50.0)
    assert direct(TO_PANEL, 0.0, 50.0).drop_mv == 50.0


def test_no_change_counts_only_where_the_smallest_run_would_have_shown() -> None:
    assert direct(BETWEEN, 0.0, 0.1).verdict is Verdict.NOT_IN_PATH
    assert direct(BETWEEN, 0.0, 0.1, wander=200.0).verdict is Verdict.UNCLEAR
