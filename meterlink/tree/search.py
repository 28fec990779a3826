"""The trees that the tests leave, each with its weight: receptacles put on one after another.

What the tests among some receptacles say depends only on the tree restricted to them. So trees are
grown receptacle by receptacle, every way of putting the next one on is weighed with the tests that
are complete by then, and the population is thinned to ``capacity`` so that nothing is biased: trees
above a threshold are kept as they are, the rest is drawn by systematic sampling and carries the
threshold as its weight (Fearnhead and Clifford 2003, optimal resampling). As long as no more than
``capacity`` trees have weight, the result is the full listing. The choice is made on a quick
estimate of the evidence; the trees chosen are then weighed properly, which keeps it unbiased.
Afterwards receptacles are taken off the heaviest trees and put back elsewhere, to find trees that
the order of insertion lost.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.evidence import (
    Columns,
    Fit,
    RunPrior,
    columns_of,
    evidence_key,
    fit,
    log_evidences,
    rough_log_evidences,
)
from meterlink.tree.isolation import Isolation
from meterlink.tree.observations import Tests
from meterlink.tree.trees import (
    Flags,
    Floats,
    Masks,
    TreePrior,
    grow,
    homes,
    log_shape,
    single,
    squeeze,
    without,
)

CHUNK = 1500  # trees fitted at once: bounds memory
QUICK_NEGLIGIBLE = 30.0  # the same where only the quick estimate is known
NEGLIGIBLE = 16.0  # trees this many nats behind the best do not matter (1e-7)
REGRAFT_ROUNDS = 12
REGRAFT_FRONT = 4  # trees looked at from all sides in one round
REGRAFT_HINT = 20.0  # nats behind the best on the quick estimate
REGRAFT_REACH = 6.0  # nats behind the best that still matter


NOTHING_FOUND = Isolation()


@dataclass(frozen=True, slots=True)
class Ensemble:
    """Weighted trees: a listing of the posterior or an unbiased sample of it.

    Attributes:
        masks, home: The trees, shape ``(K, E)``.
        log_prior: Log weight of each tree's shape, and of what was found with the power off.
        log_evidence: Log probability of the tests on it.
        log_importance: Log of how many trees like it each stands for; 0 where it is kept as it is.
        complete: No tree was left to chance.
    """

    masks: Masks
    home: Flags
    log_prior: Floats
    log_evidence: Floats
    log_importance: Floats
    complete: bool

    @property
    def weights(self) -> Floats:
        """Normalised weights, shape ``(K,)``."""
        log_weight = self.log_prior + self.log_evidence + self.log_importance
        weight = np.exp(log_weight - log_weight.max())
        share: Floats = weight / weight.sum()
        return share


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
        log_evidence = (
            weigh(masks, home, now, run_prior, quick=True) if news else log_evidence[grown.origin]
        )
        reach = QUICK_NEGLIGIBLE if news else NEGLIGIBLE
        total = log_prior + log_found + log_evidence + log_importance
        kept, gained, whole = thin(total, capacity, rng, reach)
        complete &= whole
        masks, home = squeeze(masks[kept], home[kept])
        log_prior, log_found = log_prior[kept], log_found[kept]
        log_importance = log_importance[kept] + gained
        log_evidence = weigh(masks, home, now, run_prior) if news else log_evidence[kept]
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


def weigh(
    masks: Masks, home: Flags, tests: Tests, prior: RunPrior, *, quick: bool = False
) -> Floats:
    """Log evidence of each tree, each different one computed once; ``quick``: an estimate."""
    method = rough_log_evidences if quick else log_evidences
    _, first, inverse = np.unique(
        evidence_key(masks, home, tests, sag=not quick), return_index=True, return_inverse=True
    )
    values = np.concatenate(
        [
            method(columns_of(masks[part], home[part], tests, prior), tests)
            for part in np.array_split(first, max(1, -(-len(first) // CHUNK)))
        ]
    )
    result: Floats = values[inverse.reshape(-1)]
    return result


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


def regraft(
    ensemble: Ensemble,
    tests: Tests,
    n: int,
    tree_prior: TreePrior,
    run_prior: RunPrior,
    isolation: Isolation = NOTHING_FOUND,
) -> Ensemble:
    """Move single receptacles of the heaviest trees elsewhere and keep what matters of it.

    A tree found here was lost by the order of insertion; it comes in with its own weight. Rounds
    go on while they find such trees.
    """
    expanded: set[bytes] = set()
    for _ in range(REGRAFT_ROUNDS):
        score = ensemble.log_prior + ensemble.log_evidence
        known = {row.tobytes() for row in _padded(ensemble.masks, n)}
        front = [
            i
            for i in np.argsort(-score, kind="stable")[: 2 * REGRAFT_FRONT]
            if score[i] > score.max() - REGRAFT_REACH
            and ensemble.masks[i].tobytes() not in expanded
        ][:REGRAFT_FRONT]
        if not front:
            break
        expanded |= {ensemble.masks[i].tobytes() for i in front}
        masks, home = _moved(ensemble.masks[front], n, tree_prior)
        fresh = np.array([row.tobytes() not in known for row in _padded(masks, n)], dtype=bool)
        masks, home = masks[fresh], home[fresh]
        if not len(masks):
            continue
        log_prior = log_shape(masks, home, n, tree_prior) + isolation.log_weight(masks)
        hint = log_prior + weigh(masks, home, tests, run_prior, quick=True)
        near = hint > score.max() - REGRAFT_HINT
        if not near.any():
            continue
        masks, home, log_prior = masks[near], home[near], log_prior[near]
        log_evidence = weigh(masks, home, tests, run_prior)
        good = log_prior + log_evidence > score.max() - REGRAFT_REACH
        if good.any():
            ensemble = _joined(ensemble, masks[good], log_prior[good], log_evidence[good], n)
    return ensemble


def _moved(masks: Masks, n: int, tree_prior: TreePrior) -> tuple[Masks, Flags]:
    """All trees that differ from the given ones by the place of one receptacle, each once."""
    width = 2 * n
    parts = []
    for bit in range(n):
        bare = without(masks, bit)
        if n == 1 or not bare.any():
            continue
        grown = grow(bare, homes(bare), bit, n, tree_prior)
        parts.append(_padded(grown.masks, n)[:, :width])
    if not parts:
        return masks[:0], homes(masks[:0])
    unique = np.unique(np.concatenate(parts), axis=0)
    return squeeze(unique, homes(unique))


def _padded(masks: Masks, n: int) -> Masks:
    """Runs in one order and one width, so that equal trees are equal rows."""
    ordered = -np.sort(-masks, axis=1)[:, : 2 * n]
    return np.pad(ordered, ((0, 0), (0, 2 * n - ordered.shape[1])))


def _joined(
    ensemble: Ensemble, masks: Masks, log_prior: Floats, log_evidence: Floats, n: int
) -> Ensemble:
    """The ensemble with more trees, each standing for itself."""
    both = np.concatenate([_padded(ensemble.masks, n), _padded(masks, n)])
    all_masks, all_home = squeeze(both, homes(both))
    return Ensemble(
        all_masks,
        all_home,
        np.concatenate([ensemble.log_prior, log_prior]),
        np.concatenate([ensemble.log_evidence, log_evidence]),
        np.concatenate([ensemble.log_importance, np.zeros(len(masks))]),
        ensemble.complete,
    )


def refit(
    ensemble: Ensemble, rows: NDArray[np.intp], tests: Tests, prior: RunPrior
) -> tuple[Columns, Fit]:
    """The runs on some of the trees of an ensemble."""
    columns = columns_of(ensemble.masks[rows], ensemble.home[rows], tests, prior)
    return columns, fit(columns, tests)
