"""One test from readings and marks to its measurement."""

import numpy as np
import pytest
from invented_readings import Style, trial

from drivers.readings import Function, Reading
from meterlink.circuit.setup import LIVE_HOOKUPS, Hookup, Setup, Verdict
from meterlink.levels.detector import TestDetector
from meterlink.levels.test_flags import MEANINGS, Flag
from meterlink.levels.trace import MOST_SAMPLES

NEUTRALS = Setup(Hookup.NEUTRAL_NEUTRAL, "Bed", "Desk", "Door")


def detector(setup=NEUTRALS, **more):
    return TestDetector(setup, 0.0, hertz=more.pop("hertz", 60.0), **more)


def measure(case, *, look=False, **more):
    one = detector(case.setup, hertz=case.hertz, **more)
    for event in case.events:
        if isinstance(event, Reading):
            one.add(event)
        else:
            one.mark(*event)
        if look:
            one.progress()
    return one.finish(case.end_s)


def steps(levels_mv, *, every_s=0.3, jitter_mv=0.2, seed=1, function=Function.AC, **more):
    """Readings at given levels: pairs of (until_s, mv); ``None`` for no readings."""
    rng = np.random.default_rng(seed)
    readings, now = [], 0.0
    for until_s, mv in levels_mv:
        while now < until_s:
            if mv is not None:
                value = (mv + rng.normal(0, jitter_mv)) / 1e3
                readings.append(Reading(now, value, function, 1e-5, **more))
            now += every_s
    return readings


def run(readings, marks, end_s, one=None):
    one = one or detector()
    events = sorted([*readings, *marks], key=lambda e: e.t_s if isinstance(e, Reading) else e[1])
    for event in events:
        if isinstance(event, Reading):
            one.add(event)
        else:
            one.mark(*event)
    return one.finish(end_s)


MARKS = [("load-on", 10.0), ("load-off", 24.0)]
PLAIN = [(11.0, 6.0), (25.0, 200.0), (34.0, 6.0)]


def test_a_jump_is_found_with_its_size_and_times():
    result = run(steps(PLAIN), MARKS, 34.0)
    assert result.verdict is Verdict.IN_PATH
    assert result.drop_mv == pytest.approx(200.0, abs=6.5)
    assert result.delta_mv == pytest.approx(194.0, abs=1.0)
    assert result.on_at_s == pytest.approx(11.0, abs=0.4)
    assert result.off_at_s == pytest.approx(25.0, abs=0.4)
    assert result.flags == ()


def test_no_jump_is_said_with_the_drop_that_would_have_shown():
    result = run(steps([(34.0, 6.0)]), MARKS, 34.0)
    assert result.verdict is Verdict.NOT_IN_PATH
    assert result.drop_mv == pytest.approx(0.0, abs=0.5)
    assert 0.0 < result.limit_mv < 20.0
    assert result.drop_u_mv >= result.limit_mv / 2.5


def test_no_jump_below_what_a_metre_of_cable_would_make_stays_unclear():
    result = run(steps([(34.0, 12.0)]), MARKS, 34.0, detector(smallest_drop_mv=15.0))
    assert result.verdict is Verdict.UNCLEAR


def test_a_reading_that_falls_with_the_load_on_is_a_jump():
    result = run(steps([(11.0, 12.0), (25.0, 5.0), (34.0, 12.0)]), MARKS, 34.0)
    assert result.verdict is Verdict.IN_PATH
    assert result.delta_mv < 0 < result.drop_mv


@pytest.mark.parametrize("hookup", LIVE_HOOKUPS)
@pytest.mark.parametrize("drop_mv", [0.0, 300.0, 2500.0])
def test_live_looks_change_nothing_in_the_row(hookup, drop_mv):
    case = trial(np.random.default_rng(7), hookup, drop_mv)
    assert measure(case, look=True) == measure(case)


