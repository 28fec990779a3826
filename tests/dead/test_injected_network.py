"""The dead circuit solved by a circuit simulator: each hookup is the sum of runs it should be.

Neutral, ground and hot of every run are resistors; neutral and ground are bonded at the panel, hot
is disconnected at the breaker. Clips have contact resistance, leads thermal voltages.
"""

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from meterlink.levels.dead_circuit import resistance

NGSPICE = shutil.which("ngspice")
PARENT = {"Door": "panel", "Desk": "Door", "S": "Desk", "Bed": "S", "Sink": "S", "Hall": "Door"}
NAMES = [name for name in PARENT if name != "S"]
SIDES = ("n", "g", "h")
METER_OHM, CONTACT_OHM = 10e6, 0.02

pytestmark = pytest.mark.skipif(NGSPICE is None, reason="ngspice is not installed")


def runs(seed: int) -> dict[tuple[str, str], float]:
    """Ohms of each run of each conductor; one neutral and one hot joint are poor."""
    rng = np.random.default_rng(seed)
    ohms = {}
    for point in PARENT:
        length = float(rng.uniform(2, 9))
        for side in SIDES:
            ohms[side, point] = 8.3e-3 * length + float(rng.uniform(1e-3, 5e-3))
    ohms["n", "Desk"] += 0.05
    ohms["h", "Bed"] += 0.10
    return ohms


def way(name: str | None) -> set[str]:
    found: set[str] = set()
    while name in PARENT:
        found.add(name)
        name = PARENT[name]
    return found


def total(ohms: dict[tuple[str, str], float], side: str, points: set[str]) -> float:
    return sum(ohms[side, point] for point in points)


