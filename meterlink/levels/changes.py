"""Changes in the readings of a test, when they came, and which readings belong to a level.

The changes are an exact optimal partition into constant levels. Readings are averaged in blocks of
half a second, brought to a scale on which their noise is 1, and cut where the sum of squares about
the levels, plus a penalty for each change, is least: over all cuts there are, not a greedy one
(Jackson et al. 2005, "An algorithm for optimal partitioning of data on an interval"; the pruning is
that of Killick, Fearnhead and Eckley 2012). A new reading costs one pass over the cuts that may
still win, because what went before does not change.

The scale is linear near zero and logarithmic far from it: a heater's current sags by some per cent
after switching, and with it the drop, so that the "noise" of a large level grows with the level.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from meterlink.assumptions import USUAL, Levels
from meterlink.levels.statistics import Floats, difference_sd, display_sd, robust_center
from meterlink.levels.trace import Samples, State

FEW = 5  # readings that a stage needs at least
STEP_SDS = 8.0  # a reading that differs by so many spreads has left its level


class Partition:
    """The best partition of a series with noise 1 into constant levels, value by value.

    Args:
        penalty: What a change must take off the sum of squares to be worth it.

    Example:
        >>> one = Partition(penalty=10.0)
        >>> one.extend([0.1, -0.1, 0.0, 9.0, 9.1])
        >>> one.starts()
        [0, 3]
    """

    def __init__(self, penalty: float) -> None:
        self._penalty = penalty
        self._values: list[float] = []
        self._sums, self._squares = np.zeros(64), np.zeros(64)
        self._best = np.zeros(64)
        self._best[0] = -penalty
        self._last: list[int] = [0]
        self._open = np.array([0], dtype=np.intp)

    def __len__(self) -> int:
        return len(self._values)

    def extend(self, values: "Floats | list[float]") -> None:
        """Take further values; each costs one pass over the cuts that may still win."""
        for value in values:
            self._add(float(value))

    def begins_with(self, values: Floats) -> bool:
        """Whether the values taken so far are the first of these."""
        n = len(self)
        return n <= values.size and self._values == values[:n].tolist()

    def starts(self, more: Floats | None = None) -> list[int]:
        """Index of the first value of each level.

        Args:
            more: Values that follow, but may still change: they are looked at and not kept.
        """
        if more is not None and more.size:
            ahead = self._copy()
            ahead.extend(more)
            return ahead.starts()
        found, k = [], len(self)
        while k > 0:
            k = self._last[k]
            found.append(k)
        return found[::-1]

    def _copy(self) -> "Partition":
        other = Partition(self._penalty)
        other._values, other._last = list(self._values), list(self._last)
        other._sums, other._squares = self._sums.copy(), self._squares.copy()
        other._best, other._open = self._best.copy(), self._open
        return other

    def _add(self, value: float) -> None:
        n = len(self) + 1
        if n >= self._sums.size:
            self._sums, self._squares, self._best = (
                np.concatenate([a, np.zeros(a.size)])
                for a in (self._sums, self._squares, self._best)
            )
        # Less the first value, which keeps digits where levels are large.
        apart = value - self._values[0] if self._values else 0.0
        self._values.append(value)
        self._sums[n] = self._sums[n - 1] + apart
        self._squares[n] = self._squares[n - 1] + apart * apart
        cuts = self._open
        sums = self._sums[n] - self._sums[cuts]
        costs = (
            self._best[cuts] + (self._squares[n] - self._squares[cuts]) - sums * sums / (n - cuts)
        )
        k = int(np.argmin(costs))
        self._best[n] = costs[k] + self._penalty
        self._last.append(int(cuts[k]))
        self._open = np.append(cuts[costs <= self._best[n]], n)


@dataclass(frozen=True, slots=True)
class Plateau:
    """A stretch of readings at one level.

    Attributes:
        first_s, last_s: Times of its first and last reading.
        mv: Median of its blocks.
        head_mv, tail_mv: Median of the first and of the last three of them.
        blocks: Number of its blocks.
    """

    first_s: float
    last_s: float
    mv: float
    head_mv: float
    tail_mv: float
    blocks: int


@dataclass(frozen=True, slots=True)
class Changes:
    """What a trace consists of.

    Attributes:
        plateaus: In time order, with a change between each two; at least one if there is a reading.
        noise_mv: Spread of a block about a level near zero.
        odd_s: Times of short excursions that are neither a level nor a way between two.
    """

    plateaus: tuple[Plateau, ...]
    noise_mv: float
    odd_s: tuple[float, ...] = ()


class ChangeFinder:
    """Finds the changes of a growing trace; remembers the partition of what stays the same."""

    def __init__(self, *, line: bool, assumed: Levels = USUAL.levels) -> None:
        """``line``: the readings are the supply's volts, which wander slowly as a whole."""
        self._line = line
        self._assumed = assumed
        self._partition = Partition(assumed.change_penalty)

    def find(self, usable: Samples, least: float = 1.0) -> Changes:
        """The changes of a trace.

        Args:
            usable: Samples with a value, in time order, strays left out.
            least: Part of the usual least step that is still a change.
        """
        if len(usable) == 0:
            return Changes((), 0.0)
        _, mv, first = in_blocks(usable, self._assumed.block_s)
        noise = self._noise_mv(mv, float(np.median(usable.resolution_mv)))
        scaled = self._scaled(mv, noise)
        if not self._partition.begins_with(scaled[:-1]):
            self._partition = Partition(self._assumed.change_penalty)
        self._partition.extend(scaled[len(self._partition) : -1])
        starts = np.array(self._partition.starts(scaled[-1:]), dtype=np.intp)
        ends = np.append(first[1:], len(usable)) - 1
        stops = np.append(starts[1:], mv.size)
        segments = [
            Plateau(
                float(usable.t_s[first[i]]),
                float(usable.t_s[ends[j - 1]]),
                float(np.median(mv[i:j])),
                float(np.median(mv[i : min(i + 3, j)])),
                float(np.median(mv[max(j - 3, i) : j])),
                int(j - i),
            )
            for i, j in zip(starts, stops, strict=True)
        ]
        plateaus, odd = _without_passages(segments)
        return Changes(tuple(self._merged(plateaus, noise, least)), noise, odd)

    def least_step_mv(self, a_mv: float, b_mv: float, noise_mv: float) -> float:
        """Difference of two neighbouring levels below which they count as one."""
        one, least = self._assumed, min(abs(a_mv), abs(b_mv))
        if self._line:
            return max(one.change_sds * noise_mv, one.line_step_share * least)
        pickup = one.idle_step_share * min(least, one.largest_pickup_mv)
        return max(one.change_sds * noise_mv, pickup, one.load_step_share * least)

    def _noise_mv(self, mv: Floats, display_mv: float) -> float:
        """Noise of a block near zero, on a grid of half octaves so that it seldom changes."""
        low = float(np.quantile(np.abs(mv), 0.1))
        one = self._assumed
        slow = (
            one.line_noise_share * low
            if self._line
            else one.pickup_wander * min(low, one.largest_pickup_mv)
        )
        noise = max(difference_sd(mv), display_sd(display_mv), slow, one.least_noise_mv)
        return float(2.0 ** (np.ceil(2.0 * np.log2(noise)) / 2.0))

    def _scaled(self, mv: Floats, noise_mv: float) -> Floats:
        """Values whose noise is 1 at every level."""
        if self._line:
            return mv / noise_mv
        share = self._assumed.load_noise_share
        scaled: Floats = np.arcsinh(mv * (share / noise_mv)) / share
        return scaled

    def _merged(self, plateaus: list[Plateau], noise_mv: float, least: float) -> list[Plateau]:
        """Join neighbours that differ by no more than wander or a heater's sag."""
        found = list(plateaus)
        while len(found) > 1:
            apart = [
                abs(b.mv - a.mv) / self.least_step_mv(a.mv, b.mv, noise_mv)
                for a, b in pairwise(found)
            ]
            k = int(np.argmin(apart))
            if apart[k] >= least:
                break
            found[k : k + 2] = [_joined(found[k], found[k + 1])]
        return found