@pytest.mark.parametrize("drop_mv", [100.0, 1500.0])
def test_an_invented_visits_drops_lie_within_three_uncertainties(drop_mv):
    rng = np.random.default_rng(21)
    results = [measure(trial(rng, Hookup.NEUTRAL_GROUND, drop_mv)) for _ in range(25)]
    z = np.array([(one.drop_mv - drop_mv) / one.drop_u_mv for one in results])
    assert np.abs(z).max() < 3.0
    assert (np.abs(z) < 1.0).mean() > 0.45
    assert all(one.verdict is Verdict.IN_PATH for one in results)


def test_a_sag_of_the_supply_is_measured_through_its_wander():
    rng = np.random.default_rng(22)
    results = [measure(trial(rng, Hookup.LINE_DROP, 3000.0)) for _ in range(25)]
    z = np.array([(one.drop_mv - 3000.0) / one.drop_u_mv for one in results])
    assert np.abs(z).max() < 3.5
    assert (np.abs(z) < 1.0).mean() > 0.45


def test_a_load_that_never_ran_invents_no_jump():
    rng = np.random.default_rng(23)
    style = Style(pickup_wander=0.06)
    results = [measure(trial(rng, Hookup.NEUTRAL_NEUTRAL, 0.0, style)) for _ in range(40)]
    assert not any(one.verdict is Verdict.IN_PATH for one in results)


def test_an_offset_in_time_moves_nothing_but_the_times():
    readings = steps(PLAIN)
    late = [Reading(r.t_s + 1000.0, r.volts, r.function, r.resolution_v) for r in readings]
    one = TestDetector(NEUTRALS, 1000.0, hertz=60.0)
    moved = run(late, [(kind, t + 1000.0) for kind, t in MARKS], 1034.0, one)
    plain = run(readings, MARKS, 34.0)
    assert moved.drop_mv == pytest.approx(plain.drop_mv)
    assert moved.on_at_s == pytest.approx(plain.on_at_s + 1000.0)


@pytest.mark.parametrize("on_at_s", [9.1, 15.0, 19.0, 21.0])
def test_a_load_that_comes_early_or_very_late_is_still_measured(on_at_s):
    result = run(
        steps([(on_at_s, 6.0), (32.0, 200.0), (40.0, 6.0)]), [MARKS[0], ("load-off", 31.0)], 40.0
    )
    assert result.on_at_s == pytest.approx(on_at_s, abs=0.5)
    assert result.delta_mv == pytest.approx(194.0, abs=1.0)
    assert (Flag.LOAD_LATE in result.flags) == (on_at_s > 16.0)


def test_a_load_that_goes_before_its_mark_is_still_measured():
    result = run(steps([(11.0, 6.0), (19.0, 200.0), (34.0, 6.0)]), MARKS, 34.0)
    assert result.delta_mv == pytest.approx(194.0, abs=1.5)
    assert result.verdict is Verdict.IN_PATH


def test_direct_current_levels_are_signed():
    readings = steps([(11.0, -2.0), (25.0, -90.0), (34.0, -2.0)], function=Function.DC)
    result = run(readings, MARKS, 34.0, detector(hertz=0.0))
    assert result.delta_mv == pytest.approx(-88.0, abs=0.5)
    assert result.drop_mv == pytest.approx(88.0, abs=0.5)
    assert result.drop_u_mv < 1.0


@pytest.mark.parametrize(
    ("levels", "marks", "flag"),
    [
        ([(34.0, 6.0)], [], Flag.NO_LOAD_MARK),
        ([], MARKS, Flag.FEW_READINGS),
        ([(1.0, 6.0)], MARKS, Flag.FEW_READINGS),
        (PLAIN[:2], MARKS, Flag.NO_AFTER),
        ([(11.0, 6.0), (34.0, 200.0)], MARKS, Flag.LOAD_STAYED_ON),
        ([(11.0, 6.0), (25.0, 200.0), (34.0, 14.0)], MARKS, Flag.AFTER_DIFFERS),
        ([(5.0, 6.0), (11.0, 14.0), (25.0, 200.0), (34.0, 14.0)], MARKS, Flag.OTHER_APPLIANCE),
        ([(11.0, 6.0), (18.0, 200.0), (25.0, 260.0), (34.0, 6.0)], MARKS, Flag.OTHER_APPLIANCE),
        ([(3.0, 6.0), (8.0, None), *PLAIN], MARKS, Flag.GAP),
        ([(17.5, 6.0), (25.0, 200.0), (34.0, 6.0)], MARKS, Flag.LOAD_LATE),
        ([(7.0, 6.0), (25.0, 200.0), (34.0, 6.0)], MARKS, Flag.LOAD_EARLY),
    ],
)
def test_what_is_odd_in_a_test_gets_its_flag(levels, marks, flag):
    assert flag in run(steps(levels), marks, 34.0).flags


