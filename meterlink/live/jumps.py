"""Jumps in a running series, as they come, for the screen. Pure, constant memory.

This is for watching; what a test comes to is worked out by ``meterlink.levels``.
"""

from collections import deque
from dataclasses import dataclass
from statistics import median

#: Span that the level is taken over, and the newest part that is compared with it.
LEVEL_S = 8.0
NEW_S = 1.2
_LEAST_NEW = 3
_LEAST_OLD = 4
_MOST_POINTS = 256
#: A jump is a change beyond so many times the jitter, and never less than this share of the level
#: or this many volts (common practice: idle readings on long leads wander by some millivolts).
_JITTERS = 6.0
_LEAST_V = 0.0005
_LEAST_SHARE = 0.01
#: Readings on the far side of a jump have settled when they differ by less than this share of it.
_SETTLED_SHARE = 0.05
_MAD_TO_SD = 1.4826  # of a normal distribution: 1 / 0.6745


@dataclass(frozen=True, slots=True)
class Jump:
    """A change of level.

    Attributes:
        t_s: When it was seen.
        size_v: New level minus old level in volts.
        level_v: The new level.
    """

    t_s: float
    size_v: float
    level_v: float


@dataclass(frozen=True, slots=True)
class Quiet:
    """Level and jitter of the readings since the last jump, in volts."""

    level_v: float
    jitter_v: float


class JumpFinder:
    """Follows the level of a series and tells when it changes."""

    def __init__(self) -> None:
        self._points: deque[tuple[float, float]] = deque(maxlen=_MOST_POINTS)
        self._next_s = 0.0

    def add(self, t_s: float, volts: float) -> Jump | None:
        """Take a reading; returns a jump at the reading that makes it sure.

        At high rates one reading in some is looked at, so that the span of ``LEVEL_S`` fits.
        """
        if t_s < self._next_s:
            return None
        self._next_s = t_s + LEVEL_S / _MOST_POINTS
        self._points.append((t_s, volts))
        while self._points[0][0] < t_s - LEVEL_S:
            self._points.popleft()
        new = [volts for at_s, volts in self._points if at_s > t_s - NEW_S]
        if len(new) < _LEAST_NEW:
            new = [volts for _, volts in list(self._points)[-_LEAST_NEW:]]
        old = [volts for _, volts in list(self._points)[: -len(new)]]
        if len(old) < _LEAST_OLD:
            return None
        before, after = _quiet(old), _quiet(new)
        size_v = after.level_v - before.level_v
        limit_v = max(_LEAST_V, _JITTERS * before.jitter_v, _LEAST_SHARE * abs(before.level_v))
        unsettled = _spread(new) > max(_SETTLED_SHARE * abs(size_v), 4.0 * before.jitter_v)
        if abs(size_v) <= limit_v or unsettled:
            return None  # no jump, or the meter has not come to rest on its far side yet
        kept = [p for p in self._points if abs(p[1] - after.level_v) < 0.5 * abs(size_v)]
        self._points.clear()
        self._points.extend(kept[-len(new) :])
        return Jump(t_s, size_v, after.level_v)

    def quiet(self) -> Quiet | None:
        """Level and jitter since the last jump, ``None`` before there is one."""
        if len(self._points) < _LEAST_OLD:
            return None
        return _quiet([volts for _, volts in self._points])


def _quiet(values: list[float]) -> Quiet:
    level_v = median(values)
    return Quiet(level_v, _MAD_TO_SD * median(abs(value - level_v) for value in values))


def _spread(values: list[float]) -> float:
    """Span of the middle four fifths."""
    ordered = sorted(values)
    cut = len(ordered) // 10
    return ordered[-1 - cut] - ordered[cut]
