"""Loops to lengths by the published tables, and the ring-final sequence."""

import json
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.answers.continuity import Ring, loop_length_m, ring_remarks
from meterlink.circuit.circuit import conductor

FIXTURES = Path(__file__).parents[2] / "fixtures" / "reference"
DEAD = json.loads((FIXTURES / "dead_circuit.json").read_text())
RING = json.loads((FIXTURES / "ring_final.json").read_text())
TABLE = DEAD["R1_plus_R2_mohm_per_m_20C"]["values"]


PAIRS = [pair for pair in TABLE if float(pair.split("/")[0]) <= 16]  # what feeds receptacles


@pytest.mark.parametrize("pair", PAIRS)
def test_a_metre_of_two_conductors_has_the_published_resistance(pair):
    """IET On-Site Guide Table I1; Guidance Note 3 Table B1."""
    line, other = (f"{float(size):g} mm2 copper" for size in pair.split("/"))
    assert loop_length_m(1e-3 * TABLE[pair], line, other) == pytest.approx(1.0, rel=1e-3)


def test_worked_examples_of_radial_circuits():
    """dead_circuit.json, worked_examples DC2 and DC3."""
    two, three = DEAD["worked_examples"][:2]
    share = 2.5 / (2.5 + 1.5)
    assert two["R1_plus_R2_ohm"] * share == pytest.approx(two["R2_ohm"], abs=5e-4)
    found = loop_length_m(three["R1_plus_R2_ohm"], "2.5 mm2 copper", "1.5 mm2 copper")
    assert found == pytest.approx(three["length_m"], abs=0.005)


@pytest.mark.parametrize("celsius", [5, 10, 25, 30, 70])
def test_temperature_counts_as_published(celsius):
    """Guidance Note 3: F = 1 + 0.004 (T - 20); exact copper differs by 1 % at 70 degrees."""
    factor = DEAD["temperature"][f"at_{celsius}C"]
    wire = conductor("2.5 mm2 copper")
    assert wire.ohm_per_m(celsius) / wire.ohm_per_m(20) == pytest.approx(factor, rel=0.01)


def test_published_figures_of_a_ring():
    """ring_final.json, published_figures: Guidance Note 3 Table B1."""
    told = RING["published_figures"][0]
    ring = Ring(told["r1"], told["r1"], told["r2"])
    assert ring.crossed_ohm == pytest.approx(told["step2"], abs=0.005)
    assert ring.protective_at(0.5) == pytest.approx(told["step3"], abs=0.005)


@pytest.mark.parametrize("told", RING["computed_examples"])
def test_computed_examples_of_rings(told):
    ring = Ring(told["r1_rn_ohm"], told["r1_rn_ohm"], told["r2_ohm"])
    assert ring.crossed_ohm == pytest.approx(told["step2_every_socket_ohm"], abs=1e-4)
    assert ring.protective_at(0.5) == pytest.approx(told["step3_midpoint_ohm"], abs=1e-4)
    assert ring.protective_at(0.0) == pytest.approx(told["step3_at_origin_ohm"], abs=1e-4)
    assert ring.protective_at(0.2) == pytest.approx(told["step3_x_0.2_ohm"], abs=1e-4)


@given(st.floats(0.01, 0.5), st.floats(0.1, 0.5), st.floats(1.2, 4.0))
def test_the_place_on_a_ring_comes_back_from_its_reading(share, line, ratio):
    ring = Ring(line, line, ratio * line)
    found = ring.share_of(ring.protective_at(share))
    assert found is not None
    assert found == pytest.approx(share, abs=1e-3)


def test_spurs_bridges_and_unequal_rings_are_said(meterlink):
    done = meterlink(
        *("ring", "--r1", "0.26", "--rn", "0.36", "--r2", "0.42"),
        *("--crossed", "Desk=0.155", "--crossed", "Attic=0.25", "--crossed", "Bed=0.05"),
        *("--protective", "Desk=0.165", "--protective", "Attic=0.4"),
    )
    assert done.code == 0
    assert "differ by more than 0.05 ohm" in done.out
    assert "Desk: 0.155 ohm, on the ring" in done.out
    assert "Attic: 0.25 ohm, 95 mohm too much: a spur" in done.out
    assert "Bed: 0.05 ohm, 105 mohm too little" in done.out
    assert "of the way round" in done.out
    assert "Attic: 0.4 ohm is nowhere on the ring" in done.out


def test_a_reading_that_the_instrument_can_show_of_the_ring_is_no_spur(meterlink):
    ends = ("ring", "--r1", "0.26", "--rn", "0.26")
    done = meterlink(*ends, "--r2", "0.42", "--protective", "Desk=0.16", "--protective", "Bed=0.1")
    assert "Desk: R1+R2 0.16 ohm, on the ring" in done.out
    assert "Bed: 0.1 ohm, 61 mohm too little" in done.out
    alike = meterlink(*ends, "--r2", "0.26", "--protective", "Desk=0.13")  # everywhere the same
    assert "Desk: R1+R2 0.13 ohm, on the ring" in alike.out


@pytest.mark.parametrize(
    "options",
    [
        *(("--crossed", "Desk"), ("--crossed", "=1"), ("--r2", "-1"), ("--r2", "0")),
        *(("--crossed", "Desk=nan"), ("--crossed", "Desk=-3"), ("--crossed", "Desk=inf")),
        ("--protective", "Desk=0.1"),
    ],
)
def test_what_makes_no_sense_is_refused(meterlink, options):
    assert meterlink("ring", "--r1", "0.26", "--rn", "0.26", *options).code == 2


def test_a_ring_open_at_the_board_is_a_chain_for_the_resolver(tmp_path, meterlink):
    runs = {"Door": 55.0, "Desk": 40.0, "Bed": 60.0, "Sink": 45.0}  # and 60 more to the other end
    names = list(runs)
    job = "[circuit]\nname = 'Ring'\nreceptacles = %s\n[wire]\nconductor = '2.5 mm2 copper'\n"
    (tmp_path / "job.toml").write_text(job % names)
    depth = {name: sum(runs[n] for n in names[: k + 1]) for k, name in enumerate(names)}
    pairs = [*((name, None) for name in names), *pairwise(names)]
    for a, b in pairs:
        ohms = abs(depth[a] - (depth[b] if b else 0.0)) / 1e3
        options = ("--hookup", "path-resistance", "--lead-a", a, "--ohms", f"{ohms:.4f}")
        lead_b = ("--lead-b", b) if b else ()
        assert meterlink("enter", tmp_path, *options, *lead_b, "--four-wire").code == 0
    found = json.loads(meterlink("map", tmp_path, "--json").out)
    assert found["settled"]
    feeds = {point["name"]: point["fed_from"] for point in found["points"]}
    assert feeds == dict(zip(names, ["panel", *names], strict=False))
    assert list(ring_remarks(Ring(0.26, 0.26), {}))[-1].startswith("On the ring every socket")
