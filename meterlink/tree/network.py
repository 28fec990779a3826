"""A wiring with one second path: points, the runs between them, and the ring that they make.

A network here has as many runs as points besides the panel, plus one; it holds just one ring.
Taking any run of the ring away leaves a tree, so it is also told by a tree and one closing run.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.tree_prior import TreePrior
from meterlink.tree.trees import Flags, Floats, Masks, bits_of

PANEL = 0  # receptacle ``i`` is the point ``i + 1``, splices are negative
Run = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Network:
    """Runs between points, each a pair in ascending order."""

    runs: frozenset[Run]

    @classmethod
    def of(cls, runs: Iterable[Run]) -> "Network":
        """Runs in either direction."""
        return cls(frozenset((min(a, b), max(a, b)) for a, b in runs))

    def neighbours(self) -> dict[int, list[int]]:
        """For each point the points that runs lead to, in a fixed order."""
        found: dict[int, list[int]] = {}
        for a, b in sorted(self.runs):
            found.setdefault(a, []).append(b)
            found.setdefault(b, []).append(a)
        return found

    def ring(self) -> list[int]:
        """Points once round, from the one nearest to the panel; empty where there is no ring."""
        beside = {point: set(others) for point, others in self.neighbours().items()}
        ends = [point for point, others in beside.items() if len(others) == 1]
        while ends:  # what is left when every loose end is taken off, again and again
            end = ends.pop()
            for other in beside.pop(end):
                beside[other].discard(end)
                if len(beside[other]) == 1:
                    ends.append(other)
        beside = {point: others for point, others in beside.items() if others}
        if not beside:
            return []
        start = self._nearest(set(beside))
        round_trip = [start, min(beside[start])]
        while True:
            onward = beside[round_trip[-1]] - {round_trip[-2]}
            point = min(onward)
            if point == start:
                return round_trip
            round_trip.append(point)

    def _nearest(self, wanted: set[int]) -> int:
        """The one of some points that is the fewest runs from the panel."""
        beside = self.neighbours()
        level, seen = [PANEL], {PANEL}
        while level:
            here = wanted.intersection(level)
            if here:
                return min(here)
            level = [q for p in level for q in beside.get(p, []) if q not in seen]
            seen.update(level)
        return min(wanted)

    def rooted(self) -> dict[int, int]:
        """For each point the one that feeds it, on a walk from the panel that closes no ring."""
        beside = self.neighbours()
        feeds: dict[int, int] = {}
        stack = [PANEL]
        while stack:
            point = stack.pop()
            for other in beside.get(point, []):
                if other != PANEL and other not in feeds:
                    feeds[other] = point
                    stack.append(other)
        return feeds


def tree_network(masks: Sequence[int]) -> tuple[Network, dict[int, int]]:
    """A tree of masks as a network, and the mask of the run that feeds each point."""
    own: dict[int, int] = {}
    runs = []
    inner_first = sorted((m for m in masks if m), key=lambda m: m.bit_count())
    named: set[int] = set()
    for k, mask in enumerate(inner_first):
        fresh = [b for b in bits_of(mask) if b not in named]
        point = fresh[0] + 1 if fresh else -1 - k
        named.update(bits_of(mask))
        own[point] = mask
    at = {mask: point for point, mask in own.items()}
    for mask, point in at.items():
        outer = [m for m in at if m & mask == mask and m != mask]
        runs.append((at[min(outer, key=lambda m: m.bit_count())] if outer else PANEL, point))
    return Network.of(runs), own


def closed(tree: Network) -> Iterator[Network]:
    """Every network that one more run makes of a tree."""
    points = sorted({p for run in tree.runs for p in run})
    for run in combinations(points, 2):
        if run not in tree.runs:
            yield Network(tree.runs | {run})


@dataclass(frozen=True, slots=True)
class Layout:
    """A network as a tree and one run that closes its ring.

    Attributes:
        runs: Runs of the tree, each from the point that feeds to the point that is fed.
        beyond: Receptacles beyond each of them, as bits.
        between: For each of them 1 on the way to one end of the closing run, -1 on the way to the
            other, 0 on both or none.
        closing: The closing run; ``None`` on a tree.
    """

    runs: tuple[Run, ...]
    beyond: tuple[int, ...]
    between: tuple[int, ...]
    closing: Run | None


def layout(network: Network) -> Layout:
    """The tree that a walk from the panel finds, and the run that it leaves out."""
    feeds = network.rooted()
    beyond = dict.fromkeys(feeds, 0)
    for receptacle in (point for point in feeds if point > 0):
        for at in _way(feeds, receptacle):
            beyond[at] |= 1 << (receptacle - 1)
    left = network.runs - {(min(p, q), max(p, q)) for p, q in feeds.items()}
    closing = min(left) if left else None
    ends = [set(_way(feeds, end)) for end in closing] if closing else [set[int](), set[int]()]
    order = sorted(beyond, key=lambda point: -beyond[point])
    return Layout(
        tuple((feeds[point], point) for point in order),
        tuple(beyond[point] for point in order),
        tuple((point in ends[0]) - (point in ends[1]) for point in order),
        closing,
    )


def _way(feeds: dict[int, int], point: int) -> Iterator[int]:
    """Points from one back to the panel, the panel left out."""
    while point != PANEL:
        yield point
        point = feeds[point]


@dataclass(frozen=True, slots=True)
class Looped:
    """``N`` networks as arrays: trees of ``E`` runs, each with one closing run.

    Attributes:
        masks: Receptacles beyond each run of the tree, 0 where there is none, ``(N, E)``.
        home: Whether it starts at the panel; one column more, for the closing run.
        between: As in ``Layout``, ``(N, E)``.
    """

    masks: Masks
    home: Flags
    between: Floats

    @classmethod
    def of(cls, networks: Sequence[Network]) -> "Looped":
        """Arrays of networks, in their order."""
        layouts = [layout(network) for network in networks]
        shape = len(layouts), max(len(one.runs) for one in layouts)
        masks = np.zeros(shape, dtype=np.int64)
        home = np.zeros((shape[0], shape[1] + 1), dtype=bool)
        between = np.zeros(shape)
        for k, one in enumerate(layouts):
            runs = len(one.runs)
            masks[k, :runs] = one.beyond
            home[k, :runs] = [PANEL in run for run in one.runs]
            home[k, -1] = one.closing is not None and PANEL in one.closing
            between[k, :runs] = one.between
        return cls(masks, home, between)

    @classmethod
    def trees(cls, masks: Masks, home: Flags) -> "Looped":
        """Trees without a closing run."""
        none = np.zeros((len(masks), 1), dtype=bool)
        return cls(masks, np.concatenate([home, none], axis=1), np.zeros(masks.shape))

    def __len__(self) -> int:
        return len(self.masks)

    def part(self, rows: NDArray[np.intp]) -> "Looped":
        """Some of the networks."""
        return Looped(self.masks[rows], self.home[rows], self.between[rows])


def log_shape_of(network: Network, n: int, prior: TreePrior) -> float:
    """Log prior weight of a network's shape, on the scale of ``trees.log_shape``.

    Forks and splices weigh as in a tree. A ring from the panel back to the panel is the usual way
    to build one, and its second home run is no fork; a closing run elsewhere is one of as many as
    there are pairs of points. What branches off the ring itself says nothing of how often trees
    branch.
    """
    ring = frozenset(network.ring())
    through_panel = PANEL in ring
    total = 0.0 if through_panel else -float(np.log(n * (n + 1) / 2))
    branches = 0
    for point, others in network.neighbours().items():
        degree = len(others)
        if point == PANEL:
            more = max(degree - (2 if through_panel else 1), 0)
            total += more * prior.log_panel_fork()
        elif point > 0:
            more = max(degree - 2, 0)
            total += more * prior.log_fork(n)
        else:
            more = max(degree - 2, 0)
            total += (more - 1) * prior.log_fork(n) + prior.log_splice(n)
        branches += more * (point not in ring)
    return total + float(prior.log_branches(n)[min(branches, n)])


def log_shapes(networks: Sequence[Network], n: int, prior: TreePrior) -> Floats:
    """The same for many."""
    return np.array([log_shape_of(network, n, prior) for network in networks])


def without_point(network: Network, point: int) -> Network | None:
    """The network with a receptacle taken off; ``None`` where others hang on it."""
    runs = set(network.runs)
    beside = network.neighbours()[point]
    if len(beside) > 2:
        return None
    runs -= {(min(point, q), max(point, q)) for q in beside}
    if len(beside) == 2:
        joined = (min(beside), max(beside))
        if joined in runs:
            return None
        runs.add(joined)
    elif beside[0] < 0:  # a splice that may have one onward run left
        splice = beside[0]
        rest = [a + b - splice for a, b in runs if splice in (a, b)]
        if len(rest) == 2:
            runs -= {(min(splice, q), max(splice, q)) for q in rest}
            joined = (min(rest), max(rest))
            if joined in runs:
                return None
            runs.add(joined)
    return Network(frozenset(runs))


def with_point(network: Network, point: int) -> Iterator[Network]:
    """The network with a receptacle put on in every possible way."""
    points = sorted({p for run in network.runs for p in run})
    for at in points:
        yield Network.of([*network.runs, (at, point)])
    splice = min(*points, 0) - 1
    for run in sorted(network.runs):
        rest = network.runs - {run}
        parted = [(run[0], point), (point, run[1])]
        yield Network.of([*rest, *parted])
        yield Network.of([*rest, (run[0], splice), (splice, run[1]), (splice, point)])
    for at in (p for p in points if p < 0):
        yield Network.of(
            (point if a == at else a, point if b == at else b) for a, b in network.runs
        )


def moved(network: Network, n: int) -> Iterator[Network]:
    """Networks that differ by the place of one receptacle."""
    for receptacle in range(1, n + 1):
        bare = without_point(network, receptacle)
        if bare is not None:
            yield from with_point(bare, receptacle)
