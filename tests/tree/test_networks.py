"""The physics against general tools: networkx for resistances, ngspice for node voltages."""

import re
import shutil
import subprocess
from pathlib import Path

import networkx as nx
import numpy as np
import pytest

from meterlink.circuit.setup import Hookup, Setup
from meterlink.simulation import Wiring, random_wiring
from meterlink.tree.resolve import resolve

from .networks import Edge, circuit_of, common_path
from .plain import LINE, NAMES, NG, NN, row

NGSPICE = shutil.which("ngspice")


def invented(seed: int, n: int = 6) -> Wiring:
    return random_wiring(NAMES[:n], np.random.default_rng(seed), splice=0.2, fork=0.3)


def labels(wiring: Wiring) -> list[str]:
    """A name for each point, splices too."""
    return [name or f"s{i}" for i, name in enumerate(wiring.names)]


def neutral_edges(wiring: Wiring) -> list[Edge]:
    names = labels(wiring)
    return [
        (names[wiring.parent[i]], names[i], wiring.neutral_ohm[i]) for i in range(1, len(names))
    ]


@pytest.mark.parametrize("seed", range(5))
def test_drops_of_an_invented_circuit_follow_from_resistance_distances(seed: int) -> None:
    """Klein and Randic 1993: S(X, Y) = (R(panel,X) + R(panel,Y) - R(X,Y)) / 2, by networkx."""
    wiring = invented(seed)
    graph = nx.Graph()
    for a, b, ohm in neutral_edges(wiring):
        graph.add_edge(a, b, ohm=ohm)
    distance = nx.resistance_distance(graph, weight="ohm", invert_weight=True)
    for a in NAMES[:6]:
        for load in NAMES[:6]:
            shared = (distance["panel"][a] + distance["panel"][load] - distance[a][load]) / 2
            drop = wiring.drop_v(Setup(NG, a, None, load), 10.0)
            assert drop == pytest.approx(10 * shared, abs=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_the_grounded_laplacian_gives_networkx_resistance_distances_on_rings(seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = ["panel", *NAMES[:5]]
    edges = [(points[i], points[(i + 1) % 6], float(rng.uniform(0.01, 0.09))) for i in range(6)]
    edges.append(("Attic", "Den", 0.05))
    graph = nx.Graph()
    for a, b, ohm in edges:
        graph.add_edge(a, b, ohm=ohm)
    distance = nx.resistance_distance(graph, weight="ohm", invert_weight=True)
    names, g = common_path(edges, ["panel"])
    for i, a in enumerate(names):
        assert g[i, i] == pytest.approx(distance["panel"][a], rel=1e-9)
        for j, b in enumerate(names):
            assert g[i, i] + g[j, j] - 2 * g[i, j] == pytest.approx(distance[a][b], abs=1e-9)


def netlist(wiring: Wiring, load: str, volts: float, load_ohm: float) -> str:
    """Hot and neutral of every run, the source in front, a resistive load at one receptacle."""
    names = labels(wiring)
    lines = [
        "* invented circuit",
        f"V1 supply 0 DC {volts}",
        f"Rsource supply h_panel {wiring.source_ohm:.12g}",
        "Rbar n_panel 0 1e-9",
    ]
    for i in range(1, len(names)):
        feed = names[wiring.parent[i]]
        lines.append(f"Rh{i} h_{feed} h_{names[i]} {wiring.hot_ohm[i]:.12g}")
        lines.append(f"Rn{i} n_{feed} n_{names[i]} {wiring.neutral_ohm[i]:.12g}")
    lines.append(f"Rload h_{load} n_{load} {load_ohm:.12g}")
    lines += [".options reltol=1e-9 abstol=1e-15 vntol=1e-12", ".control", "set numdgt=12", "op"]
    lines += [f"print v(h_{name}) v(n_{name})" for name in NAMES[:6]]
    lines += ["print i(V1)", ".endc", ".end"]
    return "\n".join(lines) + "\n"


def spice(text: str, folder: Path) -> dict[str, float]:
    """What ngspice prints, by name."""
    (folder / "circuit.cir").write_text(text, "utf-8")
    ran = subprocess.run(
        [str(NGSPICE), "-b", "circuit.cir"],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    found = re.findall(r"^(\S+) = (\S+)$", ran.stdout, flags=re.MULTILINE)
    return {name.casefold(): float(value) for name, value in found}


@pytest.mark.skipif(
    NGSPICE is None, reason="ngspice is not installed (apt-get install ngspice, as .ci/run does)"
)
@pytest.mark.parametrize("seed", range(4))
def test_drops_and_sags_are_the_node_voltages_of_a_circuit_simulator(
    seed: int, tmp_path: Path
) -> None:
    wiring, volts, nominal = invented(seed), 120.0, 10.0
    load = NAMES[seed % 6]
    seen = spice(netlist(wiring, load, volts, volts / nominal), tmp_path)
    amps = wiring.amps_at(load, nominal, volts)
    assert -seen["i(v1)"] == pytest.approx(amps, rel=1e-6)
    for a in NAMES[:6]:
        neutral = seen[f"v(n_{a.casefold()})"]
        sag = volts - (seen[f"v(h_{a.casefold()})"] - neutral)
        assert wiring.drop_v(Setup(NG, a, None, load), amps) == pytest.approx(neutral, abs=1e-6)
        assert wiring.drop_v(Setup(LINE, a, None, load), amps) == pytest.approx(sag, abs=1e-6)
        for b in NAMES[:6]:
            if a != b:
                between = abs(neutral - seen[f"v(n_{b.casefold()})"])
                drop = wiring.drop_v(Setup(NN, a, b, load), amps)
                assert drop == pytest.approx(between, abs=1e-6)


@pytest.mark.skipif(
    NGSPICE is None, reason="ngspice is not installed (apt-get install ngspice, as .ci/run does)"
)
def test_the_wiring_comes_back_from_voltages_of_a_circuit_simulator(tmp_path: Path) -> None:
    wiring, names = invented(11), NAMES[:6]
    rows = []
    for load in names:
        seen = spice(netlist(wiring, load, 120.0, 12.0), tmp_path)
        for a in names:
            millivolts = 1000 * seen[f"v(n_{a.casefold()})"]
            amps = -seen["i(v1)"]
            rows.append(
                row(len(rows) + 1, Hookup.NEUTRAL_GROUND, a, None, load, millivolts, 0.5, amps=amps)
            )
    found = resolve(circuit_of(names), rows)
    upstream = wiring.upstream()
    feeds = {p.name: p.fed_from for p in (*found.points, *found.splices)}
    for name in names:
        above, at = set(), feeds[name]
        while at != "panel":
            above.add(at)
            at = feeds[at]
        assert above & set(names) == upstream[name]
    assert found.order_probability > 0.9
