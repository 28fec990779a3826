"""One test from arrays."""

from dataclasses import replace

import numpy as np
import pytest

from meterlink.api import measure
from meterlink.assumptions import USUAL
from meterlink.circuit.setup import Verdict
from meterlink.errors import UsageError

T = np.arange(0.0, 30.0, 0.25)
RNG = np.random.default_rng(3)
VOLTS = np.where((T > 10) & (T < 20), 0.3, 0.006) + RNG.normal(0, 2e-4, T.size)


@pytest.mark.parametrize(
    "marks", [{}, {"on": 9.0}, {"on": [9.0], "off": 19.5}, {"on": np.array([9.0, 9.4]), "off": 26}]
)
def test_arrays_are_measured_with_marks_or_without(marks):
    found = measure(T, VOLTS, **marks)
    assert found.verdict is Verdict.IN_PATH
    assert abs(found.drop_mv - 300.0) < 3 * found.drop_u_mv


def test_direct_volts_have_a_sign():
    found = measure(T, -VOLTS, on=9.0, off=19.5, hertz=0)
    assert found.delta_mv == pytest.approx(-294.0, abs=1.0)
    assert found.drop_mv == pytest.approx(294.0, abs=1.0)


def test_by_how_much_pickup_wanders_is_for_the_caller_to_assume():
    restless = replace(USUAL, levels=replace(USUAL.levels, pickup_wander=0.5))
    steady, wandering = (measure(T, VOLTS, on=9.0, assumptions=one) for one in (USUAL, restless))
    assert wandering.level_u_mv > 4.0 * steady.level_u_mv


def test_no_readings_are_unclear():
    assert measure([], [], on=1.0).verdict is Verdict.UNCLEAR


@pytest.mark.parametrize(
    ("t", "volts", "more", "words"),
    [
        ([0, 1], [1.0], {}, "2 values and volts 1"),
        ([0, 1, 0.5], [1.0, 1.0, 1.0], {}, r"t_s\[2\] is 0.5 after 1"),
        ([0, 1], [1.0, np.nan], {}, r"volts\[1\] is nan"),
        ([0, np.inf], [1.0, 1.0], {}, r"t_s\[1\] is inf"),
        ([[0, 1]], [1.0, 1.0], {}, "2 dimensions"),
        ([0, 1], ["a", "b"], {}, "volts is no series"),
        ([0, 1], [1.0, 1.0], {"hookup": "hot-hot"}, "hot-hot.*neutral-ground"),
        ([0, 1], [1.0, 1.0], {"hookup": "path-resistance"}, "known are"),
        ([0, 1], [1.0, 1.0], {"hertz": -1}, "hertz is -1"),
        ([0, 1], [1.0, 1.0], {"hertz": float("nan")}, "hertz is nan"),
        ([0, 1], [1.0, 1.0], {"on": float("nan")}, r"on\[0\] is nan"),
        ([0, 1], [1.0, 1.0], {"off": "soon"}, "off is no series"),
    ],
)
def test_what_cannot_be_measured_is_refused_with_the_reason(t, volts, more, words):
    with pytest.raises(UsageError, match=words):
        measure(t, volts, **more)