def solved(folder: Path, ohms: dict[tuple[str, str], float], extra: list[str]) -> dict[str, float]:
    """Node voltages of the network with a source connected."""
    lines = ["* dead circuit", "Rbond n_panel g_panel 1e-7", "Rearth g_panel 0 1e-3"]
    for (side, point), ohm in ohms.items():
        lines.append(f"R{side}_{point} {side}_{PARENT[point]} {side}_{point} {ohm:.12g}")
    lines += ["Rfloat h_panel 0 1e7", *extra]  # the hot is parted: only leakage holds it
    lines += [".options reltol=1e-9 abstol=1e-15 vntol=1e-12", ".control", "set numdgt=12", "op"]
    lines += [f"print v({side}_{point})" for side in SIDES for point in ("panel", *PARENT)]
    lines += [".endc", ".end"]
    (folder / "dead.cir").write_text("\n".join(lines) + "\n")
    ran = subprocess.run(
        [str(NGSPICE), "-b", "dead.cir"],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    found = re.findall(r"^v\((\S+)\) = (\S+)$", ran.stdout, flags=re.MULTILINE)
    assert len(found) == 3 * (len(PARENT) + 1), ran.stdout + ran.stderr
    return {name: float(value) for name, value in found}


def source(amps: float, into: str, out_of: str) -> list[str]:
    """A current through clips with contact resistance."""
    return [
        f"Isource clip_out clip_in DC {amps}",
        f"Rin clip_in {into} {CONTACT_OHM}",
        f"Rout clip_out {out_of} {CONTACT_OHM}",
    ]


@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize("load", ["Bed", "Hall"])
def test_an_injected_current_makes_the_sums_of_runs_that_it_should(
    tmp_path: Path, seed: int, load: str
) -> None:
    ohms, amps = runs(seed), 5.0
    v = solved(tmp_path, ohms, source(amps, f"n_{load}", f"g_{load}"))
    for a in NAMES:
        shared = way(a) & way(load)
        depth = total(ohms, "n", shared)
        to_bar = v[f"n_{a.lower()}"] - v["n_panel"]
        to_ground = v[f"n_{a.lower()}"] - v[f"g_{a.lower()}"]
        assert to_bar == pytest.approx(amps * depth, abs=1e-6)
        assert to_ground == pytest.approx(amps * (depth + total(ohms, "g", shared)), abs=2e-6)
        for b in NAMES:
            between = v[f"n_{a.lower()}"] - v[f"n_{b.lower()}"]
            expected = amps * (depth - total(ohms, "n", way(b) & way(load)))
            assert between == pytest.approx(expected, abs=1e-6)


def test_a_current_between_two_receptacles_shows_the_part_between_the_leads(tmp_path: Path) -> None:
    ohms, amps = runs(3), 2.0
    v = solved(tmp_path, ohms, source(amps, "n_Bed", "n_Hall"))
    for a in NAMES:
        for b in NAMES:
            expected = amps * sum(
                ohms["n", run]
                * ((run in way("Bed")) - (run in way("Hall")))
                * ((run in way(a)) - (run in way(b)))
                for run in PARENT
            )
            between = v[f"n_{a.lower()}"] - v[f"n_{b.lower()}"]
            assert between == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("side", ["n", "h", "g"])
def test_an_ohmmeter_reads_the_runs_on_exactly_one_of_the_two_ways(
    tmp_path: Path, side: str
) -> None:
    ohms = runs(4)
    for a, b in (("Bed", "Sink"), ("Bed", "Hall"), ("Desk", "panel"), ("Sink", "panel")):
        v = solved(tmp_path, ohms, source(0.2, f"{side}_{a}", f"{side}_{b}"))
        read = (v[f"{side}_{a.lower()}"] - v[f"{side}_{b.lower()}"]) / 0.2
        assert read == pytest.approx(total(ohms, side, way(a) ^ way(b)), abs=2e-6)


def test_a_loop_reads_both_conductors_when_they_are_linked_at_the_panel(tmp_path: Path) -> None:
    ohms = runs(5)
    link = ["Rlink h_panel g_panel 1e-7"]
    for a in NAMES:
        v = solved(tmp_path, ohms, [*link, *source(0.2, f"h_{a}", f"g_{a}")])
        read = (v[f"h_{a.lower()}"] - v[f"g_{a.lower()}"]) / 0.2
        both = total(ohms, "h", way(a)) + total(ohms, "g", way(a))
        assert read == pytest.approx(both, abs=2e-6)


def test_an_unlinked_loop_is_an_open_circuit(tmp_path: Path) -> None:
    v = solved(tmp_path, runs(5), source(1e-4, "h_Bed", "g_Bed"))
    assert (v["h_bed"] - v["g_bed"]) / 1e-4 > 1e6


def test_reversal_takes_thermal_voltages_and_their_drift_off(tmp_path: Path) -> None:
    """Brass 3 uV/K, tin-lead 5 uV/K against copper (dead_circuit.json): some 20 uV at 5 K."""
    ohms, amps = runs(6), 2.0
    levels, t_s, flows = [], [], []
    for k, sign in enumerate((0, 1, -1, 1, 0)):
        thermal = 20e-6 + 1.5e-6 * k
        leads = [
            f"Vthermal meter_hi n_Bed DC {thermal}",
            "Vother meter_lo n_panel DC -7e-6",
            f"Rmeter meter_hi meter_lo {METER_OHM}",
        ]
        v = solved(tmp_path, ohms, [*leads, *source(sign * amps or 1e-12, "n_Bed", "g_Bed")])
        levels.append(1e3 * (v["n_bed"] + thermal - v["n_panel"] + 7e-6))
        t_s.append(5.0 * k)
        flows.append(sign * amps)
    mv, truth = np.array(levels), 1e3 * total(ohms, "n", way("Bed"))
    found = resistance(np.array(t_s), np.array(flows), mv, np.full(5, 1e-3))
    assert found.mohm == pytest.approx(truth, abs=1e-3)
    assert abs(mv[1] / amps - truth) > 5e-3  # without reversal it is off


def test_metal_in_parallel_lowers_the_ground_and_leaves_the_neutral(tmp_path: Path) -> None:
    """Parallel paths lower a reading (dead_circuit.json, parallel_paths)."""
    ohms = runs(7)
    conduit = [f"Rm_{p} g_{PARENT[p]} g_{p} 0.01" for p in PARENT]
    v = solved(tmp_path, ohms, [*conduit, *source(5.0, "n_Bed", "g_Bed")])
    depth = total(ohms, "n", way("Bed"))
    assert v["n_bed"] - v["n_panel"] == pytest.approx(5.0 * depth, abs=1e-6)
    alone = 5.0 * (depth + total(ohms, "g", way("Bed")))
    assert v["n_bed"] - v["g_bed"] < 0.95 * alone
