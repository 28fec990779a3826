"""Which readings belong to idle, on and after, when the marks only say about when.

The load comes on from 1 s before to 5 s after its mark, or never; off likewise. A jump that stands
out is timed by the single most likely change near the mark; readings between the last quiet one and
the settled level belong to no stage. Where no jump stands out, only readings that lie outside the
time in which it could have come are used.
"""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from meterlink.levels.change import most_likely_change
from meterlink.levels.flags import Flag
from meterlink.levels.statistics import difference_sd, display_sd, robust_center
from meterlink.levels.trace import Samples, State

Floats = npt.NDArray[np.float64]

EARLY_S = 1.0  # the contract of the marks: up to 1 s before ...
LATE_S = 5.0  # ... to 5 s after
SLACK_S = 3.0  # searched beyond the contract, with a flag
GRACE_S = 1.0  # a reading is some tenths of a second old when it comes; no flag for that
FEW = 5
LAG_S = 1.5  # of a meter behind a small change
SETTLE_S = 3.0  # until meter and leads have settled after a switching
STEP_SDS = 8.0
IDLE_SHARE = 0.3  # of an idle pickup level: a step below it may be pickup wandering
QUIET_MOST = 0.25  # of a jump: a reading further from the level before has left it
RISE_S = 3.0  # from the first moved reading to the best split; a meter may repeat itself on the way
SAG_SHARE = 0.1  # of a level with the load on: no heater's current starts higher than that
RANGE_CHANGE_S = 3.0  # a meter may take so long to find its range (common practice)
ON_QUIET_SHARE = 0.01  # of the jump: a reading that is lower by more has begun to fall
LINE_SHARE = 0.004  # the same of a supply level


@dataclass(frozen=True, slots=True)
class Marks:
    """The times that matter of one on/off cycle, in seconds.

    Attributes:
        start_s: When the test, or this cycle's idle stage, began.
        on_s, off_s: The operator's marks; ``off_s`` is ``None`` where there is none.
        end_s: When the cycle ended: end of the test or the next cycle's load-on mark.
    """

    start_s: float
    on_s: float
    off_s: float | None
    end_s: float


@dataclass(slots=True)
class Stages:
    """The usable readings of one cycle by stage.

    Attributes:
        before: Everything usable before the load, settled or not.
        during: Everything usable with the load on, once the meter has settled.
        idle, on, after: Settled readings; may be empty.
        on_at_s, off_at_s: When the jump and the fall were seen, ``None`` where not.
        flags: What was noticed.
    """

    before: Samples
    during: Samples
    idle: Samples
    on: Samples
    after: Samples
    on_at_s: float | None = None
    off_at_s: float | None = None
    flags: list[Flag] = field(default_factory=list)


def split_stages(samples: Samples, marks: Marks, *, line: bool) -> Stages:
    """Sort the samples of one cycle into stages.

    Args:
        samples: Everything between ``marks.start_s`` and ``marks.end_s``.
        marks: The cycle's marks.
        line: The levels are the supply itself (line-drop), not pickup.
    """
    usable = samples.usable()
    off_s = marks.end_s if marks.off_s is None else marks.off_s
    before = usable.between(marks.start_s, max(marks.on_s - EARLY_S, marks.start_s))
    idle = settled(before, line)
    rough_on = usable.between(_inside(marks.on_s, LATE_S + LAG_S, off_s), off_s - EARLY_S)
    if len(rough_on) == 0:
        rough_on = usable.between(marks.on_s, off_s)
    if len(idle) == 0 or len(rough_on) == 0:
        after = usable.between(off_s + LATE_S, marks.end_s)
        return Stages(before, rough_on, idle, rough_on, after, flags=[Flag.FEW_READINGS])
    base = float(np.median(idle.mv))
    high = _loaded_level(rough_on, base)
    step = least_step(idle, base, line)
    if abs(high - base) < step:
        after = usable.between(off_s + LATE_S + LAG_S, marks.end_s)
        return Stages(before, rough_on, idle, near_level(rough_on, line), after)
    return _with_jump(samples, marks, off_s, base, high, step, line=line)


def _loaded_level(rough_on: Samples, base: float) -> float:
    """Rough level with the load on: of the stage's two halves, the one further from idle.

    A load that comes long after its mark or goes before it leaves half of the stage idle.
    """
    half = len(rough_on) // 2
    parts = (rough_on.mv[:half], rough_on.mv[half:]) if half >= FEW else (rough_on.mv,)
    return max((float(np.median(part)) for part in parts), key=lambda mv: abs(mv - base))


def least_step(idle: Samples, base: float, line: bool) -> float:
    """Change of level in mV that stands out of the idle readings' noise and wander."""
    noise = max(difference_sd(idle.mv), robust_center(idle.mv)[1], display_sd(idle.display_mv))
    share = LINE_SHARE if line else IDLE_SHARE
    return max(STEP_SDS * noise, share * abs(base)) + 1e-6


