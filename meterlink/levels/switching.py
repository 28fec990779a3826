"""When the load switched: the most likely change near a mark, and its first sign."""

from dataclasses import dataclass

import numpy as np

from meterlink.levels.change import most_likely_change
from meterlink.levels.flags import Flag
from meterlink.levels.trace import Samples, State

EARLY_S = 1.0  # the contract of the marks: up to 1 s before ...
LATE_S = 5.0  # ... to 5 s after
SLACK_S = 3.0  # searched before that, with a flag
GRACE_S = 1.0  # a reading is some tenths of a second old when it comes; no flag for that
RISE_S = 3.0  # from the first moved reading to the best split; a meter may repeat itself on the way
RANGE_CHANGE_S = 3.0  # a meter may take so long to find its range (common practice)


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


def find_switching(
    samples: Samples, mark_s: float, stop_s: float, before: float, after: float, quiet: float
) -> Switching:
    """Find where usable readings leave one level for another.

    The most likely change from ``SLACK_S`` before the mark's time to ``stop_s`` splits the two
    levels; from there the search goes back to the last reading within ``quiet`` of the level
    before. Values are clipped to the two levels, so that no wild reading draws the split.

    Args:
        samples: Usable readings.
        mark_s: The operator's mark.
        stop_s: End of the search.
        before: Level before in mV.
        after: Level after in mV.
        quiet: How far in mV a reading may be from the level before and still belong to it.
    """
    low, high = min(before, after), max(before, after)
    times = samples.t_s
    inside = (times > mark_s - EARLY_S - SLACK_S) & (times < stop_s)
    candidates = np.flatnonzero(inside[1:]) + 1
    if candidates.size == 0 or times.size < 2:
        return Switching(mark_s, mark_s)
    clipped = np.clip(samples.mv, low, high)
    split = most_likely_change(clipped, int(candidates[0]), int(candidates[-1])).split
    first = split
    while (
        first > 1
        and abs(samples.mv[first - 1] - before) > quiet
        and times[first - 1] > times[split] - RISE_S
    ):
        first -= 1
    return Switching(float(times[first - 1]), float(times[first]))


def first_sign(samples: Samples, switching: Switching) -> Switching:
    """Move a switching back to the overload of a range change that announced it.

    Between that and the first reading on the new range a meter may show an old value once more.

    Args:
        samples: All samples, overload among them.
        switching: As the usable readings show it.
    """
    before = samples.between(switching.moved_s - RANGE_CHANGE_S, switching.moved_s)
    signs = before.t_s[before.state == State.OVERLOAD]
    if signs.size == 0:
        return switching
    sign_s = float(signs[0])
    quiet = samples.t_s[(samples.t_s < sign_s) & (samples.state == State.USABLE)]
    return Switching(float(quiet[-1]) if quiet.size else sign_s, sign_s)


def timing_flags(switching: Switching, mark_s: float) -> list[Flag]:
    """Flags of a load that certainly came outside the time that its mark allows."""
    if switching.moved_s < mark_s - EARLY_S - GRACE_S:
        return [Flag.LOAD_EARLY]
    return [Flag.LOAD_LATE] if switching.quiet_s > mark_s + LATE_S + GRACE_S else []
