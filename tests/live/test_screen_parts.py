"""The parts of the screen: jumps, the trace of the last minute, units, keys."""

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.live.watching import Jump, JumpFinder, MinuteTrace
from meterlink.visit.view import volts_text


def series(
    levels: list[float], *, seconds: float, rate_hz: float, noise_v: float, seed: int
) -> list[Jump]:
    rng = random.Random(seed)
    finder = JumpFinder()
    found = []
    for place in range(int(len(levels) * seconds * rate_hz)):
        t_s = place / rate_hz
        jump = finder.add(t_s, levels[int(t_s / seconds)] + rng.gauss(0.0, noise_v))
        if jump is not None:
            found.append(jump)
    return found


@pytest.mark.parametrize("rate_hz", [2.0, 10.0, 100.0])
@pytest.mark.parametrize("seed", range(5))
def test_a_jump_is_told_once_with_its_size(rate_hz: float, seed: int) -> None:
    found = series([0.008, 0.158, 0.008], seconds=10, rate_hz=rate_hz, noise_v=5e-4, seed=seed)
    assert [round(jump.size_v, 2) for jump in found] == [0.15, -0.15]
    assert all(10 <= jump.t_s % 20 <= 13 or jump.t_s % 10 <= 3 for jump in found)


def test_a_jump_through_a_slow_meter_is_told_with_its_whole_size() -> None:
    finder, lag_s = JumpFinder(), 0.5
    told = []
    for place in range(400):
        t_s = place / 10
        on = 0.15 * (1 - math.exp(-max(0.0, t_s - 20) / lag_s))
        jump = finder.add(t_s, 0.008 + on + 1e-5 * (place % 3))
        if jump is not None:
            told.append(jump.size_v)
    assert told == [pytest.approx(0.15, rel=0.03)]


@pytest.mark.parametrize("seed", range(5))
def test_noise_alone_is_no_jump(seed: int) -> None:
    assert series([0.008], seconds=120, rate_hz=5.0, noise_v=2e-3, seed=seed) == []


def test_level_and_jitter_are_those_since_the_last_jump() -> None:
    finder = JumpFinder()
    rng = random.Random(1)
    for place in range(200):
        finder.add(place / 10, (0.01 if place < 100 else 0.2) + rng.gauss(0.0, 1e-3))
    quiet = finder.quiet()
    assert quiet is not None
    assert abs(quiet.level_v - 0.2) < 1e-3
    assert 5e-4 < quiet.jitter_v < 2e-3


@given(st.lists(st.tuples(st.floats(0, 5), st.floats(-1e3, 1e3)), max_size=200))
@settings(max_examples=50, deadline=None)
def test_any_readings_are_taken_and_memory_is_bounded(steps: list[tuple[float, float]]) -> None:
    finder, trace, t_s = JumpFinder(), MinuteTrace(), 0.0
    for step_s, volts in steps:
        t_s += step_s
        finder.add(t_s, volts)
        trace.add(t_s, volts)
        drawn = trace.line(t_s)
        assert drawn is not None
        assert len(drawn[0]) == trace.slots
    assert len(finder._points) <= 256
    assert len(trace._sums) <= trace.slots


def test_the_trace_shows_low_high_and_gaps() -> None:
    trace = MinuteTrace(span_s=10, slots=10)
    for second, volts in enumerate([0.0, 1.0, 0.5]):
        trace.add(second, volts)
    trace.add(6, 1.0)
    assert trace.line(6, ascii_only=True) == ("   _@+   @", 0.0, 1.0)
    assert trace.line(100) is None


@pytest.mark.parametrize(
    ("volts", "resolution_v", "text"),
    [
        (0.01234, 1e-5, "12.34 mV"),
        (0.1577, 1e-4, "157.7 mV"),
        (120.0, 0.1, "120.0 V"),
        (0.00801234, 1e-11, "8.0123 mV"),
        (0.5, 1e-3, "0.500 V"),
        (0.0081, None, "8.10 mV"),
        (0.00061, None, "0.610 mV"),
        (-0.15, None, "-150.0 mV"),
    ],
)
def test_volts_are_said_with_the_digits_they_have(
    volts: float, resolution_v: float | None, text: str
) -> None:
    assert volts_text(volts, resolution_v) == text


def test_a_jump_is_said_with_its_sign() -> None:
    assert volts_text(0.15, signed=True) == "+150.0 mV"


@pytest.mark.parametrize("seed", range(3))
def test_a_small_jump_is_told_and_so_is_the_sag_of_a_supply(seed: int) -> None:
    small = series([0.008, 0.012], seconds=12, rate_hz=3.0, noise_v=5e-4, seed=seed)
    assert [jump.size_v for jump in small] == [pytest.approx(0.004, abs=1e-3)]
    sag = series([120.0, 118.5], seconds=12, rate_hz=3.0, noise_v=0.1, seed=seed)
    assert [jump.size_v for jump in sag] == [pytest.approx(-1.5, abs=0.2)]