def settled(stage: Samples, line: bool) -> Samples:
    """Leave out the leading readings of a stage that are still on their way to its level."""
    if len(stage) <= FEW:
        return stage
    tail = stage.mv[-max(len(stage) // 2, FEW) :]
    center, spread = robust_center(tail)
    share = LINE_SHARE if line else IDLE_SHARE
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


def near_level(stage: Samples, line: bool) -> Samples:
    """Leave out readings with the load on that cannot belong to its level, sag allowed for."""
    center = float(np.median(stage.mv[len(stage) // 2 :])) if len(stage) else 0.0
    noise = max(difference_sd(stage.mv), display_sd(stage.display_mv))
    share = LINE_SHARE if line else SAG_SHARE
    return stage.where(np.abs(stage.mv - center) <= share * abs(center) + STEP_SDS * noise + 1e-6)


def _first_settled(near: npt.NDArray[np.bool_]) -> int:
    """Index of the first reading from which on readings stay near the level, one in five aside."""
    for first in range(near.size - FEW + 1):
        if near[first] and near[first : first + FEW].mean() >= 0.8:
            return first
    return int(near.size - FEW)


def _inside(mark_s: float, wait_s: float, stop_s: float) -> float:
    """``mark_s + wait_s``, but not past the middle of a stage that is shorter than it should be."""
    return min(mark_s + wait_s, 0.5 * (mark_s + stop_s))


def _with_jump(
    samples: Samples,
    marks: Marks,
    off_s: float,
    base: float,
    high: float,
    step: float,
    *,
    line: bool,
) -> Stages:
    """Stages of a cycle whose jump stands out."""
    usable = samples.usable()
    quiet = min(0.5 * step, QUIET_MOST * abs(high - base))
    until_off = usable.between(marks.start_s, off_s - EARLY_S)
    rise = switch_time(until_off, marks.on_s, off_s, base, high, quiet)
    before = until_off.between(marks.start_s, rise[0])  # the last quiet one may be on its way
    on_at_s = 0.5 * sum(first_sign(samples, rise))
    on_and_after = usable.between(rise[1], marks.end_s)
    late = usable.between(off_s + LATE_S, marks.end_s)
    stayed = len(late) >= FEW
    if not stayed:
        late = on_and_after.where(np.arange(len(on_and_after)) >= len(on_and_after) - 3)
    low = float(np.median(late.mv)) if len(late) else high
    flags = timing_flags(first_sign(samples, rise), marks.on_s)
    off_at_s: float | None = None
    last_on_s = off_s - EARLY_S
    after = usable.between(marks.end_s, marks.end_s)
    if marks.off_s is not None and abs(low - high) > 0.5 * abs(high - base):
        tail = on_and_after.between(off_s - 3.0 * EARLY_S, off_s - EARLY_S)
        level_on = float(np.median(tail.mv)) if len(tail) else high
        quiet_on = max(
            STEP_SDS * difference_sd(tail.mv),
            2.0 * tail.display_mv,
            ON_QUIET_SHARE * abs(high - base),
            0.5 * LINE_SHARE * abs(high) if line else 0.0,
        )
        quiet_on = min(quiet_on, QUIET_MOST * abs(high - low))
        fall = switch_time(on_and_after, marks.off_s, marks.end_s, level_on, low, quiet_on)
        off_at_s, last_on_s = 0.5 * sum(fall), fall[0]
        flags += timing_flags(fall, marks.off_s)
        after = settled(usable.between(fall[1] + SETTLE_S, marks.end_s), line)
    elif marks.off_s is not None and stayed:
        flags.append(Flag.LOAD_STAYED_ON)
    during = usable.between(_inside(on_at_s, SETTLE_S, last_on_s), last_on_s)
    on = near_level(during, line)
    return Stages(before, during, settled(before, line), on, after, on_at_s, off_at_s, flags)


def switch_time(
    samples: Samples, mark_s: float, stop_s: float, before: float, after: float, quiet: float
) -> tuple[float, float]:
    """Times of the last reading before and the first reading in a switching near a mark.

    The most likely change from ``SLACK_S`` before the mark's time to ``stop_s`` splits the two
    levels; from there the search goes back to the last reading within ``quiet`` of the level
    before. Values are clipped to the two levels, so that no wild reading draws the split.
    """
    low, high = min(before, after), max(before, after)
    clipped = np.clip(samples.mv, low, high)
    times = samples.t_s
    inside = (times > mark_s - EARLY_S - SLACK_S) & (times < stop_s)
    candidates = np.flatnonzero(inside[1:]) + 1
    if candidates.size == 0 or times.size < 2:
        return mark_s, mark_s
    split = most_likely_change(clipped, int(candidates[0]), int(candidates[-1])).split
    first = split
    while (
        first > 1
        and abs(samples.mv[first - 1] - before) > quiet
        and times[first - 1] > times[split] - RISE_S
    ):
        first -= 1
    return float(times[first - 1]), float(times[first])


def timing_flags(switching: tuple[float, float], mark_s: float) -> list[Flag]:
    """Flags of a load that certainly came outside the time that its mark allows."""
    if switching[1] < mark_s - EARLY_S - GRACE_S:
        return [Flag.LOAD_EARLY]
    return [Flag.LOAD_LATE] if switching[0] > mark_s + LATE_S + GRACE_S else []


def first_sign(samples: Samples, switching: tuple[float, float]) -> tuple[float, float]:
    """Move a switching back to the overload of a range change that announced it.

    Between that and the first reading on the new range a meter may show an old value once more.
    """
    before = samples.between(switching[1] - RANGE_CHANGE_S, switching[1])
    signs = before.t_s[before.state == State.OVERLOAD]
    if signs.size == 0 or signs[0] > switching[0]:
        return (switching[0], float(signs[0])) if signs.size else switching
    quiet = samples.t_s[(samples.t_s < signs[0]) & (samples.state == State.USABLE)]
    return (float(quiet[-1]) if quiet.size else float(signs[0])), float(signs[0])
