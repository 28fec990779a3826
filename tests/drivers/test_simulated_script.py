"""What the simulator states is what is measured of it."""

import json
import random

import pytest

from drivers.simulated_bytes import lines_text
from drivers.simulated_script import SimulatedOperator
from meterlink.commands.simulate import _phase_deg
from meterlink.errors import UsageError
from meterlink.testlog.from_capture import replay_into

CIRCUIT = {"name": "Flat", "receptacles": ["Desk"], "volts": 120, "hertz": 60, "amps": 12}


def write_capture(path, phases_deg):
    """A test for each phase: idle 8 mV, drop 150 mV, noise 0.5 mV."""
    rng = random.Random(1)
    header = {"capture": 1, "started": "2026-03-02T09:00:00+00:00", "driver": "lines"}
    lines = [{**header, "settings": {}, "circuit": CIRCUIT}]
    t = 0.0
    for phase_deg in phases_deg:
        operator = SimulatedOperator(0.008, 0.150, phase_deg)
        lines.append(
            {
                "t": t,
                "mark": "test",
                "hookup": "neutral-ground",
                "lead_a": "Desk",
                "load_at": "Desk",
            }
        )
        for quarter in range(100):
            now = round(t + quarter / 4, 3)
            if quarter in (40, 75):
                operator.is_on = quarter == 40
                lines.append({"t": now, "mark": "load-on" if operator.is_on else "load-off"})
            volts = operator.volts(now) + rng.gauss(0, 0.0005)
            lines.append({"t": now, "rx": lines_text(volts).hex()})
        t += 26
        lines.append({"t": t, "mark": "end"})
        t += 2
    path.write_text("".join(json.dumps(line) + "\n" for line in lines))
    return path


def test_over_all_phases_the_stated_drop_is_measured_within_its_uncertainty(tmp_path):
    phases = [_phase_deg("random", seed) for seed in range(40)]
    rows = replay_into(write_capture(tmp_path / "c.jsonl", phases), tmp_path / "job").rows
    errors = [row.drop_mv - 150 for row in rows]
    assert len(rows) == 40
    assert abs(sum(errors) / 40) < 3  # 7.6 where all of them are in phase
    assert all(abs(row.drop_mv - 150) <= 2 * row.drop_u_mv for row in rows)


@pytest.mark.parametrize(("text", "phase"), [("45", 45), ("-90.5", -90.5), ("quadrature", 90)])
def test_a_phase_is_what_is_asked_for(text, phase):
    assert _phase_deg(text, 1) == phase


def test_a_random_phase_is_that_of_its_seed():
    found = [_phase_deg("random", seed) for seed in range(200)]
    assert found == [_phase_deg("random", seed) for seed in range(200)]
    assert [sum(q * 90 <= phase < q * 90 + 90 for phase in found) for q in range(4)] == (
        pytest.approx([50] * 4, abs=20)
    )


@pytest.mark.parametrize("text", ["", "nan", "1e9", "north", "9" * 30])
def test_what_is_no_phase_is_refused(text):
    with pytest.raises(UsageError, match="expected degrees"):
        _phase_deg(text, 1)


@pytest.mark.parametrize(
    ("phase_deg", "direct", "volts"),
    [(0, False, 0.158), (180, False, 0.142), (90, False, 0.150213), (90, True, 0.158)],
)
def test_a_meter_shows_the_size_of_the_sum(phase_deg, direct, volts):
    operator = SimulatedOperator(0.008, 0.150, phase_deg)
    assert operator.volts(0) == pytest.approx(0.008)
    operator.is_on, operator.direct = True, direct
    assert operator.volts(0) == pytest.approx(volts, abs=1e-6)
