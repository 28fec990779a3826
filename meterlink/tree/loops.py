"""A second path: the best tree against the best tree with one closing run, by evidence.

A ring (both ends at the panel: a usual way to wire sockets in some countries) or an accidental
second neutral path breaks the three-point rule that every tree keeps. Whether the tests are more
probable on a network with one ring is weighed here, and which ring it is.

Three sources give networks to weigh: closing runs on the heaviest trees; rings through all
receptacles, put together receptacle by receptacle; and moves of single receptacles and of the
closing run on the best of these. It is a search, no listing; what it misses makes a ring less
probable than it is, never more.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from meterlink.tree import wiring
from meterlink.tree.columns import columns_of
from meterlink.tree.ensemble import Ensemble
from meterlink.tree.evidence import log_evidences
from meterlink.tree.loop_evidence import LoopFit, fit_loops
from meterlink.tree.network import (
    PANEL,
    Looped,
    Network,
    closed,
    layout,
    log_shapes,
    moved,
    tree_network,
)
from meterlink.tree.observations import Tests
from meterlink.tree.run_prior import RunPrior
from meterlink.tree.search import insertion_order
from meterlink.tree.tree_prior import TreePrior
from meterlink.tree.trees import Floats

LOOP_SHARE = 0.01  # of circuits with a second path, before any evidence (from memory: rare)
TREES = 4  # heaviest trees that get closing runs
BEAM = 16  # rings kept while receptacles are put on
ROUNDS = 6
FRONT = 2  # networks whose neighbours are looked at in one round
WORTHWHILE = 0.5  # nats that a round must gain for another one
REFINED = 40  # networks of a round that are fitted to the end
FIT_COST = 3_000_000  # networks times runs times tests that one look may cost
LEAST_GAIN = 5.0  # nats beyond noise that a ring must be able to gain to be looked for


@dataclass(frozen=True, slots=True)
class SecondPath:
    """The best ring and what the tests look like on it.

    Attributes:
        loop: The ring, and the probability that there is one.
        lies: Probability of each test to lie if it is there; NaN for ``line-drop``, shape ``(m,)``.
        expected_mv: What each test should have shown then, shape ``(m,)``.
    """

    loop: wiring.Loop
    lies: Floats
    expected_mv: Floats


@dataclass(frozen=True, slots=True)
class Scored:
    """Networks with their scores (log prior plus log evidence)."""

    networks: list[Network]
    score: Floats


def find_loop(
    ensemble: Ensemble,
    chosen: int,
    tests: Tests,
    names: Sequence[str],
    tree_prior: TreePrior,
    run_prior: RunPrior,
) -> SecondPath | None:
    """The most probable ring and the probability that there is one.

    Args:
        ensemble: Weighted trees.
        chosen: The tree that stands for them.
        tests: All tests; those of ``line-drop`` are left aside, as hot and neutral need not share
            a second path.
        names: Of the receptacles.
        tree_prior: Weights of shapes.
        run_prior: Of the runs.

    Returns:
        ``None`` where a tree explains the tests as well as a ring could, so that none was looked
        for. Otherwise the best ring found, however improbable.
    """
    neutral = tests.only(~tests.line)
    n = len(names)
    if len(neutral) < 3 or n < 2:
        return None
    tree = ensemble.masks[[chosen]], ensemble.home[[chosen]]
    own = fit_loops(Looped.trees(*tree), neutral, run_prior)
    freedom = max(0, len(neutral) - int((ensemble.masks[chosen] != 0).sum()))
    if _could_gain(own, neutral) - freedom / 2 < LEAST_GAIN:  # noise alone loses half a nat each
        return None
    share = float(ensemble.weights[chosen]) / float(np.exp(ensemble.log_importance[chosen]))
    other_way = log_evidences(columns_of(*tree, neutral, run_prior), neutral)
    evidence = max(float(own.log_evidence[0]), float(other_way[0]))  # a climb may miss the top
    all_trees = evidence + float(ensemble.log_prior[chosen]) - np.log(share)
    search = _Search(neutral, n, tree_prior, run_prior)
    found = search.run(ensemble)
    _, first = np.unique(found.score.round(6), return_index=True)
    all_loops = float(np.logaddexp.reduce(found.score[first]))
    log_odds = all_loops - all_trees + np.log(LOOP_SHARE / (1 - LOOP_SHARE))
    best = found.networks[int(found.score.argmax())]
    fitted = fit_loops(Looped.of([best]), neutral, run_prior)
    probability = float(1 / (1 + np.exp(-np.clip(log_odds, -700, 700))))
    lies, expected = np.full((2, len(tests)), np.nan)
    lies[~tests.line] = 1 - fitted.truth[0]
    expected[~tests.line] = fitted.predicted_mv[0]
    return SecondPath(_described(best, fitted, probability, names), lies, expected)


def _could_gain(fitted: LoopFit, tests: Tests) -> float:
    """Nats that a perfect prediction of every test would gain over a fit."""
    z = (tests.drop - fitted.predicted_mv[0]) / tests.u
    honest = np.log1p(-tests.lie) - 0.5 * z**2
    still = np.log(tests.lie) - 0.5 * (tests.drop / tests.u) ** 2
    lying = np.where(tests.no_change, still, np.log(tests.lie))
    lost = np.log1p(-tests.lie) - np.logaddexp(honest, lying)
    return float(np.where(tests.measured, lost, 0.0).sum())


@dataclass
class _Search:
    """Networks met so far, and how they are weighed."""

    tests: Tests
    n: int
    tree_prior: TreePrior
    run_prior: RunPrior

    def run(self, ensemble: Ensemble) -> Scored:
        """Seeds, then moves of the best until nothing better comes."""
        heavy = np.argsort(-ensemble.weights, kind="stable")[:TREES]
        seeds = [_ring_network(order) for order in self._rings()]
        for row in heavy:
            tree, _ = tree_network([int(m) for m in ensemble.masks[row]])
            seeds += closed(tree)
        pool: dict[Network, float] = {}
        self._weigh(seeds, pool)
        expanded: set[Network] = set()
        best = -np.inf
        for _ in range(ROUNDS):
            ranked = sorted(pool, key=lambda network: -pool[network])
            front = [network for network in ranked[: 2 * FRONT] if network not in expanded][:FRONT]
            if not front or pool[ranked[0]] < best + WORTHWHILE:
                break
            best = pool[ranked[0]]
            expanded.update(front)
            for network in front:
                self._weigh([*moved(network, self.n), *_reclosed(network)], pool)
        return Scored(list(pool), np.array(list(pool.values())))

    def _weigh(self, networks: Iterable[Network], pool: dict[Network, float]) -> None:
        """Add networks that are new and do hold a ring; as many as a round may cost."""
        most = max(50, FIT_COST // max(1, 2 * self.n * len(self.tests)))
        fresh = [
            network
            for network in dict.fromkeys(networks)
            if network not in pool and len(network.ring()) > 2
        ][:most]
        if not fresh:
            return
        arrays = Looped.of(fresh)
        shapes = log_shapes(fresh, self.n, self.tree_prior)
        quick = fit_loops(arrays, self.tests, self.run_prior, quick=True).log_evidence + shapes
        best = np.argsort(-quick, kind="stable")[:REFINED]
        fitted = fit_loops(arrays.part(best), self.tests, self.run_prior).log_evidence
        pool.update(dict.fromkeys(fresh, -np.inf))  # met, and not worth the end of a climb
        pool.update((fresh[k], float(e + shapes[k])) for k, e in zip(best, fitted, strict=True))

    def _rings(self) -> list[tuple[int, ...]]:
        """Rings through the panel and all receptacles, from a beam over orders."""
        sequence = insertion_order(self.tests, self.n)
        places = self.tests.places()
        orders: list[tuple[int, ...]] = [sequence[:1]]
        inside = 1 << sequence[0]
        for bit in sequence[1:]:
            inside |= 1 << bit
            grown = {
                min(order, order[::-1])
                for old in orders
                for order in ((*old[:k], bit, *old[k:]) for k in range(len(old) + 1))
            }
            orders = sorted(grown)
            now = self.tests.only((places & ~inside) == 0)
            if len(now):
                rings = Looped.of([_ring_network(order) for order in orders])
                evidence = fit_loops(rings, now, self.run_prior, quick=True).log_evidence
                orders = [orders[i] for i in np.argsort(-evidence, kind="stable")[:BEAM]]
            else:
                orders = orders[:BEAM]
        return orders


def _ring_network(order: Sequence[int]) -> Network:
    """A ring from the panel through receptacles and back."""
    points = [PANEL, *(i + 1 for i in order), PANEL]
    return Network.of(pairwise(points))


def _reclosed(network: Network) -> Iterable[Network]:
    """Networks of which one run of the ring leads elsewhere from one of its ends."""
    ring = network.ring()
    for a, b in zip(ring, [*ring[1:], ring[0]], strict=True):
        opened = Network(network.runs - {(min(a, b), max(a, b))})
        beside = opened.neighbours()
        for stays, leaves in ((a, b), (b, a)):
            if leaves < PANEL and len(beside[leaves]) < 3:
                continue  # a splice with one onward run left is none
            for other in beside:
                run = (min(stays, other), max(stays, other))
                if other != stays and run not in opened.runs:
                    yield Network(opened.runs | {run})


def _described(
    network: Network, fitted: LoopFit, probability: float, names: Sequence[str]
) -> wiring.Loop:
    """The ring in words and numbers."""
    found = layout(network)
    mohm = np.exp(fitted.log_mohm[0])
    value = {frozenset(run): float(r) for run, r in zip(found.runs, mohm, strict=False)}
    if found.closing is not None:
        value[frozenset(found.closing)] = float(mohm[-1])
    ring = network.ring()

    def named(point: int) -> str:
        return wiring.PANEL if point == PANEL else names[point - 1] if point > 0 else wiring.SPLICE

    round_trip = [*ring, ring[0]]
    return wiring.Loop(
        probability=probability,
        order=tuple(named(point) for point in ring[1:]),
        run_mohm=tuple(value[frozenset(run)] for run in pairwise(round_trip)),
        starts_at=named(ring[0]),
        spurs=tuple(
            wiring.Spur(names[point - 1], named(feed), value[frozenset((feed, point))])
            for feed, point in found.runs
            if point > 0 and point not in ring
        ),
    )
