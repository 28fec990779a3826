"""The trees that the tests leave, each with its weight: receptacles put on one after another.

What the tests among some receptacles say depends only on the tree restricted to them. So trees are
grown receptacle by receptacle, every way of putting the next one on is weighed with the tests that
are complete by then, and the population is thinned to ``capacity`` so that nothing is biased: trees
above a threshold are kept as they are, the rest is drawn by systematic sampling and carries the
threshold as its weight (Fearnhead and Clifford 2003, optimal resampling). As long as no more than
``capacity`` trees have weight, the result is the full listing. The choice is made on a quick
estimate of the evidence; the trees chosen are then weighed properly, which keeps it unbiased.
Afterwards ``regraft`` looks for trees that the order of insertion lost.
"""

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.ensemble import Ensemble, weigh
from meterlink.tree.evidence import RunPrior, conflict_cost
from meterlink.tree.isolation import Isolation
from meterlink.tree.observations import Tests
from meterlink.tree.regraft import regraft
from meterlink.tree.trees import Floats, TreePrior, grow, single, squeeze

NEGLIGIBLE = 16.0  # trees this many nats behind the best do not matter (1e-7)
QUICK_REACH = 30.0  # the same where only the quick estimate is known,
HOPE_REACH = 15.0  # or only what cannot be explained is counted; and both
REACH_OF_FEW, FEW = 60.0, 6  # up to so many receptacles, where all trees can be looked at


NOTHING_FOUND = Isolation()


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
        capacity: Number of trees kept after each receptacle.
        seed: Of the sampling; the same log gives the same answer.
        isolation: What was found with the power off.
    """
    rng = np.random.default_rng(seed)
    quick_reach, hope_reach = (
        (REACH_OF_FEW, REACH_OF_FEW) if n <= FEW else (QUICK_REACH, HOPE_REACH)
    )
    order = insertion_order(tests, n)
    masks, home = single(order[0])
    inside = 1 << order[0]
    places = tests.places()
    now = tests.only((places & ~inside) == 0)
    log_evidence = weigh(masks, home, now, run_prior)
    log_prior, log_importance, log_found = np.zeros(1), np.zeros(1), np.zeros(1)
    complete, news = True, True
    for bit in order[1:]:
        grown = grow(masks, home, bit, n, tree_prior)
        inside |= 1 << bit
        before, now = len(now), tests.only((places & ~inside) == 0)
        news = len(now) > before
        log_prior = log_prior[grown.origin] + grown.log_prior_ratio
        log_importance = log_importance[grown.origin]
        masks, home = squeeze(grown.masks, grown.home)
        log_found = isolation.log_weight(masks)
        reach = NEGLIGIBLE
        if not news:
            log_evidence = log_evidence[grown.origin]
        elif len(masks) <= capacity:
            log_evidence = weigh(masks, home, now, run_prior)
        else:
            reach = quick_reach
            hope = log_prior + log_found + log_importance - conflict_cost(masks, now)
            worth = hope > hope.max() - hope_reach
            masks, home = squeeze(masks[worth], home[worth])
            log_prior, log_found = log_prior[worth], log_found[worth]
            log_importance = log_importance[worth]
            log_evidence = weigh(masks, home, now, run_prior, quick=True)
        total = log_prior + log_found + log_evidence + log_importance
        kept, gained, whole = thin(total, capacity, rng, reach)
        complete &= whole
        masks, home = squeeze(masks[kept], home[kept])
        log_prior, log_found = log_prior[kept], log_found[kept]
        log_importance = log_importance[kept] + gained
        weighed = reach == NEGLIGIBLE
        log_evidence = log_evidence[kept] if weighed else weigh(masks, home, now, run_prior)
        total = log_prior + log_found + log_evidence + log_importance
        alive = total > total.max() - NEGLIGIBLE
        masks, home = squeeze(masks[alive], home[alive])
        log_prior, log_evidence = log_prior[alive], log_evidence[alive]
        log_importance, log_found = log_importance[alive], log_found[alive]
    if not news:  # a receptacle in line on a run makes it longer, so all are weighed once more
        log_evidence = weigh(masks, home, tests, run_prior)
    found = Ensemble(masks, home, log_prior + log_found, log_evidence, log_importance, complete)
    return regraft(found, tests, n, tree_prior, run_prior, isolation)


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
