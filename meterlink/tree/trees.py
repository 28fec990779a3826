"""Wiring trees as sets of bit masks, many at a time.

A run is told by the receptacles that are beyond it: bit ``i`` of its mask is set where receptacle
``i`` gets its power through that run. The masks of one tree are nested or disjoint and all
different, and they say everything: the run that feeds receptacle ``i`` is the smallest mask with
bit ``i``, a mask that is just the union of smaller ones ends in a splice, and whether a run is on
the way of a test's current is a question about its mask alone. So thousands of trees are one
array of integers, and growing them is arithmetic on it.

Arrays of trees have the shape ``(trees, runs)``, zero where a tree has fewer runs.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import lgamma

import numpy as np
from numpy.typing import NDArray

from meterlink.assumptions import USUAL, Shapes

Masks = NDArray[np.int64]
Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TreePrior:
    """Weights of shapes, relative to a plain chain.

    A chain is the most common, a fork at a receptacle less, a hidden splice or a second home run
    least (common practice). For each chain of ``n`` receptacles there are about ``n**2 / 4`` trees
    with one fork at a receptacle, as many with one splice, and ``(n - 1) / 2`` with two home runs;
    people make so many of each for a receptacle, however many receptacles there are. So the weight
    of a fork or splice is its rate times ``4 / n``, that of a home run twice its rate; a splice in
    the home run weighs more than others. How often electricians branch differs from house to house:
    a few rates are mixed, and a log that shows branches makes more of them believable. Each rate
    has its own number of trees, weighed; dividing by it keeps the mixture a probability. The sums
    over all trees come from the exponential generating function of labelled trees (Flajolet and
    Sedgewick, Analytic Combinatorics 2009, II.5), with a weight for each branch.
    """

    shapes: Shapes = USUAL.shapes

    def log_fork(self, n: int) -> float:
        """Log weight of one more branch at a receptacle or splice, ``n`` receptacles in all."""
        return float(np.log(self.shapes.forks * 4 / n))

    def log_splice(self, n: int) -> float:
        """Log weight of one splice with two onward runs."""
        return float(np.log(self.shapes.splices * 4 / n))

    def log_home_splice(self) -> float:
        """What a splice weighs more where its feed comes straight from the panel."""
        return float(np.log(self.shapes.home_splice))

    def log_panel_fork(self) -> float:
        """Log weight of one more run that starts at the panel."""
        return float(np.log(self.shapes.panel_forks * 2))

    def log_branches(self, n: int) -> Floats:
        """What the mixture of rates adds for 0, 1, ... ``n`` branches; all trees add up to 1."""
        return _log_branches(self, n, ring=False)

    def log_ring_branches(self, n: int) -> Floats:
        """The same for rings from the panel back to the panel with all that branches off them."""
        return _log_branches(self, n, ring=True)


@lru_cache(maxsize=128)
def _log_branches(prior: TreePrior, n: int, *, ring: bool) -> Floats:
    shapes = prior.shapes
    rates = np.array(shapes.rates)
    log_weight = -0.5 * (np.log(rates / shapes.rate_median) / shapes.rate_log_sd) ** 2
    log_weight -= np.logaddexp.reduce(log_weight)
    log_weight -= [log_total(prior, n, rate, ring=ring) for rate in shapes.rates]
    table: Floats = np.logaddexp.reduce(
        log_weight + np.arange(n + 2)[:, None] * np.log(rates), axis=1
    )
    table.setflags(write=False)
    return table


def log_total(prior: TreePrior, n: int, rate: float, *, ring: bool = False) -> float:
    """Log of the sum of the weights of all trees or rings of ``n`` receptacles at one rate.

    With ``f``, ``s``, ``p`` and ``h`` the weights of a fork, a splice, a panel fork and what a home
    splice weighs more, what is behind a run has the generating function ``F = x (1 + (e^fF - 1) /
    f) + s (e^fF - 1 - fF) / f^2``, behind a home run the same with ``h s``, and the whole tree
    ``(e^pF - 1) / p``. With all weights 1 this counts OEIS A005263(n + 1). What is on a ring has
    ``R = x e^fF + s (e^fF - 1) / f``, and the rings ``e^pF R^2 / (1 - R)``, each in both directions
    with half its weight.
    """
    fork, splice, panel = (
        rate * np.exp(log)
        for log in (prior.log_fork(n), prior.log_splice(n), prior.log_panel_fork())
    )
    behind = np.zeros(n + 1)
    home = behind
    for _ in range(n):  # each round makes one more coefficient right
        grown = _exp(fork * behind)
        grown[0] -= 1
        ends = grown / fork
        ends[0] += 1
        joined = splice * (grown - fork * behind) / fork**2
        named = np.append(0.0, ends[:-1])
        behind, home = named + joined, named + prior.shapes.home_splice * joined
    if not ring:
        return float(np.log(_exp(panel * home)[n] / panel) + lgamma(n + 1))
    spurs = _exp(fork * behind)
    on_ring = np.append(0.0, spurs[:-1]) + splice / fork * (spurs - np.eye(1, n + 1)[0])
    power, total = on_ring, np.zeros(n + 1)
    for _ in range(n):
        power = np.convolve(power, on_ring)[: n + 1]
        total = total + power
    count = max(float(np.convolve(_exp(panel * home), total)[n]), 1e-300)
    return float(np.log(count / 2) + lgamma(n + 1))


def _exp(series: Floats) -> Floats:
    """Exponential of a power series without constant term: ``E' = S' E``."""
    slope = series * np.arange(len(series))
    result = np.zeros_like(series)
    result[0] = 1.0
    for k in range(1, len(series)):
        result[k] = slope[1 : k + 1] @ result[k - 1 :: -1][:k] / k
    return result


@dataclass(frozen=True, slots=True)
class Grown:
    """Trees after one more receptacle was put on.

    Attributes:
        masks: Masks of the new trees, two columns wider than before.
        home: Which runs start at the panel.
        origin: Row of the tree that each was grown from.
        split: Column of the run that was divided, whose nearer part is in the first new column;
            -1 where none was.
        before: Number of columns of the old tree; they come first, in their places.
        log_prior_ratio: Log of the new tree's prior weight over the old one's.
    """

    masks: Masks
    home: Flags
    origin: NDArray[np.intp]
    split: NDArray[np.intp]
    before: int
    log_prior_ratio: Floats


def single(bit: int) -> tuple[Masks, Flags]:
    """The one tree with one receptacle, as masks and home flags of shape ``(1, 1)``."""
    return np.array([[1 << bit]], dtype=np.int64), np.array([[True]])


def is_splice(masks: Masks) -> Flags:
    """Which runs end in a splice: their mask is the union of smaller masks of the same tree."""
    part = (masks[:, :, None] & masks[:, None, :]) == masks[:, None, :]
    smaller = part & (masks[:, :, None] != masks[:, None, :])
    union = np.bitwise_or.reduce(np.where(smaller, masks[:, None, :], 0), axis=2)
    result: Flags = (masks != 0) & (union == masks)
    return result


def grow(masks: Masks, home: Flags, bit: int, n: int, prior: TreePrior) -> Grown:
    """Put receptacle ``bit`` on every tree in every possible way, each result exactly once.

    The ways are: as a leaf at any point, in line on a run, through a new splice on a run, or as
    the receptacle that an existing splice turns out to be.

    Args:
        masks: Trees, shape ``(trees, runs)``; none has ``bit`` yet.
        home: Which runs start at the panel, same shape.
        bit: Index of the new receptacle.
        n: Number of receptacles of the finished circuit, for the prior.
        prior: Weights of shapes.
    """
    runs = masks.shape[1]
    new = np.int64(1) << np.int64(bit)
    exists = masks != 0
    # above[t, e, f]: run f is on the way to run e or is e itself
    above = ((masks[:, :, None] & masks[:, None, :]) == masks[:, :, None]) & exists[:, None, :]
    itself = np.eye(runs, dtype=bool)[None]
    through = np.where(above, masks[:, None, :] | new, masks[:, None, :])
    beyond = np.where(above & ~itself, masks[:, None, :] | new, masks[:, None, :])
    splice = is_splice(masks)
    leaf = exists & ((masks & (masks - 1)) == 0)  # each branch has made one more of them
    rates = prior.log_branches(n)
    branches = leaf.sum(axis=1) - 1
    one_more = (rates[branches + 1] - rates[branches])[:, None]
    forked, spliced = prior.log_fork(n) + one_more, prior.log_splice(n) + one_more
    at_home = np.where(home, prior.log_home_splice(), 0.0)
    no_more = -np.where(splice, at_home, 0.0)  # a splice that is no longer the first point

    none, lone = np.zeros_like(masks), np.full_like(masks, new)
    no_home = np.zeros_like(home)
    same_home = np.broadcast_to(home[:, None, :], above.shape)
    divided_home = same_home & ~itself
    named = no_more + prior.log_fork(n) - prior.log_splice(n)
    return together(
        [
            _at_panel(masks, home, new, prior.log_panel_fork() + one_more[:, 0]),
            _way(through, same_home, (lone, none), no_home, exists, np.where(leaf, 0.0, forked)),
            _way(beyond, divided_home, (masks | new, none), home, exists, no_more, divided=True),
            _way(
                beyond,
                divided_home,
                (masks | new, lone),
                home,
                exists,
                at_home + no_more + spliced,
                divided=True,
            ),
            _way(through, same_home, (none, none), no_home, splice, named),
        ]
    )


def _at_panel(masks: Masks, home: Flags, new: np.int64, log_ratio: Floats) -> Grown:
    """Every tree with one more home run."""
    trees, runs = masks.shape
    pad = ((0, 0), (0, 2))
    grown, own = np.pad(masks, pad), np.pad(home, pad)
    grown[:, runs], own[:, runs] = new, True
    return Grown(grown, own, np.arange(trees), np.full(trees, -1), runs, log_ratio)


def _way(
    body: Masks,
    body_home: Flags,
    tail: tuple[Masks, Masks],
    tail_home: Flags,
    which: Flags,
    log_ratio: Floats,
    *,
    divided: bool = False,
) -> Grown:
    """The trees grown at each run ``e`` of each tree ``t`` where ``which[t, e]``.

    Args:
        body: The old runs then, shape ``(trees, runs, runs)``.
        body_home: Which of them start at the panel, same shape.
        tail: The two new ones, zero where there is none, each ``(trees, runs)``.
        tail_home: Whether the first of them starts at the panel.
        which: Where it can be done.
        log_ratio: Log of the prior weight's change.
        divided: The first new one is the nearer part of run ``e``.
    """
    t, e = np.nonzero(which)
    ends = np.stack([tail_home[t, e], np.zeros(len(t), dtype=bool)], axis=1)
    return Grown(
        np.concatenate([body[t, e], np.stack([tail[0][t, e], tail[1][t, e]], axis=1)], axis=1),
        np.concatenate([body_home[t, e], ends], axis=1),
        t,
        e if divided else np.full_like(e, -1),
        body.shape[2],
        log_ratio[t, e],
    )


def together(ways: Sequence[Grown]) -> Grown:
    """All of them, one after another."""
    masks, home, origin, split, ratio = (
        np.concatenate([getattr(way, name) for way in ways])
        for name in ("masks", "home", "origin", "split", "log_prior_ratio")
    )
    return Grown(masks, home, origin, split, ways[0].before, ratio)


def squeeze(masks: Masks, home: Flags) -> tuple[Masks, Flags]:
    """Order the runs of each tree, largest mask first, and drop columns that no tree uses."""
    order = np.argsort(-masks, axis=1, kind="stable")
    masks = np.take_along_axis(masks, order, axis=1)
    home = np.take_along_axis(home, order, axis=1)
    width = max(1, int((masks != 0).sum(axis=1).max(initial=1)))
    return masks[:, :width], home[:, :width]


def homes(masks: Masks) -> Flags:
    """Which runs start at the panel: those that no other run of the tree leads to."""
    inside = (masks[:, :, None] & masks[:, None, :]) == masks[:, :, None]
    inside &= masks[:, :, None] != masks[:, None, :]
    result: Flags = (masks != 0) & ~inside.any(axis=2)
    return result


def log_shape(masks: Masks, home: Flags, n: int, prior: TreePrior) -> Floats:
    """Log prior weight of each tree's shape, shape ``(trees,)``."""
    inside = (masks[:, :, None] & masks[:, None, :]) == masks[:, None, :]
    inside &= (masks[:, :, None] != masks[:, None, :]) & (masks != 0)[:, None, :]
    size = np.bitwise_count(masks).astype(np.int64)
    # parent of run f: the smallest run that holds it
    holder = np.where(inside, size[:, :, None], np.iinfo(np.int64).max)
    parent = holder.argmin(axis=1)
    has_parent = (masks != 0) & ~home
    children = np.zeros(masks.shape, dtype=np.int64)
    t, f = np.nonzero(has_parent)
    np.add.at(children, (t, parent[t, f]), 1)
    splice = is_splice(masks)
    branches = np.where(splice, np.maximum(children - 2, 0), np.maximum(children - 1, 0))
    leaves = ((masks != 0) & (masks & (masks - 1) == 0)).sum(axis=1)
    result: Floats = (
        prior.log_branches(n)[leaves - 1]
        + branches.sum(axis=1) * prior.log_fork(n)
        + splice.sum(axis=1) * prior.log_splice(n)
        + (splice & home).sum(axis=1) * prior.log_home_splice()
        + np.maximum(home.sum(axis=1) - 1, 0) * prior.log_panel_fork()
    )
    return result


