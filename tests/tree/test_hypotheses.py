"""Conditions of a circuit: their physics against nodal analysis, their weights against listings."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.circuit.setup import Setup
from meterlink.testlog.columns import TestRow
from meterlink.tree.fit import Known, refit, weigh
from meterlink.tree.hypotheses import Hypotheses, Kind, RunPrior, columns_of
from meterlink.tree.infer import infer
from meterlink.tree.likelihood import Grounds, Problem
from meterlink.tree.observations import Tests, observations_of
from meterlink.tree.posterior import Ensemble, fed, first_probabilities, orders_of, relations
from meterlink.tree.runs import linear_prediction
from meterlink.tree.trees import TreePrior, every_tree, log_ring_shape

from .plain import LINE, NAMES, NG, NN, circuit, row

PRIOR = RunPrior()
Edge = tuple[str, str, float]


def solved(edges: Sequence[Edge], into: str, out: str = "0") -> dict[str, float]:
    """Volts at each node per ampere that flows in at one and out at another, by nodal analysis."""
    names = [n for n in dict.fromkeys(x for a, b, _ in edges for x in (a, b)) if n != "0"]
    at = {name: i for i, name in enumerate(names)}
    siemens, amps = np.zeros((len(names), len(names))), np.zeros(len(names))
    for a, b, mohm in edges:
        for one, other in ((a, b), (b, a)):
            if one != "0":
                siemens[at[one], at[one]] += 1 / mohm
                if other != "0":
                    siemens[at[one], at[other]] -= 1 / mohm
    for name, sign in ((into, 1.0), (out, -1.0)):
        if name != "0":
            amps[at[name]] += sign
    volts = np.linalg.solve(siemens, amps)
    return {"0": 0.0, **{name: float(v) for name, v in zip(names, volts, strict=True)}}


def tree_edges(masks: Sequence[int], mohm: Sequence[float], prefix: str) -> list[Edge]:
    """Runs of a tree of masks as edges between nodes named by mask; the panel is 0."""
    edges = []
    for mask, r in zip(masks, mohm, strict=True):
        outer = [m for m in masks if m & mask == mask and m != mask]
        near = f"{prefix}{min(outer)}" if outer else "0"
        edges.append((near, f"{prefix}{mask}", r))
    return edges


def node(masks: Sequence[int], bits: int, prefix: str = "n") -> str:
    return f"{prefix}{min(m for m in masks if m & bits == bits)}" if bits else "0"


def expected_mv(
    h: Hypotheses, t: int, mohm: Sequence[float], path: float, setup: Setup, names: Sequence[str]
) -> float:
    """What a test should show by nodal analysis of neutral and ground wires, at 10 A."""
    masks = [int(m) for m in h.masks[t] if m]
    edges = tree_edges(masks, mohm, "n")
    near, far = int(h.near[t]), int(h.far[t])
    if h.kind[t] == Kind.BONDED:
        edges += tree_edges(masks, [path * r for r in mohm], "g")
        edges.append((node(masks, near), node(masks, near, "g"), PRIOR.bond_mohm))
    elif h.kind[t] == Kind.CLOSED:
        edges.append((node(masks, near), node(masks, far), path))
    bit = {name: 1 << i for i, name in enumerate(names)}
    volts = solved(edges, node(masks, bit[setup.load_at]))
    a = volts[node(masks, bit[setup.lead_a])]
    if setup.hookup is NN:
        return 10 * abs(a - volts[node(masks, bit[setup.lead_b or ""])])
    ground = volts[node(masks, bit[setup.lead_a], "g")] if h.kind[t] == Kind.BONDED else 0.0
    if setup.hookup is NG:
        return 10 * abs(a - ground)
    twice = a
    if h.kind[t] == Kind.BONDED:  # the hot side has no other path
        plain = solved(tree_edges(masks, mohm, "n"), node(masks, bit[setup.load_at]))
        twice = plain[node(masks, bit[setup.lead_a])]
    return 10 * abs(a + twice + PRIOR.runs.source_mohm)


def conditioned(n: int, rng: np.random.Generator) -> Hypotheses:
    """Random trees with a random condition each."""
    masks, home, _ = every_tree(n)
    picked = rng.choice(len(masks), 12, replace=False)
    masks, home = masks[picked], home[picked]
    kind, near, far = np.zeros(12, dtype=np.intp), np.zeros(12, np.int64), np.zeros(12, np.int64)
    for t in range(12):
        points = [int(m) for m in masks[t] if m]
        kind[t] = (Kind.BONDED, Kind.CLOSED, Kind.CLOSED)[t % 3]
        near[t] = 1 << int(rng.integers(n)) if t % 3 == 0 else int(rng.choice(points))
        if t % 3 == 2:
            far[t] = int(rng.choice([p for p in points if p != near[t]]))
    return Hypotheses(masks, home, kind, near, far)


def all_setups(n: int) -> list[Setup]:
    return [
        Setup(hookup, NAMES[a], NAMES[b] if hookup is NN else None, NAMES[load])
        for hookup in (NN, NG, LINE)
        for a in range(n)
        for b in ([b for b in range(n) if b != a] if hookup is NN else [a])
        for load in range(n)
    ]


def blank_rows(setups: Sequence[Setup]) -> list[TestRow]:
    return [row(i, s.hookup, s.lead_a, s.lead_b, s.load_at, 1.0) for i, s in enumerate(setups, 1)]


@pytest.mark.parametrize("seed", range(3))
def test_drops_under_every_condition_are_those_of_nodal_analysis(seed: int) -> None:
    """Both forms of the forward model, and its derivatives by differences."""
    n = 4
    rng = np.random.default_rng(seed)
    h, setups = conditioned(n, rng), all_setups(n)
    tests = Tests.of(observations_of(circuit(n), blank_rows(setups)))
    runs = np.where(h.masks != 0, rng.lognormal(np.log(40), 0.5, h.masks.shape), 1.0)
    path = np.where(h.bonded, 1.1, 60.0)
    expected = np.array(
        [
            [expected_mv(h, t, runs[t][h.masks[t] != 0], path[t], s, NAMES) for s in setups]
            for t in range(len(h))
        ]
    )
    source = np.full((len(h), 1), PRIOR.runs.source_mohm)
    bond = np.full((len(h), 1), PRIOR.bond_mohm)
    mean = np.concatenate([runs, path[:, None], bond, source], axis=1)
    quick, slope = linear_prediction(h, tests, mean, np.zeros(len(h)))
    np.testing.assert_allclose(quick, expected, rtol=1e-8, atol=1e-6)
    for k in range(mean.shape[1]):
        step = np.zeros(mean.shape[1])
        step[k] = 1e-4
        up = linear_prediction(h, tests, mean + step, np.zeros(len(h)))[0]
        down = linear_prediction(h, tests, mean - step, np.zeros(len(h)))[0]
        clear = np.minimum(up, down) > 0.01  # away from where the sign turns
        np.testing.assert_allclose(
            np.where(clear, slope[:, :, k], 0), np.where(clear, (up - down) / 2e-4, 0), atol=2e-3
        )
    columns = columns_of(h, tests, PRIOR)
    problem = Problem(columns, tests, PRIOR, Grounds(np.zeros(n)))
    x = np.zeros((len(h), problem.size))
    for t in range(len(h)):
        for e in np.flatnonzero(columns.group[t] >= 0):
            x[t, columns.group[t, e]] = np.log(runs[t, e])  # each run in a column of its own
    x[:, -2], x[:, -1] = np.log(path), np.log(PRIOR.bond_mohm)
    x[:, problem.source_at] = np.log(PRIOR.runs.source_mohm)
    alone = (columns.size <= 1).all(axis=1)
    assert alone.sum() >= 6
    shown, by = problem.predict(x)
    np.testing.assert_allclose(shown[alone], expected[alone], rtol=1e-8, atol=1e-6)
    for k in range(problem.size):
        step = np.zeros(problem.size)
        step[k] = 1e-6
        change = (problem.predict(x + step)[0] - problem.predict(x - step)[0]) / 2e-6
        clear = shown > 0.01
        np.testing.assert_allclose(
            np.where(clear, by[:, :, k], 0), np.where(clear, change, 0), atol=1e-2
        )


def test_a_receptacle_of_another_circuit_moves_nothing_and_shows_the_panel_s_level() -> None:
    masks = np.array([[0b001 | 0b010, 0b010]])  # Attic, Bath; Cellar is elsewhere
    h = Hypotheses.of(masks, kind=Kind.ELSEWHERE, near=0b100)
    rows = [
        row(1, NG, "Attic", None, "Cellar", 1.0),
        row(2, NN, "Bath", "Cellar", "Bath", 1.0),
        row(3, NG, "Cellar", None, "Bath", 1.0),
        row(4, NG, "Cellar", None, "Cellar", 1.0),
    ]
    tests = Tests.of(observations_of(circuit(3), rows))
    mean = np.array([[50.0, 30.0, 1.0, 5.0, 150.0]])
    shown = linear_prediction(h, tests, mean, np.zeros(1))[0]
    assert shown[0, :3].tolist() == [0.0, 800.0, 0.0]
    assert h.void(tests)[0].tolist() == [False, False, False, True]


@pytest.mark.parametrize("condition", ["bonded", "ring", "elsewhere"])
def test_the_search_says_what_a_listing_of_every_tree_and_condition_says(condition: str) -> None:
    n = 3
    rng = np.random.default_rng(7)
    rows = condition_rows(condition, n, rng)
    given = circuit(n)
    found = infer(given, rows, capacity=5000)
    every = listed(found.known, n)
    one, other = found.orders, orders_of(every, n)
    explained = 1 - found.unexplained
    for kind in Kind:
        a, b = (float(o.probability[o.kind == kind].sum()) for o in (one, other))
        assert a == pytest.approx(b * explained, abs=0.03), kind
    gap = np.abs(relations(one, n) - relations(other, n) * explained)
    assert gap.max() < 0.03
    first = first_probabilities(one, n) - first_probabilities(other, n) * explained
    assert np.abs(first).max() < 0.03


def condition_rows(condition: str, n: int, rng: np.random.Generator) -> list[TestRow]:
    """Noisy drops of a chain with a condition, by nodal analysis.

    The receptacle that is elsewhere has its own breaker off: its load never runs.
    """
    masks = np.array([[sum(1 << j for j in range(i, n)) for i in range(n)]])
    kind = {"bonded": Kind.BONDED, "ring": Kind.CLOSED, "elsewhere": Kind.ELSEWHERE}[condition]
    h = Hypotheses.of(masks, kind=kind, near=1 << (n - 1 if condition == "ring" else 1))
    if kind is Kind.ELSEWHERE:
        others = np.unique(masks[0] & ~0b010)[::-1]
        h = replace(h, masks=others[None, :], home=np.array([[True, False]]))
    mohm = [70.0, 35.0, 45.0, 40.0][: h.masks.shape[1]]
    rows: list[TestRow] = []
    for setup in all_setups(n):
        if setup.hookup is LINE or rng.random() < 0.3:
            continue
        names = {setup.load_at, *setup.leads}
        if kind is Kind.ELSEWHERE and NAMES[1] in names:
            at_panel = setup.hookup is NN and setup.load_at != NAMES[1]
            other = next(x for x in setup.leads if x != NAMES[1]) if at_panel else ""
            ground = Setup(NG, other, None, setup.load_at) if other else None
            true = expected_mv(h, 0, mohm, 1.0, ground, NAMES) if ground else 0.0
        else:
            true = expected_mv(h, 0, mohm, 1.0 if kind is Kind.BONDED else 60.0, setup, NAMES)
        seen = true + 3 * rng.standard_normal()
        rows.append(
            row(len(rows) + 1, setup.hookup, setup.lead_a, setup.lead_b, setup.load_at, seen, 3.0)
        )
    return rows


def listed(known: Known, n: int) -> Ensemble:
    """Every tree under every condition, weighed one by one; second paths elsewhere left out."""
    from meterlink.assumptions import USUAL
    from meterlink.tree.infer import strata_of

    prior = TreePrior()
    parts = []
    for stratum in strata_of(n, USUAL, ring_usual=False):
        size = len(stratum.places)
        masks, home, log_prior = every_tree(size, prior)
        if stratum.kind is Kind.ELSEWHERE:  # bits beyond the missing receptacle move up
            low = (1 << (stratum.at or 0)) - 1
            masks = (masks & low) | ((masks & ~low) << 1)
        near = 0 if stratum.at is None else 1 << stratum.at
        h = Hypotheses.of(masks, home, stratum.kind, near)
        if stratum.kind is Kind.CLOSED:
            t, e = np.nonzero(masks)
            h = replace(h.take(t), near=masks[t, e])
            way = ((h.masks & h.near[:, None]) == h.near[:, None]).sum(axis=1)
            h = h.take(way > 1)
            log_prior = log_ring_shape(h.masks, h.home, h.near, n, prior)
        evidence, badness = weigh(h, known)
        parts.append(
            Ensemble(h, log_prior + stratum.log_prior, evidence, np.zeros(len(h)), badness, True)
        )
    return Ensemble.joined(parts)


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=15, deadline=None)
def test_evidence_does_not_hang_on_what_is_fitted_beside_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    h = conditioned(4, rng)
    setups = [all_setups(4)[int(i)] for i in rng.integers(0, 80, 9)]
    rows = [replace(r, drop_mv=float(rng.uniform(0, 900))) for r in blank_rows(setups)]
    known = Known(Tests.of(observations_of(circuit(4), rows)), PRIOR, Grounds(np.full(4, -3.0)))
    together = refit(h, known)[1].log_evidence
    assert np.isfinite(together).all()
    each = [refit(h.take(np.array([t])), known)[1].log_evidence[0] for t in (0, 4, 8)]
    np.testing.assert_allclose(together[[0, 4, 8]], each, atol=0.05)


def test_a_point_of_a_ring_feeds_only_its_spurs() -> None:
    masks = np.array([[0b1111, 0b1110, 0b0100, 0b1000]])  # Attic, Bath; Cellar and Den behind it
    ring = Hypotheses.of(masks, kind=Kind.CLOSED, near=0b1000)
    assert fed(ring, 4)[0].tolist() == [0b0001, 0b0110, 0b0100, 0b1000]


def test_without_any_test_no_condition_is_more_probable_than_before() -> None:
    found = infer(circuit(4), [])
    bonded = found.orders.probability[found.orders.kind == Kind.BONDED].sum()
    ring = found.orders.probability[found.orders.kind == Kind.CLOSED].sum()
    assert 0 <= bonded < 0.04
    assert 0 <= ring < 0.08
