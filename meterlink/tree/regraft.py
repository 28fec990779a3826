"""Trees near the heaviest ones that growing receptacle by receptacle has lost.

A test that lies can lead a half-grown population astray, and the trees that would have turned out
right later are thinned away. So the heaviest trees are taken apart once more: each receptacle and
each part behind a run is cut off and put back in every possible place, and what is found to matter
comes in with its own weight.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from meterlink.tree.ensemble import Ensemble, nearly_weighed, weigh
from meterlink.tree.isolation import Isolation
from meterlink.tree.observations import Tests
from meterlink.tree.offspring import foretold
from meterlink.tree.run_prior import RunPrior
from meterlink.tree.tree_prior import TreePrior
from meterlink.tree.trees import (
    Floats,
    Grown,
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
FORETOLD_U = 4.0  # nats by which what is foretold may be wrong (measured: 1 to 2 usually)


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
            for i in np.argsort(-score, kind="stable")[:FRONT]
            if score[i] > total - REACH and rows[i].tobytes() not in expanded
        ]
        if not front:
            break
        expanded |= {rows[i].tobytes() for i in front}
        fresh = [
            _worthwhile(move, tests, n, tree_prior, run_prior, isolation, total)
            for move in moves(rows[front], n, tree_prior)
        ]
        masks = np.unique(np.concatenate([rows[:0], *fresh]), axis=0)
        masks = masks[[row.tobytes() not in looked_at for row in masks]]
        looked_at |= {row.tobytes() for row in masks}
        if not len(masks):
            continue
        masks, home = squeeze(masks, homes(masks))
        log_prior = log_shape(masks, home, n, tree_prior) + isolation.log_weight(masks)
        log_evidence = weigh(masks, home, tests, run_prior)
        good = log_prior + log_evidence > total - REACH
        if good.any():
            ensemble = _joined(ensemble, masks[good], log_prior[good], log_evidence[good], n)
    return ensemble


@dataclass(frozen=True, slots=True)
class Move:
    """Something cut off some trees, and all trees that come of putting it back.

    Attributes:
        cut: Bits of what was cut off.
        bare: The trees without it.
        grown: The trees with it, grown from these; runs inside the part are new ones.
    """

    cut: int
    bare: Masks
    grown: Grown


def moves(masks: Masks, n: int, tree_prior: TreePrior) -> Iterator[Move]:
    """Each receptacle, and each part behind a run, cut off and put back everywhere.

    Args:
        masks: Trees of ``n`` receptacles, shape ``(trees, runs)``.
        n: Number of receptacles.
        tree_prior: Weights of shapes (needed for growing; not used here).
    """
    for bit in range(n):
        bare = without(masks, bit)
        if bare.any():
            yield Move(1 << bit, bare, grow(bare, homes(bare), bit, n, tree_prior))
    everything = (1 << n) - 1
    for cut in np.unique(masks[(np.bitwise_count(masks) > 1) & (masks != everything)]):
        yield _part_moved(masks[(masks == cut).any(axis=1)], int(cut), n, tree_prior)


def _part_moved(masks: Masks, cut: int, n: int, tree_prior: TreePrior) -> Move:
    """Cut off what lies behind run ``cut`` of each tree and put it on everywhere.

    The part travels as one stand-in receptacle, number ``n``, and is unpacked where it arrives.
    """
    part = (masks & cut) == masks
    inner = np.where(part & (masks != cut), masks, 0)
    bare = distinct(np.where(part, 0, masks & ~np.int64(cut)))
    grown = grow(bare, homes(bare), n, n + 1, tree_prior)
    stand_in = np.int64(1) << np.int64(n)
    outer = np.where((grown.masks & stand_in) != 0, grown.masks & ~stand_in | cut, grown.masks)
    inside = inner[grown.origin]
    unpacked = replace(
        grown,
        masks=np.concatenate([outer, inside], axis=1),
        home=np.concatenate([grown.home, np.zeros_like(inside, dtype=bool)], axis=1),
    )
    return Move(cut, bare, unpacked)


def _worthwhile(
    move: Move,
    tests: Tests,
    n: int,
    tree_prior: TreePrior,
    run_prior: RunPrior,
    isolation: Isolation,
    total: float,
) -> Masks:
    """Trees of a move, padded, that may matter beside trees of log weight ``total``."""
    touched = (tests.places() & move.cut) != 0
    home = homes(move.bare)
    evidence, runs = nearly_weighed(move.bare, home, tests.only(~touched), run_prior)
    masks = padded(move.grown.masks, n)
    shape = log_shape(masks, homes(masks), n, tree_prior) + isolation.log_weight(masks)
    least = total - REACH - FORETOLD_U - evidence[move.grown.origin] - shape
    guess = foretold(runs, move.grown, tests.only(touched), run_prior, least)
    result: Masks = masks[guess > least]
    return result


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
