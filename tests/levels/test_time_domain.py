"""Drops against a circuit solved in the time domain by ngspice: a diode, rectifiers beside it."""

import re
import shutil
import subprocess

import numpy as np
import pytest

from meterlink.circuit.setup import Hookup, Verdict
from meterlink.levels.drop import evaluate

pytestmark = pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")

RUN_OHM, LOAD_OHM, HERTZ, VOLTS = 0.09, 11.0, 60.0, 120.0
LOADS = {
    "none": "",
    "heater": f"RL h a {LOAD_OHM}\n",
    "half-wave": f"DL h d1 big\nRL d1 a {LOAD_OHM}\n",
}
BESIDE = {
    "nothing": "",
    "a lamp": "RB h a 80\n",
    # four diodes, a capacitor, a load of some 150 W: current in short pulses
    "a rectifier": (
        "RI h i 1\nD1 i p big\nD2 a p big\nD3 m i big\nD4 m a big\n"
        "CB p m 470u IC=160\nRB p m 180\nRG m 0 1e6\n"
    ),
}


def neutral(load, beside):
    """Neutral of A against the neutral bar over whole periods, by ngspice, in mV."""
    deck = (
        f"time domain\nVS h 0 SIN(0 {VOLTS * np.sqrt(2)} {HERTZ})\nRN a 0 {RUN_OHM}\n"
        f"RK h 0 1e6\n.model big D(IS=1e-9 N=1 RS=2m)\n{LOADS[load]}{BESIDE[beside]}"
        ".options reltol=1e-3 method=gear\n.tran 50u 0.4 0.2 50u\n"
        ".control\nrun\nmeas tran mean AVG v(a) from=0.2 to=0.4\n"
        "meas tran rms RMS v(a) from=0.2 to=0.4\n.endc\n.end\n"
    )
    done = subprocess.run(
        ["ngspice", "-b", "/dev/stdin"], input=deck, capture_output=True, text=True, timeout=60
    )
    found = dict(re.findall(r"^(mean|rms)\s*=\s*([-+.\deE]+)", done.stdout, re.MULTILINE))
    mean, rms = float(found["mean"]), float(found["rms"])
    return 1e3 * mean, 1e3 * np.sqrt(max(rms**2 - mean**2, 0.0))  # AC-coupled, as meters are


def alone(load):
    """The drop that the load makes by itself: direct and alternating part, in mV."""
    return neutral(load, "nothing")


@pytest.mark.parametrize("beside", list(BESIDE))
def test_a_half_wave_load_gives_a_direct_drop_whatever_runs_beside_it(beside):
    # the mean of half a wave is Vpeak / (pi R); one diode's forward voltage of 0.8 V is lost
    expected = RUN_OHM * (VOLTS * np.sqrt(2) - 0.8) / (np.pi * (LOAD_OHM + RUN_OHM)) * 1e3
    idle, on = neutral("none", beside)[0], neutral("half-wave", beside)[0]
    found = evaluate(Hookup.NEUTRAL_GROUND, idle, on, 0.3, signed=True, others=True)
    assert found.verdict is Verdict.IN_PATH
    assert found.drop_mv == pytest.approx(expected, rel=0.02)
    assert abs(found.drop_mv - alone("half-wave")[0]) < 2.5 * found.drop_u_mv


@pytest.mark.parametrize("beside", ["a lamp", "a rectifier"])
def test_a_heaters_drop_is_among_the_modes_beside_other_currents(beside):
    idle, on = neutral("none", beside)[1], neutral("heater", beside)[1]
    true = alone("heater")[1]
    found = evaluate(Hookup.NEUTRAL_GROUND, idle, on, 0.5)
    assert idle > 50.0
    assert abs(found.drop_mv - true) < 2.0 * found.drop_u_mv
    near = [m for m in found.modes if abs(m.drop_mv - true) < 2.5 * m.u_mv]
    assert sum(mode.weight for mode in near) > 0.1
