"""Which readings belong to idle, on and after, when the marks only say about when.

The load comes on from 1 s before to 5 s after its mark, or never; off likewise. A jump that stands
out is timed by the single most likely change near the mark; readings between the last quiet one and
the settled level belong to no stage. Where no jump stands out, only readings that lie outside the
time in which it could have come are used.
"""

from dataclasses import dataclass, field

import numpy as np

from meterlink.levels.flags import Flag
from meterlink.levels.settling import (
    FEW,
    LINE_SHARE,
    STEP_SDS,
    least_step,
    near_level,
    settled,
)
from meterlink.levels.statistics import difference_sd
from meterlink.levels.switching import (
    EARLY_S,
    LATE_S,
    Switching,
    find_switching,
    first_sign,
    timing_flags,
)
from meterlink.levels.trace import Samples

LAG_S = 1.5  # of a meter behind a small change
SETTLE_S = 3.0  # until meter and leads have settled after a switching
QUIET_MOST = 0.25  # of a jump: a reading further from the level before has left it
ON_QUIET_SHARE = 0.01  # of the jump: a reading that is lower by more has begun to fall


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
    rough = _Rough(base, _loaded_level(rough_on, base), least_step(idle, base, line), line)
    if abs(rough.jump) < rough.step:
        after = usable.between(off_s + LATE_S + LAG_S, marks.end_s)
        return Stages(before, rough_on, idle, near_level(rough_on, line), after)
    return _with_jump(samples, marks, off_s, rough)


@dataclass(frozen=True, slots=True)
class _Rough:
    """First idea of the levels, in mV: without load, with it, and what stands out."""

    base: float
    high: float
    step: float
    line: bool

    @property
    def jump(self) -> float:
        return self.high - self.base


def _loaded_level(rough_on: Samples, base: float) -> float:
    """Rough level with the load on: of the stage's two halves, the one further from idle.

    A load that comes long after its mark or goes before it leaves half of the stage idle.
    """
    half = len(rough_on) // 2
    parts = (rough_on.mv[:half], rough_on.mv[half:]) if half >= FEW else (rough_on.mv,)
    return max((float(np.median(part)) for part in parts), key=lambda mv: abs(mv - base))


def _inside(mark_s: float, wait_s: float, stop_s: float) -> float:
    """``mark_s + wait_s``, but not past the middle of a stage that is shorter than it should be."""
    return min(mark_s + wait_s, 0.5 * (mark_s + stop_s))


def _with_jump(samples: Samples, marks: Marks, off_s: float, rough: _Rough) -> Stages:
    """Stages of a cycle whose jump stands out."""
    usable = samples.usable()
    until_off = usable.between(marks.start_s, off_s - EARLY_S)
    quiet = min(0.5 * rough.step, QUIET_MOST * abs(rough.jump))
    seen = find_switching(until_off, marks.on_s, off_s, rough.base, rough.high, quiet)
    rise = first_sign(samples, seen)
    before = until_off.between(marks.start_s, seen.quiet_s)  # the last may be on its way already
    loaded = usable.between(seen.moved_s, marks.end_s)
    fall, flags = _fall(loaded, marks, rough)
    last_on_s = off_s - EARLY_S if fall is None else fall.quiet_s
    after_from_s = marks.end_s if fall is None else fall.moved_s + SETTLE_S
    during = usable.between(_inside(rise.at_s, SETTLE_S, last_on_s), last_on_s)
    return Stages(
        before=before,
        during=during,
        idle=settled(before, rough.line),
        on=near_level(during, rough.line),
        after=settled(usable.between(after_from_s, marks.end_s), rough.line),
        on_at_s=rise.at_s,
        off_at_s=None if fall is None else fall.at_s,
        flags=timing_flags(rise, marks.on_s) + flags,
    )


def _fall(loaded: Samples, marks: Marks, rough: _Rough) -> tuple[Switching | None, list[Flag]]:
    """When the load went off, ``None`` where that was not seen, and what is odd about it.

    Args:
        loaded: Usable readings from the jump to the end of the cycle.
        marks: The cycle's marks.
        rough: Rough levels.
    """
    if marks.off_s is None:
        return None, []
    late = loaded.between(marks.off_s + LATE_S, marks.end_s)
    stayed = len(late) >= FEW
    low = float(np.median(late.mv if stayed else loaded.mv[-3:])) if len(loaded) else rough.high
    if abs(low - rough.high) <= 0.5 * abs(rough.jump):
        return None, [Flag.LOAD_STAYED_ON] if stayed else []
    tail = loaded.between(marks.off_s - 3.0 * EARLY_S, marks.off_s - EARLY_S)
    quiet = max(
        STEP_SDS * difference_sd(tail.mv),
        2.0 * tail.display_mv,
        ON_QUIET_SHARE * abs(rough.jump),
        0.5 * LINE_SHARE * abs(rough.high) if rough.line else 0.0,
    )
    high = float(np.median(tail.mv)) if len(tail) else rough.high
    quiet = min(quiet, QUIET_MOST * abs(rough.high - low))
    fall = find_switching(loaded, marks.off_s, marks.end_s, high, low, quiet)
    return fall, timing_flags(fall, marks.off_s)