def log_ring_shape(masks: Masks, home: Flags, end: Masks, n: int, prior: TreePrior) -> Floats:
    """Log prior weight of trees closed to rings by a run from a point back to the panel.

    A ring is here once in each direction, each with half its weight; one of a single point is none.

    Args:
        masks: The trees.
        home: Which runs start at the panel.
        end: For each a mask that just the runs on the way to its ring's last point contain.
        n: Number of receptacles.
        prior: Weights of shapes.
    """
    on_ring = (masks & end[:, None]) == end[:, None]
    own = np.where(on_ring, masks, np.iinfo(np.int64).max).min(axis=1)
    beyond = ((masks & own[:, None]) == masks) & (masks != 0) & (masks < own[:, None])
    more = beyond.any(axis=1)  # something hangs on the last point: a spur of the ring
    leaves = ((masks != 0) & (masks & (masks - 1) == 0)).sum(axis=1)
    first_splice = (is_splice(masks) & home & on_ring).any(axis=1)
    result: Floats = (
        log_shape(masks, home, n, prior)
        - prior.log_branches(n)[leaves - 1]
        + prior.log_ring_branches(n)[leaves - 1 + more]
        + more * prior.log_fork(n)
        - first_splice * prior.log_home_splice()
        - np.log(2)
    )
    return result