def in_blocks(usable: Samples, block_s: float) -> tuple[Floats, Floats, npt.NDArray[np.intp]]:
    """Average samples within equal spans of time.

    Returns:
        Mean time and mean value of each block that holds a sample, and the index of its first one.
    """
    number = np.floor((usable.t_s - usable.t_s[0]) / block_s)
    first = np.flatnonzero(np.diff(number, prepend=-1.0))
    n = np.diff(np.append(first, len(usable)))
    return np.add.reduceat(usable.t_s, first) / n, np.add.reduceat(usable.mv, first) / n, first


def without_strays(usable: Samples, assumed: Levels = USUAL.levels) -> Samples:
    """Leave out single readings far from both their neighbours, which agree: damaged digits."""
    if len(usable) < 3:
        return usable
    mv = usable.mv
    noise = max(difference_sd(mv), display_sd(usable.display_mv), assumed.least_noise_mv)
    before, after = np.abs(mv[1:-1] - mv[:-2]), np.abs(mv[1:-1] - mv[2:])
    around = np.abs(mv[2:] - mv[:-2])
    far = np.minimum(before, after)
    stray = (far > assumed.stray_sds * noise) & (around < 0.2 * far)
    keep = np.ones(len(usable), dtype=bool)
    keep[1:-1] = ~stray
    return usable if keep.all() else usable.where(keep)


def _joined(a: Plateau, b: Plateau) -> Plateau:
    n = a.blocks + b.blocks
    mv = (a.mv * a.blocks + b.mv * b.blocks) / n
    return Plateau(a.first_s, b.last_s, mv, a.head_mv, b.tail_mv, n)


