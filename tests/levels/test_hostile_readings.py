"""Whatever a meter, a cable or a damaged capture delivers, a test ends in a measurement."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.readings import Function, Reading
from meterlink.circuit.setup import LIVE_HOOKUPS, Hookup, Setup
from meterlink.levels.detector import TestDetector

SETUPS = {
    Hookup.NEUTRAL_NEUTRAL: Setup(Hookup.NEUTRAL_NEUTRAL, "Bed", "Desk", "Door"),
    Hookup.NEUTRAL_GROUND: Setup(Hookup.NEUTRAL_GROUND, "Bed", None, "Door"),
    Hookup.LINE_DROP: Setup(Hookup.LINE_DROP, "Bed", None, "Door"),
}
VOLTS = st.one_of(
    st.none(),
    st.sampled_from([0.0, -0.0, 0.005, 0.0051, 0.2, -0.2, 5e-324, 9999.0, 1e300, -1e300, 120.0]),
    st.floats(-200, 200),
    st.floats(allow_nan=True, allow_infinity=True),
)
PAUSES = st.sampled_from([0.0, 0.0, 1e-6, 0.1, 0.3, 0.5, 2.0, 30.0, 4000.0])
EVENTS = st.lists(
    st.one_of(
        st.builds(
            Reading,
            t_s=PAUSES,
            volts=VOLTS,
            function=st.sampled_from(Function),
            resolution_v=st.sampled_from([None, 0.0, 1e-5, 0.1, -1.0]),
            overload=st.booleans(),
            hold=st.sampled_from([False, False, False, True]),
        ),
        st.sampled_from(["load-on", "load-off", "note"]),
    ),
    max_size=60,
)


def finite(measurement):
    figures = [getattr(measurement, name) for name in measurement.__dataclass_fields__]
    return all(math.isfinite(figure) for figure in figures if isinstance(figure, float))


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(LIVE_HOOKUPS), EVENTS, st.sampled_from([60.0, 0.0, None]))
def test_any_readings_and_marks_end_in_finite_figures(hookup, events, hertz):
    detector = TestDetector(SETUPS[hookup], 0.0, hertz=hertz)
    now_s = 0.0
    for event in events:
        if isinstance(event, Reading):
            now_s += event.t_s
            detector.add(
                Reading(
                    now_s,
                    event.volts,
                    event.function,
                    event.resolution_v,
                    event.overload,
                    event.hold,
                )
            )
        else:
            detector.mark(event, now_s)
    detector.progress()
    assert finite(detector.finish(now_s))


@pytest.mark.parametrize("mv", [0.0, 1e-9, 5.0, 1e7])
@pytest.mark.parametrize("hookup", LIVE_HOOKUPS)
def test_a_dead_still_reading_divides_by_nothing(hookup, mv):
    detector = TestDetector(SETUPS[hookup], 0.0, hertz=60.0)
    for i in range(120):
        if i in (40, 80):
            detector.mark("load-on" if i == 40 else "load-off", 0.3 * i)
        detector.add(Reading(0.3 * i, mv / 1e3, Function.AC, None))
    assert finite(detector.finish(36.0))


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from([0.1, 0.34, 0.5]), VOLTS), min_size=30, max_size=90),
    st.integers(3, 12),
    st.integers(13, 25),
)
def test_ordinary_readings_with_wild_ones_among_them_end_in_finite_figures(pairs, on, off):
    detector = TestDetector(SETUPS[Hookup.NEUTRAL_GROUND], 0.0, hertz=60.0)
    now_s = 0.0
    for i, (pause, volts) in enumerate(pairs):
        now_s += pause
        if i in (on, off):
            detector.mark("load-on" if i == on else "load-off", now_s)
        detector.add(Reading(now_s, volts if i % 3 == 0 else 0.3, Function.AC, 1e-4))
    assert finite(detector.finish(now_s))
