from dataclasses import replace

import pytest

from meterlink.circuit.circuit import Circuit
from meterlink.errors import JobError, UsageError
from meterlink.show.format import display_width
from meterlink.show.voltage_drop import drop_lines, drop_mapping, drops, drops_at
from meterlink.tree.wiring import SPLICE, Loop, Point, Spur

from .maps import chain

CIRCUIT = Circuit("Rooms", ("Porch", "Attic", "Bed"), volts=120, hertz=60, breaker_amps=15)

# One run of 25.7 mohm a conductor: 10 ft of 14 AWG at 2.57 ohm/kft. Fardo and Patrick, Electrical
# Power Systems Technology, p. 276: 0.6168 V at 12 A.
ONE = replace(chain(), points=(Point("Porch", "panel", 1.0, 25.7, 0.1, None),))


def test_the_chosen_load_counts_not_the_breaker() -> None:
    [drop] = drops_at(ONE, CIRCUIT, 12.0)
    assert drop.volts == pytest.approx(0.6168, abs=5e-5)


def test_the_table_names_the_documents_that_recommend() -> None:
    lines = drop_lines(ONE, CIRCUIT, 12.0, 100)
    assert lines[1] == "Voltage drop from the panel with 12 A at the receptacle"
    assert lines[2].split() == ["Porch", "0.62", "V", "0.51", "%", "within", "3", "%"]
    assert any("3 %" in line and "NFPA 70, 210.19(A)" in line for line in lines[3:])
    assert any("5 %" in line and "NFPA 70, 210.19(A)" in line for line in lines[3:])


def test_the_json_key_says_within_which_limit_a_drop_is() -> None:
    far = replace(ONE, points=(Point("Porch", "panel", 1.0, 200.0, 1.0, None),))
    found = drop_mapping(far, CIRCUIT, 12.0)
    [point] = found["points"]
    assert point["percent"] == pytest.approx(4.0)
    assert point["within_percent"] == 5.0
    assert drop_mapping(far, CIRCUIT, 20.0)["points"][0]["within_percent"] is None


@pytest.mark.parametrize("width", [40, 60, 120])
def test_no_line_is_wider_than_asked(width: int) -> None:
    lines = drop_lines(chain(), CIRCUIT, 12.0, width)
    below = lines[2 + len(chain().points) :]
    assert all(display_width(line) <= width for line in below)


@pytest.mark.parametrize("amps", [0.0, -1.0, 1e6, float("nan")])
def test_a_current_beyond_sense_is_refused(amps: float) -> None:
    with pytest.raises(UsageError, match="is no load"):
        drops_at(ONE, CIRCUIT, amps)


def test_without_volts_it_says_what_to_put_where() -> None:
    with pytest.raises(JobError, match=r"into \[supply\] of job\.toml"):
        drops_at(ONE, replace(CIRCUIT, volts=None), 10.0)


def test_on_a_ring_the_current_comes_both_ways() -> None:
    """IET Guidance Note 3: with r1 + rn = 0.52 ohm every socket reads a quarter at mid-ring."""
    names = ("Porch", "Attic", "Bed", "Den")
    points = tuple(Point(n, "panel", 1.0, 9.0, 0.1, None) for n in names)
    loop = Loop(0.97, names[:3], (65.0, 65.0, 65.0, 65.0), spurs=(Spur("Den", "Attic", 10.0),))
    ring = replace(chain(), points=points, loop=loop)
    found = {drop.name: drop.loop_mohm for drop in drops_at(ring, CIRCUIT, 10.0)}
    assert found["Attic"] == pytest.approx(520.0 / 4)
    assert found["Porch"] == pytest.approx(2 * 260 * 0.25 * 0.75)
    assert found["Den"] == pytest.approx(520.0 / 4 + 2 * 10.0)


def test_a_ring_whose_joints_are_not_known_has_no_drop() -> None:
    ring = replace(ONE, loop=Loop(0.97, ("Porch",), (10.0, 20.0), starts_at=SPLICE))
    with pytest.raises(JobError, match="second path"):
        drops_at(ring, CIRCUIT, 10.0)
    assert drops(ring, CIRCUIT) == ()