def _without_passages(segments: list[Plateau]) -> tuple[list[Plateau], tuple[float, ...]]:
    """Leave out what is no level: one block alone, and the way of a meter from level to level."""
    kept: list[Plateau] = []
    odd: list[float] = []
    for k, one in enumerate(segments):
        before = kept[-1] if kept else None
        after = segments[k + 1] if k + 1 < len(segments) else None
        if one.blocks > 2 or len(segments) == 1:
            kept.append(one)
        elif before is not None and after is not None and _is_between(before.mv, one.mv, after.mv):
            continue
        elif one.blocks == 2:
            kept.append(one)
        elif before is not None and after is not None and one.last_s > one.first_s:
            odd.append(one.first_s)
    return kept or segments[-1:], tuple(odd)


def _is_between(a: float, x: float, b: float) -> bool:
    return min(a, b) < x < max(a, b)


@dataclass(frozen=True, slots=True)
class Switching:
    """The load went on or off between two readings.

    Attributes:
        quiet_s: Time of the last reading at the level before.
        moved_s: Time of the first reading, or overload, on the way to the level after.
    """

    quiet_s: float
    moved_s: float

    @property
    def at_s(self) -> float:
        """Best guess of the moment."""
        return 0.5 * (self.quiet_s + self.moved_s)


def find_switching(usable: Samples, before: Plateau, after: Plateau, quiet: float) -> Switching:
    """The two readings between which one plateau was left for the next.

    Args:
        usable: Readings of the test.
        before: The plateau that was left.
        after: The next one.
        quiet: How far in mV a reading may be from the level before and still belong to it.
    """
    level, jump = before.tail_mv, after.head_mv - before.tail_mv
    t_s = usable.t_s
    near = np.flatnonzero((t_s > before.last_s - 1.0) & (t_s < after.first_s + 1.0))
    if near.size == 0:
        return Switching(before.last_s, after.first_s)
    share = (usable.mv[near] - level) / jump if jump else np.zeros(near.size)
    gone = np.flatnonzero(share > 0.5)
    k = int(gone[0]) if gone.size else near.size - 1
    while k > 0 and abs(share[k - 1] * jump) > quiet:
        k -= 1
    moved = int(near[k])
    return Switching(float(t_s[max(moved - 1, 0)]), float(t_s[moved]))


def first_sign(samples: Samples, switching: Switching, assumed: Levels = USUAL.levels) -> Switching:
    """Move a switching back to the overload of a range change that announced it.

    Between that and the first reading on the new range a meter may show an old value once more.

    Args:
        samples: All samples, overload among them.
        switching: As the usable readings show it.
        assumed: How long a meter looks for its range.
    """
    before = samples.between(switching.moved_s - assumed.range_change_s, switching.moved_s)
    signs = before.t_s[before.state == State.OVERLOAD]
    if signs.size == 0:
        return switching
    sign_s = float(signs[0])
    quiet = samples.t_s[(samples.t_s < sign_s) & (samples.state == State.USABLE)]
    return Switching(float(quiet[-1]) if quiet.size else sign_s, sign_s)


def settled(stage: Samples, *, line: bool, assumed: Levels = USUAL.levels) -> Samples:
    """Leave out the leading readings of a stage that are still on their way to its level."""
    if len(stage) <= FEW:
        return stage
    tail = stage.mv[-max(len(stage) // 2, FEW) :]
    center, spread = robust_center(tail)
    share = assumed.line_step_share if line else assumed.idle_share
    noise = max(spread, difference_sd(tail), display_sd(stage.display_mv))
    near_mv = max(5.0 * noise, 0.5 * share * abs(center)) + 1e-6
    near = np.abs(stage.mv - center) <= near_mv
    first = _first_settled(near)
    if first > 0:
        # An exponential approach that took so long to come near takes 3 of its time constants
        # more to sink to a twentieth of that.
        took_s = stage.t_s[first] - stage.t_s[0]
        ratio = float(np.log(max(abs(stage.mv[0] - center) / near_mv, np.e)))
        still = stage.t_s < stage.t_s[first] + 3.0 * took_s / ratio
        if len(stage) - int(still.sum()) >= FEW:
            first = int(still.sum())
    near[:first] = False
    return stage.where(near)


def near_level(stage: Samples, *, line: bool, assumed: Levels = USUAL.levels) -> Samples:
    """Leave out readings with the load on that cannot belong to its level, sag allowed for."""
    if len(stage) < 3:
        return stage
    center = float(np.median(stage.mv[len(stage) // 2 :]))
    noise = max(difference_sd(stage.mv), display_sd(stage.display_mv))
    share = assumed.line_step_share if line else assumed.largest_inrush
    return stage.where(np.abs(stage.mv - center) <= share * abs(center) + STEP_SDS * noise + 1e-6)


def _first_settled(near: npt.NDArray[np.bool_]) -> int:
    """Index of the first reading from which on readings stay near the level, one in five aside."""
    for first in range(near.size - FEW + 1):
        if near[first] and near[first : first + FEW].mean() >= 0.8:
            return first
    return int(near.size - FEW)
