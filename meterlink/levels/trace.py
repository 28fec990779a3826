"""The trace of a test: its readings and taps, their changes, and which readings belong to a level.

Readings are kept in bounded memory whatever their rate and the test's length. At ordinary rates
every one is kept as it came. Where more than ``FULL_RATE`` readings a second come for a while,
those within ``BIN_S`` are averaged into one sample that remembers how many they were. Where a test
grows beyond ``MOST_SAMPLES``, neighbours in its older half are averaged in pairs: the whole test
stays in view, and what is recent stays sharp.

The changes are an exact optimal partition into constant levels. Readings are averaged in blocks of
half a second, brought to a scale on which their noise is 1, and cut where the sum of squares about
the levels, plus a penalty for each change, is least: over all cuts there are, not a greedy one
(Jackson et al. 2005, "An algorithm for optimal partitioning of data on an interval"; the pruning is
that of Killick, Fearnhead and Eckley 2012).

The scale is linear near zero and logarithmic far from it: a heater's current sags by some per cent
after switching, and with it the drop, so that the "noise" of a large level grows with the level.

The readings of ``line-drop``, the supply's volts, wander slowly as a whole: what is usual for them
is ``Levels.of_supply``.
"""

import math
from dataclasses import dataclass, field, fields
from enum import IntEnum
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from drivers.readings import Function, Reading
from meterlink.assumptions import USUAL, Levels
from meterlink.levels.statistics import Floats, difference_sd, display_sd, robust_center

BIN_S = 0.02
WIDEST_VOLTS = 1e4  # no meter that this is for shows more
FULL_RATE = 50.0  # readings a second above which samples are binned
RATE_SPAN = 32  # samples over which the rate is judged
MOST_SAMPLES = 1024
MOST_MARKS = 64


class State(IntEnum):
    """Whether a sample can be used, and if not, why."""

    USABLE = 0
    OVERLOAD = 1
    HOLD = 2
    WRONG_FUNCTION = 3
    NO_VALUE = 4


@dataclass(frozen=True, slots=True)
class Samples:
    """Samples of a stretch of time, as arrays of one shape (n,).

    Attributes:
        t_s: Monotonic times in seconds.
        mv: Values in mV; NaN where the state is not usable.
        count: Readings in each sample.
        resolution_mv: Weight of the display's last digit in mV; 0 where it is not known.
        state: ``State`` of each.
    """

    t_s: Floats
    mv: Floats
    count: Floats
    resolution_mv: Floats
    state: Floats

    def where(self, mask: npt.NDArray[np.bool_]) -> "Samples":
        """Samples chosen by a mask of shape (n,)."""
        return Samples(*(getattr(self, one.name)[mask] for one in fields(self)))

    def between(self, start_s: float, stop_s: float) -> "Samples":
        """Samples with ``start_s <= t < stop_s``."""
        return self.where((self.t_s >= start_s) & (self.t_s < stop_s))

    def none(self) -> "Samples":
        """No samples."""
        return self.between(math.inf, math.inf)

    def usable(self) -> "Samples":
        """Samples that have a value to use."""
        return self.where(self.state == State.USABLE)

    def __len__(self) -> int:
        return int(self.t_s.size)

    @property
    def display_mv(self) -> float:
        """Coarsest resolution among the samples."""
        return float(self.resolution_mv.max(initial=0.0))

    @property
    def noise_mv(self) -> float:
        """Spread of single readings, blind to slow wander; at least what the display leaves."""
        return max(difference_sd(self.mv), display_sd(self.display_mv))

    @property
    def readings(self) -> int:
        """Number of readings in the samples."""
        return int(self.count.sum())


def samples_of(t_s: Floats, mv: Floats) -> Samples:
    """Usable samples of one reading each, of a display whose resolution is not known.

    Args:
        t_s: Shape (n,), in time order.
        mv: Shape (n,), finite.
    """
    return Samples(t_s, mv, np.ones(t_s.size), *np.zeros((2, t_s.size)))


def state_of(reading: Reading, *, direct: bool) -> State:
    """Whether a reading may be used as volts of the kind that the test is about.

    Args:
        reading: As it came from the decoder.
        direct: DC volts are meant: the supply is direct current, or the load draws one (a heater
            behind a diode, a bench supply). Else AC volts are. A reading whose function is not
            known is taken to be what is meant: the capture or the settings vouch for it.
    """
    refused = Function.AC if direct else Function.DC
    if reading.function in (Function.OTHER, Function.OHM, refused):
        return State.WRONG_FUNCTION
    if reading.hold:
        return State.HOLD
    volts = math.nan if reading.volts is None else reading.volts
    if reading.overload or WIDEST_VOLTS <= abs(volts) < math.inf:
        return State.OVERLOAD
    return State.USABLE if math.isfinite(volts) else State.NO_VALUE