@pytest.mark.parametrize(
    ("bad", "flag"),
    [
        ({"function": Function.DC}, Flag.WRONG_FUNCTION),
        ({"function": Function.OTHER}, Flag.WRONG_FUNCTION),
        ({"hold": True}, Flag.HOLD),
    ],
)
def test_readings_that_are_no_measurement_are_never_used(bad, flag):
    result = run(steps(PLAIN, **bad), MARKS, 34.0)
    assert result.drop_mv is None
    assert result.verdict is Verdict.UNCLEAR
    assert flag in result.flags


def test_hold_pressed_for_a_while_is_left_out_and_said():
    readings = steps(PLAIN)
    held = [
        Reading(r.t_s, 0.006, r.function, r.resolution_v, hold=True) if 15 < r.t_s < 18 else r
        for r in readings
    ]
    result = run(held, MARKS, 34.0)
    assert Flag.HOLD in result.flags
    assert result.drop_mv == pytest.approx(200.0, abs=6.5)


def test_overload_through_the_whole_load_stage_is_said():
    readings = [
        Reading(r.t_s, None, r.function, None, overload=True) if r.volts > 0.1 else r
        for r in steps(PLAIN)
    ]
    result = run(readings, MARKS, 34.0)
    assert Flag.OVERLOAD in result.flags
    assert result.verdict is not Verdict.IN_PATH


def test_a_lead_in_the_air_is_said():
    rng = np.random.default_rng(5)
    readings = [Reading(0.3 * i, abs(rng.normal(8.0, 3.0)), Function.AC, 1e-3) for i in range(113)]
    result = run(readings, MARKS, 34.0)
    assert Flag.FLOATING in result.flags
    assert result.verdict is not Verdict.NOT_IN_PATH


def test_several_cycles_average_down():
    levels, marks = [(11.0, 6.0)], []
    for k in range(4):
        start = 30.0 * k
        marks += [("load-on", start + 10.0), ("load-off", start + 24.0)]
        levels += [(start + 25.0, 200.0 + k % 2), (start + 41.0, 6.0)]
    result = run(steps(levels, jitter_mv=0.5), marks, 124.0)
    once = run(steps(levels[:3], jitter_mv=0.5), marks[:2], 34.0)
    assert result.n_on > 3 * once.n_on
    assert result.delta_mv == pytest.approx(194.5, abs=0.5)
    assert Flag.CYCLES_DIFFER not in result.flags


def test_cycles_that_disagree_are_said_and_widen_the_uncertainty():
    levels, marks = [(11.0, 6.0)], []
    for k, high in enumerate((200.0, 260.0)):
        start = 30.0 * k
        marks += [("load-on", start + 10.0), ("load-off", start + 24.0)]
        levels += [(start + 25.0, high), (start + 41.0, 6.0)]
    result = run(steps(levels), marks, 64.0)
    assert Flag.CYCLES_DIFFER in result.flags
    assert result.drop_u_mv > 15.0


def test_memory_stays_bounded_through_hours_of_readings():
    one = detector()
    for i in range(60_000):
        one.add(Reading(0.5 * i, 0.006, Function.AC, 1e-5))
    one.mark("load-on", 30_000.0)
    assert len(one._trace) <= MOST_SAMPLES


def test_every_flag_is_explained():
    assert set(MEANINGS) == set(Flag)
    assert all(sentence.endswith(".") for sentence in MEANINGS.values())
