"""How a running test stands."""

from dataclasses import replace

import numpy as np
import pytest
from invented_readings import Style, trial

from drivers.readings import Function, Reading
from meterlink.assumptions import USUAL
from meterlink.circuit.setup import LIVE_HOOKUPS, Hookup, Setup, Verdict
from meterlink.levels.detector import TestDetector
from meterlink.levels.progress import Stage

PROMPT = Style(late_s=(0.5, 1.5), overload_s=(0.0, 0.3))


def looks(case):
    """Progress after each reading, with its time."""
    detector = TestDetector(case.setup, 0.0, hertz=60.0)
    for event in case.events:
        if isinstance(event, Reading):
            detector.add(event)
            yield event.t_s, detector.progress()
        else:
            detector.mark(*event)


def stages_of(case):
    seen = []
    for _, progress in looks(case):
        if not seen or seen[-1] is not progress.stage:
            seen.append(progress.stage)
    return seen


@pytest.mark.parametrize("hookup", LIVE_HOOKUPS)
def test_a_test_goes_through_its_stages_in_order(hookup):
    case = trial(np.random.default_rng(3), hookup, 3000.0, PROMPT)
    order = list(Stage)
    seen = stages_of(case)
    assert seen == sorted(seen, key=order.index)
    assert {Stage.IDLE, Stage.WAITING_FOR_LOAD, Stage.ON, Stage.AFTER} <= set(seen)


def test_nobody_waits_long_for_a_plain_jump():
    waits = []
    for seed in range(8):
        case = trial(np.random.default_rng(seed), Hookup.NEUTRAL_NEUTRAL, 200.0, PROMPT)
        enough = next(t for t, p in looks(case) if p.stage is Stage.ON and p.enough)
        waits.append(enough - case.on_s)
    assert np.median(waits) < 6.0


def test_no_jump_is_certain_soon_after_it_could_have_come():
    case = trial(np.random.default_rng(5), Hookup.NEUTRAL_NEUTRAL, 0.0, PROMPT)
    mark_s = next(event[1] for event in case.events if not isinstance(event, Reading))
    enough = [(t, p) for t, p in looks(case) if p.stage is Stage.ON and p.enough]
    assert enough[0][0] - mark_s < 9.0
    assert enough[0][1].no_jump


@pytest.mark.parametrize("every_s", [0.5, 0.8])
def test_a_load_switched_off_as_soon_as_it_is_enough_has_readings_enough(every_s):
    setup = Setup(Hookup.NEUTRAL_GROUND, "Bed", None, "Door")
    detector, rng = TestDetector(setup, 0.0, hertz=60.0), np.random.default_rng(3)
    detector.mark("load-on", 9.5)
    off_s = None
    for t in np.arange(0.0, 40.0, every_s):
        on = t >= 10.0 and off_s is None
        volts = (0.4 if on else 0.006) + rng.normal(0.0, 2e-4)
        detector.add(Reading(float(t), volts, Function.AC, 1e-5))
        progress = detector.progress()
        if on and progress.stage is Stage.ON and progress.enough:
            off_s = float(t) + 0.01
            detector.mark("load-off", off_s)
    found = detector.finish(40.0)
    assert found.n_on >= 5
    assert "few-readings" not in found.flags


@pytest.mark.parametrize(
    ("hookup", "idle_v", "on_v"),
    [(Hookup.LINE_DROP, 120.0, 117.0), (Hookup.NEUTRAL_GROUND, 0.006, 0.4)],
)
def test_a_cycle_that_has_just_begun_asks_for_more(hookup, idle_v, on_v):
    detector = TestDetector(Setup(hookup, "Bed", None, "Bed"), 0.0, hertz=60.0)
    rng, hasty = np.random.default_rng(1), []
    for t in np.arange(0.0, 45.0, 0.25):
        began = max((b for b in (8.0, 20.0, 32.0) if b <= t), default=-9.0)
        on = t < began + 6.0
        if t in (began, began + 6.0):
            detector.mark("load-on" if on else "load-off", float(t))
        volts = (on_v if on else idle_v) * (1.0 + rng.normal(0.0, 1e-4))
        detector.add(Reading(float(t), volts, Function.AC, 1e-2 * idle_v))
        enough = detector.progress()
        hasty += (
            [t] if on and t < began + 1.0 and enough.stage is Stage.ON and enough.enough else []
        )
    assert not hasty
    assert detector.finish(45.0).cycles == 3


def test_what_was_enough_stays_the_verdict():
    rng = np.random.default_rng(9)
    for drop_mv in (0.0, 60.0, 150.0, 900.0) * 5:
        case = trial(rng, Hookup.NEUTRAL_GROUND, drop_mv, PROMPT)
        first = next(p for _, p in looks(case) if p.stage is Stage.ON and p.enough)
        assert first.no_jump == (drop_mv == 0.0)
        assert (first.verdict is Verdict.IN_PATH) == (drop_mv > 0.0)


def idle(values_mv, assumptions=USUAL, **more):
    setup = Setup(Hookup.NEUTRAL_GROUND, "Bed", None, "Door")
    detector = TestDetector(setup, 0.0, hertz=60.0, assumptions=assumptions)
    more.setdefault("function", Function.AC)
    for i, mv in enumerate(values_mv):
        volts = None if mv is None else mv / 1e3
        detector.add(Reading(0.3 * i, volts, resolution_v=1e-5, **more))
    return detector.progress()


def test_before_the_first_reading_a_test_is_settling():
    progress = idle([])
    assert progress.stage is Stage.SETTLING
    assert progress.reading is None
    assert not progress.enough


def test_a_quiet_idle_level_is_enough_after_some_seconds():
    rng = np.random.default_rng(1)
    assert not idle(6.0 + rng.normal(0, 0.2, 8)).enough
    progress = idle(6.0 + rng.normal(0, 0.2, 30))
    assert progress.enough
    assert progress.idle_mv == pytest.approx(6.0, abs=0.2)
    assert progress.restless is None


def test_from_where_on_an_idle_level_counts_as_current_is_for_the_caller_to_assume():
    values = 60.0 + np.random.default_rng(4).normal(0, 0.2, 30)
    assert idle(values).idle_is_current
    leads = replace(USUAL, meter=replace(USUAL.meter, large_idle_mv=90.0))
    assert not idle(values, leads).idle_is_current


@pytest.mark.parametrize(
    ("values", "more", "words"),
    [
        ([6.0] * 30, {"hold": True}, "hold"),
        ([6.0] * 30, {"function": Function.DC}, "AC volts"),
        ([None] * 30, {"overload": True}, "range"),
        ([6.0, 6.1], {}, "Waiting"),
        (list(np.abs(np.random.default_rng(2).normal(8e3, 3e3, 40))), {}, "contact"),
        (list(np.linspace(5.0, 12.0, 40)), {}, "moves"),
    ],
)
def test_an_idle_level_that_is_not_quiet_says_why(values, more, words):
    progress = idle(values, **more)
    assert words in (progress.restless or "")
    assert not progress.enough