def without(masks: Masks, bit: int) -> Masks:
    """Take receptacle ``bit`` off every tree; splices left with one onward run go too."""
    kept = masks & ~(np.int64(1) << np.int64(bit))
    return distinct(kept)


def distinct(masks: Masks) -> Masks:
    """Each run of each tree once, largest first: a splice with one onward run left is none."""
    ordered = -np.sort(-masks, axis=1)
    repeated = np.zeros_like(ordered, dtype=bool)
    repeated[:, 1:] = ordered[:, 1:] == ordered[:, :-1]
    result: Masks = -np.sort(-np.where(repeated, 0, ordered), axis=1)
    return result


def every_tree(n: int, prior: TreePrior | None = None) -> tuple[Masks, Flags, Floats]:
    """All trees of ``n`` receptacles with the logs of their prior probabilities.

    Their number is OEIS A005263(n + 1): 1, 4, 32, 396, 6692, 143816 for 1 to 6.
    """
    prior = prior or TreePrior()
    masks, home = single(0)
    log_prior = prior.log_branches(n)[:1]
    for bit in range(1, n):
        grown = grow(masks, home, bit, n, prior)
        log_prior = log_prior[grown.origin] + grown.log_prior_ratio
        masks, home = squeeze(grown.masks, grown.home)
    return masks, home, log_prior


def clades(masks: Masks, n: int) -> Masks:
    """For each tree and receptacle the receptacles that it feeds, itself among them.

    Shape ``(trees, n)``. Equal rows mean the same order among receptacles (who feeds whom),
    whatever the splices.
    """
    result = np.zeros((len(masks), n), dtype=np.int64)
    for i in range(n):
        bit = np.int64(1) << np.int64(i)
        having = np.where((masks & bit) != 0, masks, np.iinfo(np.int64).max)
        result[:, i] = having.min(axis=1)  # nested masks: the smallest number is the inner one
    return result


def bits_of(mask: int) -> tuple[int, ...]:
    """Indices of the receptacles in a mask, ascending."""
    return tuple(i for i in range(mask.bit_length()) if mask >> i & 1)
