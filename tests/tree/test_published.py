"""Networks and matrices that others worked out and published.

Sources: V. K. Mehta and R. Mehta, Principles of Power System, chapter 13 (distributor networks);
Saitou and Nei 1987, Studier and Keppler 1988 and the examples named in ``tree_metrics.json``.
"""

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from meterlink.testlog.columns import TestRow
from meterlink.tree.infer import infer
from meterlink.tree.posterior import best_tree
from meterlink.tree.resolve import map_of, resolve
from meterlink.tree.trees import bits_of
from meterlink.tree.wiring import WiringMap

from .networks import circuit_of, common_path, edges_of, rows_of_matrix

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference"
NETWORKS = {
    example["id"]: example
    for example in json.loads((REFERENCE / "distributor_networks.json").read_text("utf-8"))[
        "examples"
    ]
}
METRICS = json.loads((REFERENCE / "tree_metrics.json").read_text("utf-8"))
CHAINS = ("13.1", "13.3", "13.4")
NOT_TREES = ("13.10", "13.11", "13.12", "13.23", "13.24-before", "13.25")
TO_MOHM = 1e3


@pytest.mark.parametrize(
    "name",
    [
        k
        for k in NETWORKS  # at two unequal voltages the matrix alone does not give volts
        if NETWORKS[k]["published_V"] and len(set(NETWORKS[k]["sources_V"].values())) == 1
    ],
)
def test_the_common_path_matrix_gives_the_published_voltages(name: str) -> None:
    example = NETWORKS[name]
    names, g = common_path(edges_of(example), example["sources_V"])
    amps = np.array([example["loads_A"].get(p, 0.0) for p in names])
    volts = next(iter(example["sources_V"].values())) - g @ amps
    for point, published in example["published_V"].items():
        assert volts[names.index(point)] == pytest.approx(published, abs=example["tol_V"])


@pytest.mark.parametrize("name", CHAINS)
@pytest.mark.parametrize("seed", range(3))
def test_a_published_chain_comes_back_from_shuffled_drops(name: str, seed: int) -> None:
    edges = edges_of(NETWORKS[name])
    source = next(iter(NETWORKS[name]["sources_V"]))
    names, g = common_path(edges, [source])
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(names))
    shuffled = [names[i] for i in order]
    scale = 40 / np.mean([ohm for *_, ohm in edges])  # to runs that a dwelling has
    rows = rows_of_matrix(shuffled, g[np.ix_(order, order)] * scale)
    rng.shuffle(rows)
    found = resolve(circuit_of(shuffled), rows)
    assert found.settled
    feeds = {p.name: (p.fed_from, p.run_mohm) for p in found.points}
    for a, b, ohm in edges:
        feed, mohm = feeds[b]
        assert feed == ("panel" if a == source else a)
        assert mohm == pytest.approx(ohm * scale, rel=0.003)
    assert not found.splices
    assert not found.doubts
    assert found.loop is None


def three_point_gap(g: np.ndarray) -> float:
    """Largest difference of the two smallest of ``G_ij, G_ik, G_jk``; 0 on every tree."""
    n = len(g)
    return max(
        float(np.diff(sorted((g[i, j], g[i, k], g[j, k])))[0])
        for i in range(n)
        for j in range(i)
        for k in range(j)
    )


@pytest.mark.parametrize("name", [*CHAINS[::2], *NOT_TREES])
def test_only_networks_that_are_no_tree_break_the_three_point_rule(name: str) -> None:
    example = NETWORKS[name]
    _, g = common_path(edges_of(example), example["sources_V"])
    assert (three_point_gap(g) > 0.0035) == (name in NOT_TREES)


def resolved(name: str, *, usual: bool = True) -> WiringMap:
    example = NETWORKS[name]
    names, g = common_path(edges_of(example), example["sources_V"])
    given = replace(circuit_of(names), ring_usual=usual)  # fed at both ends by design
    return resolve(given, rows_of_matrix(names, g * TO_MOHM))


@pytest.mark.parametrize("name", NOT_TREES)
def test_networks_fed_at_both_ends_and_rings_are_refused_as_trees(name: str) -> None:
    found = resolved(name)
    assert found.loop is not None
    assert found.first.receptacle is None  # a ring has two first receptacles
    assert found.loop.probability > 0.99


@pytest.mark.parametrize("name", [k for k in NOT_TREES if k != "13.25"])
def test_published_rings_come_back_in_order_with_their_sections(name: str) -> None:
    loop = resolved(name).loop
    assert loop is not None
    assert loop.starts_at == "panel"
    assert not loop.spurs
    ends = set(NETWORKS[name]["sources_V"])
    ohm = {
        frozenset("panel" if p in ends else p for p in e[:2]): e[2]
        for e in edges_of(NETWORKS[name])
    }
    steps = pairwise(["panel", *loop.order, "panel"])
    for (a, b), mohm in zip(steps, loop.run_mohm, strict=True):
        assert mohm == pytest.approx(ohm[frozenset((a, b))] * TO_MOHM, abs=0.3)


