"""Rings against published figures, plain nodal analysis and trees that are none."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.tree.columns import columns_of
from meterlink.tree.evidence import log_evidences
from meterlink.tree.loop_evidence import _Loops, fit_loops
from meterlink.tree.network import (
    Looped,
    Network,
    closed,
    layout,
    log_shape_of,
    moved,
    tree_network,
)
from meterlink.tree.observations import Tests, observations_of
from meterlink.tree.resolve import resolve
from meterlink.tree.run_prior import RunPrior
from meterlink.tree.tree_prior import TreePrior
from meterlink.tree.trees import every_tree, homes, log_shape
from meterlink.tree.wiring import Loop, WiringMap

from .networks import circuit_of, common_path, rows_of_matrix
from .plain import LINE, NAMES, NG, circuit, parents, random_rows, row, wirings

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference"
RING = json.loads((REFERENCE / "ring_final.json").read_text("utf-8"))
SHAPES = TreePrior()


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
    rows = random_rows(feeds, n, 4 * n, rng, lie=0.05)
    assert resolve(circuit(n, load_amps=10.0), rows).loop is None


def test_line_drop_tests_alone_look_for_no_ring() -> None:
    rows = [
        row(i, LINE, a, None, b, 2000.0, 20.0)
        for i, (a, b) in enumerate([("Attic", "Bath"), ("Bath", "Cellar"), ("Cellar", "Attic")])
    ]
    assert resolve(circuit(3), rows).loop is None


def test_the_forward_model_is_that_of_nodal_analysis() -> None:
    """Drops from the rank-one form against the inverted Laplacian; derivatives by differences."""
    rng = np.random.default_rng(5)
    names = NAMES[:4]
    setups = [(a, load) for a in range(4) for load in range(4)]
    for masks in every_tree(4)[0][::23]:
        tree, _ = tree_network([int(m) for m in masks])
        for network in list(closed(tree))[::3]:
            mohm = {run: float(rng.uniform(10, 90)) for run in network.runs}
            labels = {
                p: "panel" if p == 0 else names[p - 1] if p > 0 else f"s{p}"
                for run in network.runs
                for p in run
            }
            edges = [(labels[a], labels[b], value) for (a, b), value in mohm.items()]
            points, g = common_path(edges, ["panel"])
            at = [points.index(name) for name in names]
            drops = [10 * g[at[a], at[load]] for a, load in setups]
            rows = [
                row(i, NG, names[a], None, names[load], float(d), 0.5)
                for i, ((a, load), d) in enumerate(zip(setups, drops, strict=True))
            ]
            tests = Tests.of(observations_of(circuit(4), rows))
            found = layout(network)
            assert found.closing is not None
            every = [*found.runs, found.closing]
            x = np.log([[mohm[min(run), max(run)] for run in every]])
            problem = _Loops.of(Looped.of([network]), tests, RunPrior())
            predicted, slope = problem.predict(x)
            np.testing.assert_allclose(predicted[0], drops, rtol=1e-9, atol=1e-9)
            for k in range(x.shape[1]):
                step = np.zeros_like(x)
                step[0, k] = 1e-5
                change = problem.predict(x + step)[0] - problem.predict(x - step)[0]
                np.testing.assert_allclose(slope[0, :, k], change[0] / 2e-5, atol=1e-4)


def test_without_a_closing_run_the_evidence_is_that_of_the_tree() -> None:
    rng = np.random.default_rng(2)
    feeds = parents(wirings((0, 1, 2))[3])
    rows = random_rows(feeds, 3, 9, rng)
    tests = Tests.of(observations_of(circuit(3), rows))
    masks = every_tree(3)[0]
    loops = fit_loops(Looped.trees(masks, homes(masks)), tests, RunPrior()).log_evidence
    trees = log_evidences(columns_of(masks, homes(masks), tests, RunPrior()), tests)
    likely = trees > trees.max() - 8
    # the sum of unseparated runs is one column there and two runs here: Laplace differs a little
    np.testing.assert_allclose(loops[likely], trees[likely], atol=0.3)


@st.composite
def looped(draw: st.DrawFn) -> tuple[Network, int]:
    n = draw(st.integers(2, 5))
    masks = every_tree(n)[0]
    tree, _ = tree_network([int(m) for m in masks[draw(st.integers(0, len(masks) - 1))]])
    options = list(closed(tree))
    return (draw(st.sampled_from(options)) if options else tree), n


@given(looped())
@settings(max_examples=40)
def test_a_network_has_one_ring_whose_neighbours_are_joined(given_network) -> None:
    network, _ = given_network
    ring = network.ring()
    for a, b in zip(ring, [*ring[1:], *ring[:1]], strict=True):
        assert (min(a, b), max(a, b)) in network.runs
    assert len(set(ring)) == len(ring)


@given(looped())
@settings(max_examples=25)
def test_moving_receptacles_keeps_them_all_and_one_ring(given_network) -> None:
    network, n = given_network
    for other in moved(network, n):
        points = {p for run in other.runs for p in run}
        assert points >= set(range(n + 1))
        assert len(other.runs) in (len(points), len(points) - 1)
        assert len(other.rooted()) == len(points) - 1


@pytest.mark.parametrize("n", [2, 3, 4])
def test_a_tree_as_a_network_keeps_its_masks_and_its_weight(n: int) -> None:
    masks, home, _ = every_tree(n)
    networks = [tree_network([int(m) for m in row])[0] for row in masks]
    again = Looped.of(networks)
    assert not again.between.any()
    np.testing.assert_array_equal(again.masks, masks[:, : again.masks.shape[1]])
    np.testing.assert_array_equal(again.home[:, :-1], home[:, : again.masks.shape[1]])
    pairs = np.log(n * (n + 1) / 2)  # a closing run elsewhere is one of so many
    shapes = [log_shape_of(network, n, SHAPES) + pairs for network in networks]
    np.testing.assert_allclose(shapes, log_shape(masks, home, n, SHAPES), atol=1e-9)


def test_the_resistance_each_way_adds_up_to_the_whole() -> None:
    loop = Loop(0.9, ("Attic", "Bath"), (10.0, 20.0, 30.0))
    assert loop.each_way_mohm() == ((10.0, 50.0), (30.0, 30.0))
