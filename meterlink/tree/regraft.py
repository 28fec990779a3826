"""Trees near the heaviest ones that growing receptacle by receptacle has lost.

A test that lies can lead a half-grown population astray, and the trees that would have turned out
right later are thinned away. So the heaviest trees are taken apart once more: each receptacle and
each part behind a run is cut off and put back in every possible place, and what is found to matter
comes in with its own weight.
"""

import numpy as np

from meterlink.tree.conflicts import conflict_cost
from meterlink.tree.ensemble import Ensemble, weigh
from meterlink.tree.isolation import Isolation
from meterlink.tree.observations import Tests
from meterlink.tree.run_prior import RunPrior
from meterlink.tree.tree_prior import TreePrior
from meterlink.tree.trees import (
    Floats,
    Masks,
    distinct,
    grow,
    homes,
    log_shape,
    squeeze,
    without,
)

ROUNDS = 10
FRONT = 3  # trees taken apart in one round
REACH = 6.0  # nats behind all trees together: less than 0.25 % of the weight does not matter
HINT = 15.0  # the same where only the quick estimate is known, or what cannot be explained


def regraft(
    ensemble: Ensemble,
    tests: Tests,
    n: int,
    tree_prior: TreePrior,
    run_prior: RunPrior,
    isolation: Isolation,
) -> Ensemble:
    """Take the heaviest trees apart and keep what matters of what can be put together again.

    Rounds go on while they find heavier trees or trees of like weight, ``ROUNDS`` at most.
    """
    expanded: set[bytes] = set()
    looked_at = {row.tobytes() for row in padded(ensemble.masks, n)}
    for _ in range(ROUNDS):
        score = ensemble.log_prior + ensemble.log_evidence
        total = float(np.logaddexp.reduce(score + ensemble.log_importance))
        rows = padded(ensemble.masks, n)
        front = [
            int(i)
            for i in np.argsort(-score, kind="stable")[: 2 * FRONT]
            if score[i] > total - REACH and rows[i].tobytes() not in expanded
        ][:FRONT]
        if not front:
            break
        expanded |= {rows[i].tobytes() for i in front}
        masks = np.unique(moved(rows[front], n, tree_prior), axis=0)
        masks = masks[[row.tobytes() not in looked_at for row in masks]]
        looked_at |= {row.tobytes() for row in masks}
        masks = masks[conflict_cost(masks, tests) < conflict_cost(rows[front], tests).min() + HINT]
        if not len(masks):
            continue
        masks, home = squeeze(masks, homes(masks))
        log_prior = log_shape(masks, home, n, tree_prior) + isolation.log_weight(masks)
        hint = log_prior + weigh(masks, home, tests, run_prior, quick=True)
        old = ensemble.masks[front], ensemble.home[front]
        error = ensemble.log_evidence[front] - weigh(*old, tests, run_prior, quick=True)
        near = hint + error.max() > total - HINT
        if not near.any():
            continue
        masks, home, log_prior = masks[near], home[near], log_prior[near]
        log_evidence = weigh(masks, home, tests, run_prior)
        good = log_prior + log_evidence > total - REACH
        if good.any():
            ensemble = _joined(ensemble, masks[good], log_prior[good], log_evidence[good], n)
    return ensemble


def moved(masks: Masks, n: int, tree_prior: TreePrior) -> Masks:
    """All trees that differ from the given ones by the place of one receptacle or of one part.

    Args:
        masks: Trees of ``n`` receptacles, shape ``(trees, runs)``.
        n: Number of receptacles.
        tree_prior: Weights of shapes (needed for growing; not used here).

    Returns:
        Padded trees (see ``padded``), some more than once.
    """
    parts = [masks[:0]]
    for bit in range(n):
        bare = without(masks, bit)
        if bare.any():
            parts.append(padded(grow(bare, homes(bare), bit, n, tree_prior).masks, n))
    everything = (1 << n) - 1
    for e in range(masks.shape[1]):
        cut = masks[:, e]
        rows = np.flatnonzero((np.bitwise_count(cut) > 1) & (cut != everything))
        if len(rows):
            parts.append(padded(_part_moved(masks[rows], cut[rows], n, tree_prior), n))
    return np.concatenate([padded(part, n) for part in parts])


def _part_moved(masks: Masks, cut: Masks, n: int, tree_prior: TreePrior) -> Masks:
    """Cut off what lies behind run ``cut`` of each tree and put it on everywhere.

    The part travels as one stand-in receptacle, number ``n``, and is unpacked where it arrives.
    """
    part = (masks & cut[:, None]) == masks
    inner = np.where(part & (masks != cut[:, None]), masks, 0)
    rest = distinct(np.where(part, 0, masks & ~cut[:, None]))
    grown = grow(rest, homes(rest), n, n + 1, tree_prior)
    stand_in = np.int64(1) << np.int64(n)
    carried = cut[grown.origin][:, None]
    outer = np.where((grown.masks & stand_in) != 0, grown.masks & ~stand_in | carried, grown.masks)
    return np.concatenate([outer, inner[grown.origin]], axis=1)


def padded(masks: Masks, n: int) -> Masks:
    """Runs in one order and one width, so that equal trees are equal rows."""
    ordered = -np.sort(-masks, axis=1)[:, : 2 * n]
    return np.pad(ordered, ((0, 0), (0, 2 * n - ordered.shape[1])))


def _joined(
    ensemble: Ensemble, masks: Masks, log_prior: Floats, log_evidence: Floats, n: int
) -> Ensemble:
    """The ensemble with more trees, each standing for itself."""
    both = np.concatenate([padded(ensemble.masks, n), padded(masks, n)])
    all_masks, all_home = squeeze(both, homes(both))
    return Ensemble(
        all_masks,
        all_home,
        np.concatenate([ensemble.log_prior, log_prior]),
        np.concatenate([ensemble.log_evidence, log_evidence]),
        np.concatenate([ensemble.log_importance, np.zeros(len(masks))]),
        ensemble.complete,
    )