_Row = tuple[float, float, float, float, State]  # time, value, readings, resolution, state


class Trace:
    """Samples of a test so far."""

    def __init__(self, *, direct: bool) -> None:
        """``direct``: DC volts are meant."""
        self._direct = direct
        self._rows: list[_Row] = []
        self._now_s = -math.inf
        self.last: Reading | None = None

    def __len__(self) -> int:
        return len(self._rows)

    def add(self, reading: Reading) -> None:
        """Take one reading. Cost is constant on average.

        A time before that of the reading before counts as equal to it; without a finite time a
        reading says nothing.
        """
        if not math.isfinite(reading.t_s):
            return
        self.last = reading
        self._now_s = max(reading.t_s, self._now_s)
        state = state_of(reading, direct=self._direct)
        mv = 1e3 * (reading.volts or 0.0) if state is State.USABLE else math.nan
        digit_mv = 1e3 * abs(reading.resolution_v or 0.0)
        row = (self._now_s, mv, 1.0, digit_mv if math.isfinite(digit_mv) else 0.0, state)
        k = self._open_bin(state)
        if k is None:
            self._rows.append(row)
        else:
            self._rows[k] = _mean(self._rows[k], row)
        if len(self) > MOST_SAMPLES:
            self._halve()

    def samples(self) -> Samples:
        """All samples, in time order."""
        return Samples(*np.array(self._rows, dtype=np.float64).reshape(-1, 5).T.copy())

    def _open_bin(self, state: State) -> int | None:
        """Which of the last samples a reading joins; ``None`` at ordinary rates."""
        rows, now_s = self._rows, self._now_s
        if len(rows) < RATE_SPAN or now_s - rows[-RATE_SPAN][0] >= RATE_SPAN / FULL_RATE:
            return None
        last = range(len(rows) - 1, len(rows) - 1 - len(State), -1)
        return next((k for k in last if rows[k][4] is state and now_s - rows[k][0] < BIN_S), None)

    def _halve(self) -> None:
        """Average pairs of neighbours of one state in the older half."""
        half = len(self) // 2
        kept: list[_Row] = []
        waits = False  # the last one kept, for a neighbour
        for row in self._rows[:half]:
            waits = waits and kept[-1][4] is row[4]
            if waits:
                kept[-1] = _mean(kept[-1], row)
            else:
                kept.append(row)
            waits = not waits
        self._rows[:half] = kept


def _mean(a: _Row, b: _Row) -> _Row:
    """Two samples of one state as one."""
    n = a[2] + b[2]
    share = b[2] / n
    return a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]), n, max(a[3], b[3]), a[4]


@dataclass(slots=True)
class Marks:
    """The person's taps in a test: hints about when.

    Attributes:
        start_s, now_s: Begin of the test, and its end so far.
        on, off: Time of each load-on and of each load-off tap.
        settings: Of the load, at each load-on tap: ``low``, ``high`` or empty.
    """

    start_s: float
    now_s: float
    on: list[float] = field(default_factory=list)
    off: list[float] = field(default_factory=list)
    settings: list[str] = field(default_factory=list)

    def add(self, kind: str, t_s: float, setting: str, double_tap_s: float) -> None:
        """Take a tap; one that only doubles the tap before it is none."""
        taps = {"load-on": self.on, "load-off": self.off}.get(kind)
        if taps is None or len(taps) >= MOST_MARKS:
            return
        another = taps is self.on and setting != (self.settings or [""])[-1]
        if not taps or another or t_s - taps[-1] > double_tap_s:
            taps.append(t_s)
            self.settings += [setting] if taps is self.on else []

    @property
    def ends_off(self) -> bool:
        """Whether the last tap said off."""
        return bool(self.off) and self.off[-1] > max(self.on, default=-math.inf)

    def pairs(self) -> list[tuple[float, float]]:
        """Load-on taps with the load-off tap that follows, or the end so far.

        Taps for on that follow each other without one for off between are one stretch.
        """
        found: list[tuple[float, float]] = []
        for on_s in self.on:
            if not found or on_s >= found[-1][1]:
                found.append((on_s, next((s for s in self.off if s > on_s), self.now_s)))
        return found


