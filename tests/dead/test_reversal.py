"""A resistance from levels at several currents: the published formulas, and what they cancel."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.levels.dead_circuit import resistance

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference" / "dead_circuit.json"
millivolts = st.floats(-500, 500)
amps_of = st.floats(0.1, 10)


def mohm(t_s, amps, mv):
    n = len(mv)
    return resistance(np.array(t_s), np.array(amps), np.array(mv), np.full(n, 1.0)).mohm


@given(millivolts, millivolts, amps_of)
def test_two_readings_give_half_the_difference(plus, minus, amps):
    """Current reversal, V = (V(+I) - V(-I)) / 2 (dead_circuit.json, cancel_emf)."""
    found = mohm([0, 5], [amps, -amps], [plus, minus]) * amps
    assert found == pytest.approx((plus - minus) / 2, abs=1e-9)


@given(millivolts, millivolts, amps_of)
def test_on_and_off_give_the_difference(on, off, amps):
    """Offset compensation, V = V(I) - V(0) (dead_circuit.json, cancel_emf)."""
    assert mohm([0, 5], [0, amps], [off, on]) * amps == pytest.approx(on - off, abs=1e-9)


@given(millivolts, millivolts, millivolts, amps_of)
def test_three_readings_give_the_published_sum(v1, v2, v3, amps):
    """Three readings +I, -I, +I: V = (V1 - 2 V2 + V3) / 4 (dead_circuit.json, cancel_emf)."""
    found = mohm([0, 4, 8], [amps, -amps, amps], [v1, v2, v3]) * amps
    assert found == pytest.approx((v1 - 2 * v2 + v3) / 4, abs=1e-9)


@given(
    signal=st.floats(-1000, 1000),
    offset=st.floats(-50, 50),
    drift=st.floats(-2, 2),
    amps=amps_of,
    pattern=st.sampled_from([(1, -1, 1), (0, 1, 0), (0, 1, -1, 1, 0), (1, -1, -1, 1)]),
)
def test_offset_and_linear_drift_drop_out_exactly(signal, offset, drift, amps, pattern):
    t_s = np.arange(len(pattern)) * 5.0
    flows = np.array(pattern) * amps
    mv = signal * flows / amps + offset + drift * t_s
    assert mohm(t_s, flows, mv) * amps == pytest.approx(signal, abs=1e-8 * (1 + abs(signal)))


def test_the_published_forms_are_those_of_the_reference():
    forms = {f["name"]: f["formula"] for f in json.loads(REFERENCE.read_text())["cancel_emf"]}
    assert forms["current reversal"] == "V = (V(+I) - V(-I))/2"
    assert forms["offset compensation"] == "V = V(I) - V(0)"
    assert forms["three readings +I, -I, +I"] == "V = (V1 - 2*V2 + V3)/4"


def test_reversal_is_twice_as_sure_as_on_and_off():
    """Noise of offset compensation is s*sqrt2, of reversal s/sqrt2 (dead_circuit.json)."""
    times, u = np.array([0.0, 5.0]), np.array([1.0, 1.0])
    turned = resistance(times, np.array([1.0, -1.0]), np.zeros(2), u)
    switched = resistance(times, np.array([0.0, 1.0]), np.zeros(2), u)
    assert turned.u_mohm == pytest.approx(np.sqrt(0.5))
    assert switched.u_mohm == pytest.approx(np.sqrt(2))


def test_levels_that_do_not_fit_a_line_widen_the_uncertainty():
    amps = np.array([0.0, 5.0, -5.0, 5.0, 0.0])
    mv, u = 20 * amps + np.array([0, 3, -3, -3, 3]), np.full(5, 0.01)
    found = resistance(np.arange(5.0), amps, mv, u)
    assert found.chi > 50
    assert found.u_mohm > 0.1


def test_one_current_alone_gives_nothing():
    with pytest.raises(ValueError, match="one current"):
        mohm([0, 5], [3, 3], [1, 2])
