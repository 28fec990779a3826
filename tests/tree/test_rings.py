"""Rings against published figures, plain nodal analysis and trees that are none."""

import json
from pathlib import Path

import numpy as np
import pytest

from meterlink.tree.resolve import resolve
from meterlink.tree.wiring import Loop, WiringMap

from .networks import circuit_of, common_path, rows_of_matrix
from .plain import LINE, NAMES, circuit, parents, random_rows, row, wirings

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference"
RING = json.loads((REFERENCE / "ring_final.json").read_text("utf-8"))


def ring_edges(runs_mohm: list[float]) -> list[tuple[str, str, float]]:
    points = ["panel", *NAMES[: len(runs_mohm) - 1], "panel"]
    return [(points[k], points[k + 1], mohm) for k, mohm in enumerate(runs_mohm)]


def mapped(edges: list[tuple[str, str, float]], u_mv: float = 0.5) -> WiringMap:
    names, g = common_path(edges, ["panel"])
    return resolve(circuit_of(names), rows_of_matrix(names, g, u_mv=u_mv))


@pytest.mark.parametrize("figures", RING["computed_examples"], ids=lambda f: f["ring"])
def test_a_ring_has_the_published_resistance_from_end_to_end_and_at_its_middle(figures) -> None:
    """IET Guidance Note 3: end to end r_n; a load at x sees r_n x (1 - x), a quarter at midpoint.

    The published step 2 figure is (r1 + rn) / 4 of line and neutral together: twice the neutral's.
    """
    whole = figures["r1_rn_ohm"] * 1e3
    parts = np.array([0.2, 0.3, 0.1, 0.4])
    found = mapped(ring_edges([float(p) * whole for p in parts])).loop
    assert found is not None
    assert found.probability > 0.99
    assert sum(found.run_mohm) == pytest.approx(whole, rel=0.002)
    ways = dict(zip(found.order, found.each_way_mohm(), strict=True))
    at_middle = ways["Bath"]  # half way round
    assert at_middle == pytest.approx((whole / 2, whole / 2), rel=0.003)
    parallel = 1 / (1 / at_middle[0] + 1 / at_middle[1])
    assert 2 * parallel == pytest.approx(figures["step2_every_socket_ohm"] * 1e3, rel=0.003)


@pytest.mark.parametrize("seed", range(3))
def test_sockets_of_a_ring_come_in_ring_order_with_the_resistance_each_way(seed: int) -> None:
    rng = np.random.default_rng(seed)
    runs = [float(x) for x in rng.uniform(15, 80, 6)]
    loop = mapped(ring_edges(runs), u_mv=2.0).loop
    assert loop is not None
    order, values = list(loop.order), list(loop.run_mohm)
    if order[0] != "Attic":  # told the other way round
        order, values = order[::-1], values[::-1]
    assert order == list(NAMES[:5])
    assert values == pytest.approx(runs, abs=1.5)


def test_a_spur_on_a_ring_is_told_from_the_ring() -> None:
    edges = [*ring_edges([40.0, 30.0, 25.0, 35.0, 50.0]), ("Bath", "Hatch", 45.0)]
    loop = mapped(edges, u_mv=1.0).loop
    assert loop is not None
    assert set(loop.order) == {*NAMES[:4]}
    [spur] = loop.spurs
    assert (spur.name, spur.fed_from) == ("Hatch", "Bath")
    assert spur.run_mohm == pytest.approx(45.0, abs=1.0)


def test_a_second_path_inside_a_chain_begins_at_the_point_nearest_to_the_panel() -> None:
    edges = [
        ("panel", "Attic", 90.0),
        ("Attic", "Bath", 30.0),
        ("Bath", "Cellar", 40.0),
        ("Cellar", "Den", 25.0),
        ("Den", "Attic", 60.0),
    ]
    loop = mapped(edges, u_mv=1.0).loop
    assert loop is not None
    assert loop.starts_at == "Attic"
    assert set(loop.order) == {"Bath", "Cellar", "Den"}
    assert sum(loop.run_mohm) == pytest.approx(155.0, rel=0.01)


@pytest.mark.parametrize("seed", range(6))
def test_a_healthy_tree_is_never_called_a_ring(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 3 + seed % 3
    listed = wirings(tuple(range(n)))
    feeds = parents(listed[int(rng.integers(len(listed)))])
    rows = random_rows(feeds, n, 4 * n, rng, outlier=0.05)
    assert resolve(circuit(n, load_amps=10.0), rows).loop is None


def test_line_drop_tests_alone_look_for_no_ring() -> None:
    rows = [
        row(i, LINE, a, None, b, 2000.0, 20.0)
        for i, (a, b) in enumerate([("Attic", "Bath"), ("Bath", "Cellar"), ("Cellar", "Attic")])
    ]
    assert resolve(circuit(3), rows).loop is None


def test_the_resistance_each_way_adds_up_to_the_whole() -> None:
    loop = Loop(0.9, ("Attic", "Bath"), (10.0, 20.0, 30.0))
    assert loop.each_way_mohm() == ((10.0, 50.0), (30.0, 30.0))
