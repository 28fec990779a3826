"""Trees near the heaviest ones that growing receptacle by receptacle has lost.

An outlier can lead a half-grown population astray, and the trees that would have turned out right
later are thinned away. So the heaviest trees are taken apart once more: each receptacle and each
part behind a run is cut off and put back in every possible place, and what is found to matter comes
in with its own weight. A closing run between two points of a tree is tried likewise.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from meterlink.tree.fit import weigh
from meterlink.tree.hypotheses import Hypotheses, Kind
from meterlink.tree.posterior import Ensemble
from meterlink.tree.runs import nearly_weighed, predicted
from meterlink.tree.search import Setting, Stratum, grow_under
from meterlink.tree.trees import (
    Floats,
    Grown,
    Masks,
    TreePrior,
    distinct,
    grow,
    homes,
    log_ring_shape,
    log_shape,
    without,
)

ROUNDS = 10
FRONT = 3  # trees taken apart in one round
REACH = 6.0  # nats behind all trees together: less than 0.25 % of the weight does not matter
PREDICTED_U = 4.0  # nats by which what is predicted may be wrong (measured: 1 to 2 usually)
MATTERS = 4.0  # nats that a closing run may stay behind if it explained the log perfectly
NEARLY_U = 12.0  # nats that a closing run may gain where its fit is looked at more closely
CLOSED_TREES = 4  # heaviest trees that get closing runs
MOST_CLOSED = 400


def log_prior_of(h: Hypotheses, setting: Setting, stratum: Stratum) -> Floats:
    """Log prior weight of hypotheses of one stratum, and of what was found with the power off."""
    n, prior = len(stratum.places), setting.tree_prior
    if stratum.kind is Kind.CLOSED and not stratum.ring:
        shape = log_shape(h.masks, h.home, n, prior) - np.log(n * (n - 1) / 2)
    elif stratum.kind is Kind.CLOSED:
        shape = log_ring_shape(h.masks, h.home, h.near, n, prior)
        alone = ((h.masks & h.near[:, None]) == h.near[:, None]).sum(axis=1) < 2
        shape = np.where(alone, -1e6, shape)
    else:
        shape = log_shape(h.masks, h.home, n, prior)
    found = setting.isolation.log_weight(h.masks, stratum.away)
    result: Floats = stratum.log_prior + shape + found
    return result


def improved(ensemble: Ensemble, setting: Setting, stratum: Stratum) -> Ensemble:
    """Take the heaviest trees apart and keep what matters of what can be put together again.

    Rounds go on while they find heavier trees or trees of like weight, ``ROUNDS`` at most.
    """
    n = max(stratum.places) + 1
    expanded: set[bytes] = set()
    looked_at = set(_rows(ensemble.hypotheses, n))
    for _ in range(ROUNDS):
        score = ensemble.log_prior + ensemble.log_evidence
        total = float(np.logaddexp.reduce(ensemble.log_weight))
        rows = _rows(ensemble.hypotheses, n)
        front = [
            int(i)
            for i in np.argsort(-score, kind="stable")[:FRONT]
            if score[i] > total - REACH and rows[i] not in expanded
        ]
        if not front:
            break
        expanded |= {rows[i] for i in front}
        whole = ensemble.hypotheses.take(np.array(front))
        whole = replace(whole, masks=padded(whole.masks, n), home=homes(padded(whole.masks, n)))
        tried = list(moves(whole, stratum, setting.tree_prior))
        if not tried:
            break
        every = _worthwhile(tried, setting, stratum, total)
        keys = _rows(every, n)
        first = [i for i, key in enumerate(keys) if keys.index(key) == i and key not in looked_at]
        looked_at |= set(keys)
        if not first:
            continue
        every = every.take(np.array(first))
        log_prior = log_prior_of(every, setting, stratum)
        evidence, badness = weigh(every, setting.known)
        good = log_prior + evidence > total - REACH
        if good.any():
            more = Ensemble(
                every.take(good),
                log_prior[good],
                evidence[good],
                np.zeros(int(good.sum())),
                badness[good],
                ensemble.complete,
            )
            ensemble = Ensemble.joined([ensemble, more])
    return ensemble


def _rows(h: Hypotheses, n: int) -> list[bytes]:
    """A key for each hypothesis, the same for equal ones."""
    ends = np.stack([h.kind, h.near, h.far], axis=1)
    return [row.tobytes() for row in np.concatenate([padded(h.masks, n), ends], axis=1)]


@dataclass(frozen=True, slots=True)
class Move:
    """Something cut off some trees, and all trees that come of putting it back.

    Attributes:
        cut: Bits of what was cut off.
        bare: The trees without it.
        grown: The trees with it, grown from these; runs inside the part are new ones.
        trees: The same with their conditions.
    """

    cut: int
    bare: Hypotheses
    grown: Grown
    trees: Hypotheses


def moves(h: Hypotheses, stratum: Stratum, tree_prior: TreePrior) -> Iterator[Move]:
    """Each receptacle, and each part behind a run, cut off and put back everywhere.

    The ends of another path stay where they are, but for a ring's last point: the path then ends at
    the one before it.
    """
    n = len(stratum.places)
    for bit in stratum.places:
        bare = replace(h, masks=without(h.masks, bit))
        bare = replace(bare, home=homes(bare.masks))
        own = h.paths & ((h.near | h.far) & (1 << bit) != 0)
        if own.any():
            bare = _shortened(h, bare, bit) if stratum.kind is Kind.CLOSED else bare.take(~own)
        if len(bare) and bare.masks.any():
            grown, near = grow_under(bare, bit, n, tree_prior)
            trees = Hypotheses(
                grown.masks, grown.home, bare.kind[grown.origin], near, bare.far[grown.origin]
            )
            yield Move(1 << bit, bare, grown, trees)
    everything = sum(1 << i for i in stratum.places)
    sizes = np.bitwise_count(h.masks)
    for cut in np.unique(h.masks[(sizes > 1) & (h.masks != everything)]):
        having = (h.masks == cut).any(axis=1)
        if h.paths.any():
            having &= ((h.near | h.far) & cut) == 0
        if having.any():
            yield _part_moved(h.take(having), int(cut), n, tree_prior, max(stratum.places) + 1)


def _shortened(h: Hypotheses, bare: Hypotheses, bit: int) -> Hypotheses:
    """Rings without their last point, closed from the receptacle before it where there is one."""
    end = np.int64(1 << bit)
    near, good = h.near.copy(), np.ones(len(h), dtype=bool)
    for t in np.flatnonzero(((h.near | h.far) & end) != 0):
        masks = h.masks[t]
        own = int(masks[(masks & end) != 0].min())
        outer = masks[((masks & end) != 0) & (masks != own)]
        good[t] = own == end and h.near[t] == end and len(outer) > 0
        if good[t]:
            inner = masks[(masks & outer.min()) == masks]
            named = int(outer.min()) & ~int(
                np.bitwise_or.reduce(np.where(inner < outer.min(), inner, 0))
            )
            good[t] = named != 0
            near[t] = named
    return replace(bare, near=near).take(good)


def _part_moved(h: Hypotheses, cut: int, n: int, tree_prior: TreePrior, stand_in_bit: int) -> Move:
    """Cut off what is behind run ``cut`` of each tree and put it on everywhere.

    The part travels as one stand-in receptacle and is unpacked where it arrives.
    """
    masks = h.masks
    part = (masks & cut) == masks
    inner = np.where(part & (masks != cut), masks, 0)
    bare_masks = distinct(np.where(part, 0, masks & ~np.int64(cut)))
    bare = replace(h, masks=bare_masks, home=homes(bare_masks))
    grown = grow(bare.masks, bare.home, stand_in_bit, n + 1, tree_prior)
    stand_in = np.int64(1) << np.int64(stand_in_bit)
    outer = np.where((grown.masks & stand_in) != 0, grown.masks & ~stand_in | cut, grown.masks)
    inside = inner[grown.origin]
    unpacked = replace(
        grown,
        masks=np.concatenate([outer, inside], axis=1),
        home=np.concatenate([grown.home, np.zeros_like(inside, dtype=bool)], axis=1),
    )
    o = grown.origin
    trees = Hypotheses(unpacked.masks, unpacked.home, h.kind[o], h.near[o], h.far[o])
    return Move(cut, bare, unpacked, trees)


def _worthwhile(
    tried: Sequence[Move], setting: Setting, stratum: Stratum, total: float
) -> Hypotheses:
    """Trees of some moves that may matter beside trees of log weight ``total``."""
    known, n = setting.known, max(stratum.places) + 1
    sizes = [len(move.bare) for move in tried]
    touched = np.array([(known.tests.places() & move.cut) != 0 for move in tried])
    bare = Hypotheses.joined([move.bare for move in tried])
    evidence, runs = nearly_weighed(bare, known, np.repeat(~touched, sizes, axis=0))
    found = []
    for k, move in enumerate(tried):
        rows = sum(sizes[:k]) + np.arange(sizes[k])
        masks = padded(move.trees.masks, n)
        tidy = replace(move.trees, masks=masks, home=homes(masks))
        prior = log_prior_of(tidy, setting, stratum)
        least = total - REACH - PREDICTED_U - evidence[rows][move.grown.origin] - prior
        guess = predicted(runs.take(rows), move.trees, move.grown, known.only(touched[k]))
        found.append(tidy.take(guess > least))
    return Hypotheses.joined(found)


def padded(masks: Masks, n: int) -> Masks:
    """Runs in one order and one width, so that equal trees are equal rows."""
    ordered = -np.sort(-masks, axis=1)[:, : 2 * n]
    return np.pad(ordered, ((0, 0), (0, 2 * n - ordered.shape[1])))


def closed_between_points(
    ensemble: Ensemble, setting: Setting, log_prior: float, places: tuple[int, ...], total: float
) -> Ensemble | None:
    """The heaviest trees with one more run between any two of their points.

    Rings that start at the panel have a search of their own and are left out here. ``None`` where
    they would not matter even if a few of the runs explained all that these trees do not.
    """
    found = []
    sound = np.flatnonzero(ensemble.hypotheses.kind == Kind.SOUND)
    heavy = sound[np.argsort(-ensemble.weights[sound], kind="stable")[:CLOSED_TREES]]
    at_most = np.logaddexp.reduce(ensemble.log_weight[heavy] + ensemble.badness[heavy]) + log_prior
    if at_most + np.log(4 / len(places)) < total - MATTERS:  # 2 n of n^2 / 2 pairs
        return None
    for row in heavy:
        points = [int(mask) for mask in ensemble.masks[row] if mask]
        pairs = [
            (_bits_to(a, points), _bits_to(b, points))
            for i, a in enumerate(points)
            for b in points[:i]
            if not _neighbours(ensemble.masks[row], a, b)
        ][: MOST_CLOSED // CLOSED_TREES]
        if pairs:
            one = ensemble.hypotheses.take(np.full(len(pairs), row))
            near, far = np.array(pairs, dtype=np.int64).T
            found.append(replace(one, kind=np.full(len(one), int(Kind.CLOSED)), near=near, far=far))
    if not found:
        return None
    every = Hypotheses.joined(found)
    stratum = Stratum(Kind.CLOSED, None, log_prior, places, ring=False)
    prior = log_prior_of(every, setting, stratum)
    nearly = prior + nearly_weighed(every, setting.known)[0]
    close = nearly > nearly.max() - NEARLY_U
    every, prior = every.take(close), prior[close]
    evidence, badness = weigh(every, setting.known)
    first = Ensemble(every, prior, evidence, np.zeros(len(every)), badness, False)
    if np.logaddexp.reduce(first.log_weight) < total - REACH:
        return first
    return improved(first, setting, stratum)


def _bits_to(point: int, points: list[int]) -> int:
    """Fewest bits that tell the way to a point: its receptacle, or one of two of its branches."""
    beyond = [m for m in points if m & point == m and m != point]
    inside = point
    for m in beyond:
        inside &= ~m
    if inside:
        return inside
    branches = [m for m in beyond if not any(m & o == m and m != o for o in beyond)]
    return sum(m & -m for m in branches[:2])


def _neighbours(masks: Masks, a: int, b: int) -> bool:
    """Whether one of two points is fed straight from the other."""
    if a & b not in (a, b):
        return False
    outer, inner = max(a, b), min(a, b)
    between = (masks & inner == inner) & (masks & outer == masks) & (masks != outer)
    return int((between & (masks != inner)).sum()) == 0
