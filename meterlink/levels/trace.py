"""The readings and taps of one test, kept in bounded memory whatever their rate and its length.

At ordinary rates every reading is kept as it came. Where more than ``FULL_RATE`` readings a second
come for a while, those within ``BIN_S`` are averaged into one sample that remembers how many they
were. Where a test grows beyond ``MOST_SAMPLES``, neighbours in its older half are averaged in
pairs: the whole test stays in view, and what is recent stays sharp.
"""

import math
from dataclasses import dataclass, field, fields
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from drivers.readings import Function, Reading
from meterlink.levels.statistics import Floats, difference_sd, display_sd

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
