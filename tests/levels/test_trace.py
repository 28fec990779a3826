"""Readings kept in bounded memory."""

import numpy as np
import pytest

from drivers.readings import Function, Reading
from meterlink.levels.trace import MOST_SAMPLES, State, Trace, state_of


def reading(t_s, volts=0.005, **more):
    more.setdefault("function", Function.AC)
    return Reading(t_s, volts, resolution_v=1e-5, **more)


@pytest.mark.parametrize(
    ("one", "direct", "expected"),
    [
        (reading(0), False, State.USABLE),
        (reading(0, function=Function.UNKNOWN), False, State.USABLE),
        (reading(0, function=Function.UNKNOWN), True, State.USABLE),
        (reading(0, function=Function.DC), False, State.WRONG_FUNCTION),
        (reading(0, function=Function.DC), True, State.USABLE),
        (reading(0), True, State.WRONG_FUNCTION),
        (reading(0, function=Function.OTHER), False, State.WRONG_FUNCTION),
        (reading(0, hold=True), False, State.HOLD),
        (reading(0, None, overload=True), False, State.OVERLOAD),
        (reading(0, None), False, State.NO_VALUE),
        (reading(0, float("nan")), False, State.NO_VALUE),
        (reading(0, float("inf")), False, State.NO_VALUE),
        (reading(0, 1e300), False, State.OVERLOAD),
    ],
)
def test_only_volts_of_the_supplys_kind_are_used(one, direct, expected):
    assert state_of(one, direct=direct) is expected


def test_at_ordinary_rates_every_reading_is_kept_as_it_came():
    trace = Trace(direct=False)
    for i in range(200):
        trace.add(reading(0.1 * i, 1e-3 * i))
    samples = trace.samples()
    assert samples.readings == len(samples) == 200
    assert samples.mv == pytest.approx(np.arange(200.0))


def test_ten_thousand_readings_a_second_are_binned_and_none_is_lost():
    trace = Trace(direct=False)
    for i in range(60_000):
        trace.add(reading(1e-4 * i, 0.005 + 1e-6 * (i % 7)))
    samples = trace.samples()
    assert samples.readings == 60_000
    assert len(samples) < 400
    assert (samples.mv * samples.count).sum() / 60_000 == pytest.approx(5.003, abs=1e-6)


def test_a_test_of_hours_stays_in_view_and_what_is_recent_stays_sharp():
    trace = Trace(direct=False)
    for i in range(20_000):
        trace.add(reading(1.0 * i, 1e-3 * (i // 10_000)))
    samples = trace.samples()
    assert len(samples) <= MOST_SAMPLES
    assert samples.readings == 20_000
    assert samples.mv @ samples.count == pytest.approx(10_000.0)
    assert np.diff(samples.t_s[-200:]) == pytest.approx(1.0)


@pytest.mark.parametrize("late_s", [5.0, float("nan"), float("inf")])
def test_times_never_run_back(late_s):
    trace = Trace(direct=False)
    for t_s in (9.0, 10.0, late_s, 11.0):
        trace.add(reading(t_s))
    assert (np.diff(trace.samples().t_s) >= 0.0).all()


def test_readings_without_time_between_them_fill_no_memory():
    trace = Trace(direct=False)
    for _ in range(50_000):
        trace.add(reading(1.0))
    assert len(trace) < 64


def test_readings_refused_for_different_reasons_share_no_bin():
    trace = Trace(direct=False)
    for i in range(4000):
        trace.add(reading(1e-4 * i, hold=i % 2 == 0))
    samples = trace.samples()
    assert samples.usable().readings == 2000


def test_no_readings_make_empty_samples():
    samples = Trace(direct=False).samples()
    assert len(samples) == 0
    assert samples.display_mv == 0.0