def test_a_ring_with_an_interconnector_is_one_ring_with_a_hidden_star() -> None:
    """13.25 has two meshes; its triangle B, C, D is a star just as well (delta to wye)."""
    loop = resolved("13.25").loop
    assert loop is not None
    bc, cd, bd = 25.0, 10.0, 50.0
    for leg in (bc * bd / (bc + cd + bd), cd * bd / (bc + cd + bd)):
        assert any(mohm == pytest.approx(leg, abs=0.1) for mohm in loop.run_mohm)


def test_two_receptacles_on_a_ring_are_no_chain() -> None:
    """13.22: a tree with one hidden junction fits a ring of two equally; a chain does not."""
    found = resolved("13.22", usual=False)
    assert not found.settled
    assert found.first.receptacle is None
    [ring] = [c for c in found.conditions if c.name == "second-path"]
    assert 0.2 < ring.probability < 0.8


def splits(newick: str, leaves: Sequence[str]) -> set[frozenset[str]]:
    """Ways in which the branches of a tree part its leaves; the side without the first leaf."""
    whole, found = frozenset(leaves), set()
    stack: list[set[str]] = [set()]
    for token in re.findall(r"[(),;]|[^(),;]+", newick):
        if token == "(":
            stack.append(set())
        elif token in ",;":
            continue
        elif token == ")":
            inner = stack.pop()
            found.add(frozenset(inner))
            stack[-1] |= inner
        elif (name := token.split(":")[0]) in whole:
            found.add(frozenset({name}))
            stack[-1].add(name)
    return {part if leaves[0] not in part else whole - part for part in found} - {
        frozenset(),
        whole,
    }


def matrix_rows(example: Mapping[str, Any]) -> tuple[list[str], list[TestRow], float]:
    """Distances as tests: the first leaf is the panel, common ways are Gromov products."""
    distance = np.array(example["matrix"], dtype=float)
    common = (distance[1:, :1] + distance[:1, 1:] - distance[1:, 1:]) / 2
    scale = 60 / distance[0, 1:].mean()
    return example["names"][1:], rows_of_matrix(example["names"][1:], common * scale), scale


def way_mohm(wiring_map: WiringMap, name: str) -> float:
    """Sum of the runs between the panel and a point."""
    runs = {p.name: p for p in (*wiring_map.points, *wiring_map.splices)}
    total = 0.0
    while name != "panel":
        total += runs[name].run_mohm
        name = runs[name].fed_from
    return total


WORKED = METRICS["neighbour_joining"]["worked_examples"]


@pytest.mark.parametrize("example", [e for e in WORKED if e["additive"]], ids=lambda e: e["name"])
def test_additive_matrices_give_the_published_tree(example: Mapping[str, Any]) -> None:
    names, rows, scale = matrix_rows(example)
    posterior = infer(circuit_of(names), rows)
    best = best_tree(posterior.ensemble, posterior.orders)
    found = {
        frozenset(names[i] for i in bits_of(int(mask)))
        for mask in posterior.ensemble.masks[best]
        if mask
    }
    assert found == splits(example["newick"], example["names"])
    wiring_map = map_of(posterior, rows)
    assert not wiring_map.doubts
    assert not wiring_map.notes
    assert wiring_map.loop is None
    # path lengths of the tree are the matrix (compared so, as drawings of one tree differ)
    distance = np.array(example["matrix"])
    for point in wiring_map.points:
        way = way_mohm(wiring_map, point.name) / scale
        assert way == pytest.approx(distance[0, 1 + names.index(point.name)], rel=0.005)


@pytest.mark.parametrize(
    "example", [e for e in WORKED if not e["additive"]], ids=lambda e: e["name"]
)
def test_matrices_that_no_tree_has_are_flagged(example: Mapping[str, Any]) -> None:
    names, rows, _ = matrix_rows(example)
    found = resolve(circuit_of(names), rows)
    assert found.loop or not found.settled
    assert found.doubts or found.loop
    assert found.notes or found.loop


def test_the_listed_common_path_example_comes_back() -> None:
    example = METRICS["common_path_matrix"]["example"]
    edges = [(f"P{p}", f"P{c}", ohm) for c, p, ohm in example["edges_child_parent_ohm"]]
    names, g = common_path(edges, ["P0"])
    np.testing.assert_allclose(g, example["G"], atol=1e-12)
    found = resolve(circuit_of(names), rows_of_matrix(names, g * 1e3))
    feeds = {p.name: p.fed_from.replace("panel", "P0") for p in found.points}
    assert feeds == {child: parent for parent, child, _ in edges}
    assert found.settled