FEW = 5  # readings that a stage needs at least
STEP_SDS = 8.0  # a reading that differs by so many spreads has left its level


def partition(values: Floats, penalty: float) -> list[int]:
    """Starts of the levels in the best partition of a series with noise 1 into constant levels.

    Each value costs one pass over the cuts that may still win.

    Args:
        values: Shape (n,), n >= 1.
        penalty: What a change must take off the sum of squares to be worth it.

    Example:
        >>> partition(np.array([0.1, -0.1, 0.0, 9.0, 9.1]), penalty=10.0)
        [0, 3]
    """
    n = values.size
    apart = values - values[0]  # keeps digits where levels are large
    sums, squares = (np.concatenate([[0.0], np.cumsum(x)]) for x in (apart, apart * apart))
    best, last, cuts = np.full(n + 1, -penalty), [0] * (n + 1), np.array([0])
    for k in range(1, n + 1):
        costs = best[cuts] + (squares[k] - squares[cuts]) - (sums[k] - sums[cuts]) ** 2 / (k - cuts)
        least = int(np.argmin(costs))
        best[k], last[k] = costs[least] + penalty, int(cuts[least])
        cuts = np.append(cuts[costs <= best[k]], k)
    starts = [last[n]]
    while starts[-1] > 0:
        starts.append(last[starts[-1]])
    return starts[::-1]


class Plateau(NamedTuple):
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
    noise_mv: float = 0.0
    odd_s: tuple[float, ...] = ()


def find_changes(usable: Samples, assumed: Levels = USUAL.levels) -> Changes:
    """The changes of a trace.

    Args:
        usable: Samples with a value, in time order, strays left out.
        assumed: What is usual.
    """
    if len(usable) == 0:
        return Changes(())
    mv, edges = _in_blocks(usable, assumed.block_s)
    noise = _noise_mv(mv, float(np.median(usable.resolution_mv)), assumed)
    share = assumed.load_noise_share
    scaled = np.arcsinh(mv * (share / noise)) / share if share else mv / noise
    starts = partition(scaled, assumed.change_penalty)
    segments = [
        _plateau(usable.t_s[edges[i] : edges[j]], mv[i:j]) for i, j in pairwise([*starts, mv.size])
    ]
    plateaus, odd = _without_passages(segments)
    return Changes(tuple(_merged(plateaus, noise, assumed)), noise, odd)


def _plateau(t_s: Floats, mv: Floats) -> Plateau:
    level, head, tail = (float(np.median(part)) for part in (mv, mv[:3], mv[-3:]))
    return Plateau(float(t_s[0]), float(t_s[-1]), level, head, tail, mv.size)


def least_step_mv(a_mv: float, b_mv: float, noise_mv: float, assumed: Levels) -> float:
    """Difference of two neighbouring levels below which they count as one."""
    least = min(abs(a_mv), abs(b_mv))
    pickup = assumed.idle_step_share * min(least, assumed.largest_pickup_mv)
    return max(assumed.change_sds * noise_mv, pickup, assumed.load_step_share * least)


def without_strays(usable: Samples, assumed: Levels = USUAL.levels) -> Samples:
    """Leave out single readings far from both their neighbours, which agree: damaged digits."""
    if len(usable) < 3:
        return usable
    steps = np.abs(np.diff(usable.mv))
    far, around = np.minimum(steps[:-1], steps[1:]), np.abs(usable.mv[2:] - usable.mv[:-2])
    noise = max(usable.noise_mv, assumed.least_noise_mv)
    stray = (far > assumed.stray_sds * noise) & (around < 0.2 * far)
    return usable.where(~np.pad(stray, 1))


def _in_blocks(usable: Samples, block_s: float) -> tuple[Floats, npt.NDArray[np.intp]]:
    """Mean of the samples within equal spans of time, and where each begins and the last ends."""
    number = np.floor((usable.t_s - usable.t_s[0]) / block_s)
    edges = np.append(np.flatnonzero(np.diff(number, prepend=-1.0)), len(usable))
    return np.add.reduceat(usable.mv, edges[:-1]) / np.diff(edges), edges


