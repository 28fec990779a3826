"""The readings and taps of one test, kept in bounded memory whatever their rate and its length.

At ordinary rates every reading is kept as it came. Where more than ``FULL_RATE`` readings a second
come for a while, those within ``BIN_S`` are averaged into one sample that remembers how many they
were. Where a test grows beyond ``MOST_SAMPLES``, neighbours in its older half are averaged in
pairs: the whole test stays in view, and what is recent stays sharp.
"""

import math
from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from drivers.readings import Function, Reading
from meterlink.levels.statistics import Floats

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
    state: npt.NDArray[np.int8]

    def between(self, start_s: float, stop_s: float) -> "Samples":
        """Samples with ``start_s <= t < stop_s``."""
        return self.where((self.t_s >= start_s) & (self.t_s < stop_s))

    def where(self, mask: npt.NDArray[np.bool_]) -> "Samples":
        """Samples chosen by a mask of shape (n,)."""
        return Samples(
            self.t_s[mask],
            self.mv[mask],
            self.count[mask],
            self.resolution_mv[mask],
            self.state[mask],
        )

    def none(self) -> "Samples":
        """No samples."""
        return self.where(np.zeros(len(self), dtype=bool))

    def usable(self) -> "Samples":
        """Samples that have a value to use."""
        return self.where(self.state == State.USABLE)

    def __len__(self) -> int:
        return int(self.t_s.size)

    @property
    def display_mv(self) -> float:
        """Coarsest resolution among the samples."""
        return float(self.resolution_mv.max()) if len(self) else 0.0

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
    return Samples(t_s, mv, np.ones(t_s.size), np.zeros(t_s.size), np.zeros(t_s.size, np.int8))


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
    if reading.overload:
        return State.OVERLOAD
    if reading.volts is None or not math.isfinite(reading.volts):
        return State.NO_VALUE
    return State.USABLE if abs(reading.volts) < WIDEST_VOLTS else State.OVERLOAD


class Trace:
    """Samples of a test so far."""

    def __init__(self, *, direct: bool) -> None:
        """``direct``: DC volts are meant."""
        self._direct = direct
        self._t_s: list[float] = []
        self._mv: list[float] = []
        self._count: list[int] = []
        self._resolution_mv: list[float] = []
        self._state: list[State] = []
        self._now_s = -math.inf
        self.last: Reading | None = None

    def __len__(self) -> int:
        return len(self._t_s)

    def add(self, reading: Reading) -> None:
        """Take one reading. Cost is constant on average.

        A time before that of the reading before counts as equal to it; without a finite time a
        reading says nothing.
        """
        if not math.isfinite(reading.t_s):
            return
        self.last = reading
        self._now_s = t_s = max(reading.t_s, self._now_s)
        state = state_of(reading, direct=self._direct)
        mv = 1e3 * reading.volts if state is State.USABLE and reading.volts is not None else np.nan
        k = self._open_bin(t_s, state)
        if k is not None:
            n = self._count[k]
            self._count[k] = n + 1
            self._t_s[k] += (t_s - self._t_s[k]) / (n + 1)
            self._mv[k] += (mv - self._mv[k]) / (n + 1)
            return
        self._t_s.append(t_s)
        self._mv.append(mv)
        self._count.append(1)
        resolution = abs(reading.resolution_v or 0.0)
        self._resolution_mv.append(1e3 * resolution if math.isfinite(resolution) else 0.0)
        self._state.append(state)
        if len(self) > MOST_SAMPLES:
            self._halve()

    def samples(self) -> Samples:
        """All samples, in time order."""
        return Samples(
            np.array(self._t_s, dtype=np.float64),
            np.array(self._mv, dtype=np.float64),
            np.array(self._count, dtype=np.float64),
            np.array(self._resolution_mv, dtype=np.float64),
            np.array(self._state, dtype=np.int8),
        )

    def _open_bin(self, t_s: float, state: State) -> int | None:
        """Which of the last samples a reading joins; ``None`` at ordinary rates."""
        if len(self) < RATE_SPAN or t_s - self._t_s[-RATE_SPAN] >= RATE_SPAN / FULL_RATE:
            return None
        for k in range(len(self) - 1, len(self) - 1 - len(State), -1):
            if self._state[k] is state and t_s - self._t_s[k] < BIN_S:
                return k
        return None

    def _halve(self) -> None:
        """Average pairs of neighbours of one state in the older half."""
        half, k, kept = len(self) // 2, 0, 0
        while k < len(self):
            pair = k + 1 < half and self._state[k] is self._state[k + 1]
            self._move(kept, k, pair=pair)
            kept, k = kept + 1, k + 1 + pair
        for column in (self._t_s, self._mv, self._count, self._resolution_mv, self._state):
            del column[kept:]

    def _move(self, to: int, k: int, *, pair: bool) -> None:
        """Put sample ``k``, or the mean of it and the next, at place ``to``."""
        n = self._count[k]
        share = self._count[k + 1] / (n + self._count[k + 1]) if pair else 0.0
        j = k + 1 if pair else k
        self._t_s[to] = self._t_s[k] + share * (self._t_s[j] - self._t_s[k])
        self._mv[to] = self._mv[k] + share * (self._mv[j] - self._mv[k])
        self._resolution_mv[to] = max(self._resolution_mv[k], self._resolution_mv[j])
        self._count[to] = n + self._count[j] if pair else n
        self._state[to] = self._state[k]


@dataclass(slots=True)
class Marks:
    """The person's taps in a test: hints about when.

    Attributes:
        start_s, now_s: Begin of the test, and its end so far.
        on: Time and setting (``low``, ``high`` or empty) of each load-on tap.
        off: Time of each load-off tap.
    """

    start_s: float
    now_s: float
    on: list[tuple[float, str]] = field(default_factory=list)
    off: list[float] = field(default_factory=list)

    def add(self, kind: str, t_s: float, setting: str, double_tap_s: float) -> None:
        """Take a tap; one that only doubles the tap before it is none."""
        if kind == "load-on" and len(self.on) < MOST_MARKS:
            last_s, last = self.on[-1] if self.on else (-np.inf, "")
            if t_s - last_s > double_tap_s or setting != last:
                self.on.append((t_s, setting))
        elif kind == "load-off" and len(self.off) < MOST_MARKS:
            last_s = self.off[-1] if self.off else -np.inf
            if t_s - last_s > double_tap_s:
                self.off.append(t_s)

    @property
    def on_s(self) -> list[float]:
        """Times of the load-on taps."""
        return [t_s for t_s, _ in self.on]

    @property
    def ends_off(self) -> bool:
        """Whether the last tap said off."""
        return bool(self.off) and (not self.on or self.off[-1] > self.on[-1][0])

    @property
    def has_settings(self) -> bool:
        """Whether a tap named the load's setting."""
        return any(setting for _, setting in self.on)

    def pairs(self) -> list[tuple[float, float]]:
        """Load-on taps with the load-off tap that follows, or the end so far.

        Taps for on that follow each other without one for off between are one stretch.
        """
        found: list[tuple[float, float]] = []
        for on_s in self.on_s:
            if found and on_s < found[-1][1]:
                continue
            found.append((on_s, next((s for s in self.off if s > on_s), self.now_s)))
        return found
