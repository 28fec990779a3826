"""The trees that the tests leave, each with its weight: receptacles put on one after another.

What the tests among some receptacles say depends only on the tree restricted to them. So trees are
grown receptacle by receptacle, every way of putting the next one on is weighed with the tests that
are complete by then, and the population is thinned to ``capacity`` so that nothing is biased: trees
above a threshold are kept as they are, the rest is drawn by systematic sampling and carries the
threshold as its weight (Fearnhead and Clifford 2003, optimal resampling). As long as no more than
``capacity`` trees have weight, the result is the full listing. The choice is made on what the fit
of the smaller tree foretells (``offspring``); the trees chosen are then weighed properly, which
keeps it unbiased.
Afterwards ``regraft`` looks for trees that the order of insertion lost.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.ensemble import Ensemble, nearly_weighed, weigh
from meterlink.tree.isolation import Isolation
from meterlink.tree.observations import Tests
from meterlink.tree.offspring import foretold
from meterlink.tree.regraft import regraft
from meterlink.tree.run_prior import RunPrior
from meterlink.tree.runs import Runs
from meterlink.tree.tree_prior import TreePrior
from meterlink.tree.trees import Flags, Floats, Grown, Masks, grow, single, squeeze

NEGLIGIBLE = 16.0  # trees this many nats behind the best do not matter (1e-7)
FORETOLD_REACH = 30.0  # the same where the evidence is only foretold
LAST_ROOM = 3  # times as many finished trees are weighed as of the step before

NOTHING_FOUND = Isolation()


@dataclass(frozen=True, slots=True)
class _Population:
    """Half-grown trees and the parts of their weight, all logs, shape ``(K,)``."""

    masks: Masks
    home: Flags
    prior: Floats
    found: Floats
    evidence: Floats
    importance: Floats

    @property
    def total(self) -> Floats:
        """Log weight of each tree."""
        return self.prior + self.found + self.evidence + self.importance

    def take(self, rows: NDArray[np.intp] | Flags) -> "_Population":
        """Some of the trees."""
        masks, home = squeeze(self.masks[rows], self.home[rows])
        return _Population(
            masks,
            home,
            self.prior[rows],
            self.found[rows],
            self.evidence[rows],
            self.importance[rows],
        )


def search(
    tests: Tests,
    n: int,
    *,
    tree_prior: TreePrior,
    run_prior: RunPrior,
    capacity: int,
    seed: int = 0,
    isolation: Isolation = NOTHING_FOUND,
) -> Ensemble:
    """Weigh the trees of ``n`` receptacles.

    Args:
        tests: All tests.
        n: Number of receptacles, at least 1.
        tree_prior: Weights of shapes.
        run_prior: Of the runs' resistances.
        capacity: Number of trees kept near the end; more of small ones, which cost less and whose
            loss nothing makes good (measured: a third of the scatter between seeds).
        seed: Of the sampling; the same log gives the same answer.
        isolation: What was found with the power off.
    """
    rng = np.random.default_rng(seed)
    order = insertion_order(tests, n)
    places = tests.places()
    inside = 1 << order[0]
    known = tests.only((places & ~inside) == 0)
    masks, home = single(order[0])
    zero = np.zeros(1)
    trees = _Population(masks, home, zero, zero, zero, zero)
    evidence, runs = nearly_weighed(masks, home, known, run_prior)
    trees = replace(trees, evidence=evidence)
    complete, stale = True, False
    for size, bit in enumerate(order[1:], start=2):
        room = capacity * LAST_ROOM if size == n else capacity * n // size
        inside |= 1 << bit
        now = tests.only((places & ~inside) == 0)
        news = now.only((now.places() >> bit & 1) != 0)
        if stale and len(news):  # receptacles without a test have been put on since
            runs = nearly_weighed(trees.masks, trees.home, known, run_prior)[1]
        grown = grow(trees.masks, trees.home, bit, n, tree_prior)
        trees = _grown(trees, grown, isolation)
        if len(news):
            guess = trees.evidence
            if len(guess) > room:
                guess = guess + foretold(runs, grown, news, run_prior)
            trees = replace(trees, evidence=guess)
        trees, whole = _thinned(trees, room, rng, FORETOLD_REACH if len(news) else NEGLIGIBLE)
        if len(news) and size < n:
            trees, runs = _cut(trees, *nearly_weighed(trees.masks, trees.home, now, run_prior))
            known = now
        stale = not len(news)
        complete &= whole
    trees = replace(trees, evidence=weigh(trees.masks, trees.home, tests, run_prior))
    trees = trees.take(trees.total > trees.total.max() - NEGLIGIBLE)
    shape = trees.prior + trees.found
    found = Ensemble(trees.masks, trees.home, shape, trees.evidence, trees.importance, complete)
    return regraft(found, tests, n, tree_prior, run_prior, isolation)


def _grown(trees: _Population, grown: Grown, isolation: Isolation) -> _Population:
    """Trees with one more receptacle; the evidence is still that of before."""
    masks, home = squeeze(grown.masks, grown.home)
    return _Population(
        masks,
        home,
        trees.prior[grown.origin] + grown.log_prior_ratio,
        isolation.log_weight(masks),
        trees.evidence[grown.origin],
        trees.importance[grown.origin],
    )


def _cut(trees: _Population, evidence: Floats, runs: Runs) -> tuple[_Population, Runs]:
    """Trees with their new evidence, those that do not matter left out, and their runs."""
    trees = replace(trees, evidence=evidence)
    near = trees.total > trees.total.max() - NEGLIGIBLE
    return trees.take(near), runs.take(near)


def _thinned(
    trees: _Population, capacity: int, rng: np.random.Generator, reach: float
) -> tuple[_Population, bool]:
    """At most ``capacity`` trees, those drawn by chance standing for those left out."""
    kept, gained, whole = thin(trees.total, capacity, rng, reach)
    trees = trees.take(kept)
    return replace(trees, importance=trees.importance + gained), whole


def insertion_order(tests: Tests, n: int) -> tuple[int, ...]:
    """Receptacles in an order in which the tests among those inside are complete early."""
    places = [int(p) for p in tests.places()]
    counts = [sum(p >> i & 1 for p in places) for i in range(n)]
    order = [max(range(n), key=lambda i: (counts[i], -i))]
    inside = 1 << order[0]
    while len(order) < n:
        rest = [i for i in range(n) if not inside >> i & 1]

        def complete(i: int, inside: int = inside) -> tuple[int, int, int]:
            """Tests that become complete with receptacle ``i``, then tests that touch it."""
            grown = inside | 1 << i
            return sum(p >> i & 1 and not p & ~grown for p in places), counts[i], -i

        order.append(max(rest, key=complete))
        inside |= 1 << order[-1]
    return tuple(order)


def thin(
    log_weight: Floats, capacity: int, rng: np.random.Generator, reach: float = NEGLIGIBLE
) -> tuple[NDArray[np.intp], Floats, bool]:
    """Choose at most ``capacity`` trees without bias.

    Returns:
        Rows kept, log of the factor that each one's importance gains, and whether nothing but
        negligible trees was left out.
    """
    alive = np.flatnonzero(log_weight > log_weight.max() - reach)
    if len(alive) <= capacity:
        return alive, np.zeros(len(alive)), True
    weight = np.exp(log_weight[alive] - log_weight.max())
    weight /= weight.sum()
    threshold = _threshold(weight, capacity)
    heavy = weight >= threshold
    light = np.flatnonzero(~heavy)
    draws = capacity - int(heavy.sum())
    steps = np.cumsum(weight[light])
    at = (rng.random() + np.arange(draws)) / draws * steps[-1]
    drawn = light[np.minimum(np.searchsorted(steps, at), len(light) - 1)]
    drawn, times = np.unique(drawn, return_counts=True)
    share = steps[-1] / draws
    kept = np.concatenate([np.flatnonzero(heavy), drawn])
    gained = np.concatenate([np.zeros(int(heavy.sum())), np.log(times * share / weight[drawn])])
    return alive[kept], gained, False


def _threshold(weight: Floats, capacity: int) -> float:
    """The ``k`` for which ``sum(min(weight / k, 1))`` is ``capacity``."""
    ordered = np.sort(weight)
    below = np.cumsum(ordered)
    above = len(weight) - 1 - np.arange(len(weight))
    # with the i smallest below the threshold: below[i] / k + above[i] = capacity
    room = capacity - above
    ok = (room > 0) & (below / np.maximum(room, 1) >= ordered)
    i = int(np.flatnonzero(ok)[-1])
    return float(below[i] / room[i])