def _noise_mv(mv: Floats, display_mv: float, assumed: Levels) -> float:
    """Noise of a block near zero, on a grid of half octaves so that it seldom changes."""
    low = min(float(np.quantile(np.abs(mv), 0.1)), assumed.largest_pickup_mv)
    slow = max(assumed.pickup_wander * low, assumed.least_noise_mv)
    noise = max(difference_sd(mv), display_sd(display_mv), slow)
    return float(2.0 ** (np.ceil(2.0 * np.log2(noise)) / 2.0))


def _merged(plateaus: list[Plateau], noise_mv: float, assumed: Levels) -> list[Plateau]:
    """Join neighbours that differ by no more than wander or a heater's sag."""
    found = list(plateaus)
    while len(found) > 1:
        apart = [
            abs(b.mv - a.mv) / least_step_mv(a.mv, b.mv, noise_mv, assumed)
            for a, b in pairwise(found)
        ]
        k = int(np.argmin(apart))
        if apart[k] >= 1.0:
            break
        a, b = found[k : k + 2]
        n = a.blocks + b.blocks
        mv = (a.mv * a.blocks + b.mv * b.blocks) / n
        found[k : k + 2] = [Plateau(a.first_s, b.last_s, mv, a.head_mv, b.tail_mv, n)]
    return found


def _without_passages(segments: list[Plateau]) -> tuple[list[Plateau], tuple[float, ...]]:
    """Leave out what is no level: one block alone, and the way of a meter from level to level."""
    kept: list[Plateau] = []
    odd: list[float] = []
    for one, after in zip(segments, [*segments[1:], None], strict=True):
        around = (kept[-1].mv, after.mv) if kept and after else ()
        passes = bool(around) and min(around) < one.mv < max(around)
        if one.blocks > 2 or (one.blocks == 2 and not passes):
            kept.append(one)
        elif around and not passes and one.last_s > one.first_s:
            odd.append(one.first_s)
    return kept or segments[-1:], tuple(odd)


class Switching(NamedTuple):
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
    level, jump, t_s = before.tail_mv, after.head_mv - before.tail_mv, usable.t_s
    near = np.flatnonzero((t_s > before.last_s - 1.0) & (t_s < after.first_s + 1.0))
    if near.size == 0 or not jump:
        return Switching(before.last_s, after.first_s)
    share = (usable.mv[near] - level) / jump
    here = share > 0.5
    first = int(np.argmax(here)) if here.any() else near.size - 1
    calm = np.flatnonzero(np.abs(share[:first] * jump) <= quiet)
    moved = int(near[calm[-1] + 1 if calm.size else 0])
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
    quiet = samples.usable().between(-np.inf, signs[0]).t_s
    return Switching(float(quiet[-1] if quiet.size else signs[0]), float(signs[0]))


def settled(stage: Samples, assumed: Levels = USUAL.levels) -> Samples:
    """Leave out the leading readings of a stage that are still on their way to its level."""
    if len(stage) <= FEW:
        return stage
    tail = stage.mv[-max(len(stage) // 2, FEW) :]
    center, spread = robust_center(tail)
    noise = max(spread, difference_sd(tail), display_sd(stage.display_mv))
    near_mv = max(5.0 * noise, 0.5 * assumed.idle_share * abs(center)) + 1e-6
    near = np.abs(stage.mv - center) <= near_mv
    # from where on readings stay near the level, one in five aside
    windows = np.lib.stride_tricks.sliding_window_view(near, FEW)
    calm = windows[:, 0] & (windows.mean(axis=1) >= 0.8)
    first = int(np.argmax(calm)) if calm.any() else len(stage) - FEW
    if first > 0:
        # An exponential approach that took so long to come near takes 3 of its time constants
        # more to sink to a twentieth of that.
        took_s = stage.t_s[first] - stage.t_s[0]
        ratio = float(np.log(max(abs(stage.mv[0] - center) / near_mv, np.e)))
        still = int((stage.t_s < stage.t_s[first] + 3.0 * took_s / ratio).sum())
        first = still if len(stage) - still >= FEW else first
    near[:first] = False
    return stage.where(near)


def near_level(stage: Samples, assumed: Levels = USUAL.levels) -> Samples:
    """Leave out readings with the load on that cannot belong to its level, sag allowed for."""
    if len(stage) < 3:
        return stage
    center = float(np.median(stage.mv[len(stage) // 2 :]))
    far_mv = assumed.largest_inrush * abs(center) + STEP_SDS * stage.noise_mv + 1e-6
    return stage.where(np.abs(stage.mv - center) <= far_mv)
