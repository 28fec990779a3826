"""One on/off cycle: stages become levels, a drop and its uncertainty."""

from dataclasses import dataclass, replace

import numpy as np

from meterlink.levels.checks import (
    has_gap,
    idle_flags,
    mostly_overload,
    on_flags,
    on_step_mv,
    refusals,
)
from meterlink.levels.flags import Flag
from meterlink.levels.on_level import (
    INRUSH_SHARE,
    INRUSH_SHARE_SD,
    OnLevel,
    on_level,
    sag_curves,
)
from meterlink.levels.settling import FEW
from meterlink.levels.stages import SETTLE_S, Marks, Stages, split_stages
from meterlink.levels.statistics import Level, difference_sd, display_sd, level
from meterlink.levels.trace import Samples
from meterlink.levels.wander import WANDER_SHARE, blocks, fit, mixture, noise_models

PICKUP_WANDER = 0.0525  # of the pickup level, per stage: idle and after of 85 recorded tests
#                         differ by 7.4 % rms, which is root 2 of it
AFTER_APART = 4.0  # standard uncertainties
LEAST_U_MV = 0.001  # where a still display does not say its resolution; no meter here knows better


@dataclass(frozen=True, slots=True)
class CycleResult:
    """What one cycle came to, in mV.

    Attributes:
        idle, after: Levels without load; ``after`` may be missing.
        on: Level with the load on.
        base_mv: Level without load at the time of the load: idle and after together.
        u_mv: Standard uncertainty of ``on - base`` apart from the phase of the pickup.
        on_at_s, off_at_s: When the load was seen to switch.
    """

    idle: Level
    on: OnLevel
    after: Level | None
    base_mv: float
    u_mv: float
    on_at_s: float | None
    off_at_s: float | None
    flags: tuple[Flag, ...] = ()


def measure_cycle(samples: Samples, marks: Marks, *, line: bool) -> CycleResult | None:
    """Measure one cycle; ``None`` where a stage has no usable reading.

    Args:
        samples: Readings of the cycle.
        marks: Its marks.
        line: Line-drop: levels are the supply and the drop is its sag.
    """
    stages = split_stages(samples, marks, line=line)
    if len(stages.idle) == 0 or len(stages.on) == 0:
        return None
    idle = replace(level(stages.idle.mv, stages.idle.display_mv), n=stages.idle.readings)
    after = level(stages.after.mv, stages.after.display_mv) if len(stages.after) >= 3 else None
    if line:
        result = _supply_cycle(stages, marks, idle, after)
    else:
        result = _pickup_cycle(stages, idle, after)
    inside = samples.between(marks.start_s, marks.end_s)
    return replace(result, flags=_flags(inside, stages, marks, idle, after, line=line))


def _on_level(stages: Stages) -> OnLevel:
    """Level with the load on; the sag of the first seconds counts only where a jump was seen."""
    on = stages.on
    if stages.on_at_s is None:
        flat = level(on.mv, on.display_mv)
        return OnLevel(flat.value, flat.se, flat.sd, on.readings)
    return on_level(on.t_s - stages.on_at_s, on.mv, on.count, on.display_mv)


def _pickup_cycle(stages: Stages, idle: Level, after: Level | None) -> CycleResult:
    """Neutral hookups: small levels without load, the drop with the load."""
    on = _on_level(stages)
    base, u_base, stages_free = idle.value, idle.se, 1.0
    stage_sd = max(PICKUP_WANDER * abs(base), slow_sd(stages.idle, idle))
    if after is not None:
        base, u_base, stages_free = (
            0.5 * (idle.value + after.value),
            0.5 * float(np.hypot(idle.se, after.se)),
            0.5,
        )
        stage_sd = max(stage_sd, abs(after.value - idle.value) / float(np.sqrt(2.0)))
    wander = stage_sd * float(np.sqrt(1.0 + stages_free))  # on, and the mean of idle and after
    step = on_step_mv(stages.during, line=False)  # which side of it counts is not known
    u = float(np.linalg.norm([u_base, on.u, wander, 0.5 * step]))
    return CycleResult(idle, on, after, base, max(u, LEAST_U_MV), stages.on_at_s, stages.off_at_s)


def slow_sd(stage: Samples, here: Level) -> float:
    """Spread of a level's slow wander in mV: that of the readings beyond their jitter.

    A stage lasts no longer than such wander does, so averaging takes none of it away.
    """
    return float(np.sqrt(max(here.sd**2 - difference_sd(stage.mv) ** 2, 0.0)))


def _supply_cycle(stages: Stages, marks: Marks, idle: Level, after: Level | None) -> CycleResult:
    """Line-drop: one supply that wanders through all three stages, and a sag in the middle one."""
    parts = [part for part in (stages.idle, stages.on, stages.after) if len(part)]
    packed = [blocks(part.t_s, part.mv) for part in parts]
    t = np.concatenate([block[0] for block in packed])
    mv = np.concatenate([block[1] for block in packed])
    sizes = np.concatenate([block[2] for block in packed])
    loaded = np.concatenate(
        [
            np.full(block[0].size, float(part is stages.on))
            for block, part in zip(packed, parts, strict=True)
        ]
    )
    display = max(part.display_mv for part in parts)
    white = max(difference_sd(stages.idle.mv), display_sd(display), 1e-6)
    models = noise_models(t, white / np.sqrt(sizes), idle.value)
    rough = abs(idle.value - float(np.median(stages.on.mv)))
    on_at_s = stages.on_at_s if stages.on_at_s is not None else marks.on_s + SETTLE_S
    curves = [(log_prior, -loaded * curve) for log_prior, curve in sag_curves(t - on_at_s)]
    design = np.column_stack([np.ones(t.size), -loaded])
    fits = fit(mv, design, models, curves, INRUSH_SHARE * rough, INRUSH_SHARE_SD * rough + 1e-3)
    drop, u = mixture(fits, 1)
    spread = level(stages.on.mv, stages.on.display_mv)
    on = OnLevel(spread.value, spread.se, spread.sd, stages.on.readings)
    base = on.value + drop
    step = on_step_mv(stages.during, line=True)
    u = float(np.linalg.norm([max(u, display_sd(display)), WANDER_SHARE * drop, 0.5 * step]))
    return CycleResult(idle, on, after, base, u, stages.on_at_s, stages.off_at_s)


def _flags(
    samples: Samples, stages: Stages, marks: Marks, idle: Level, after: Level | None, *, line: bool
) -> tuple[Flag, ...]:
    """Everything noticed in the cycle."""
    flags = list(stages.flags)
    if len(stages.idle) < FEW or len(stages.on) < FEW:
        flags.append(Flag.FEW_READINGS)
    if has_gap(samples, marks.start_s, marks.end_s):
        flags.append(Flag.GAP)
    if any(mostly_overload(samples.between(start, stop)) for start, stop in _spans(marks)):
        flags.append(Flag.OVERLOAD)
    flags += refusals(samples)
    flags += idle_flags(stages.before, stages.idle, line=line)
    flags += on_flags(stages.during, line=line)
    if after is None and Flag.LOAD_STAYED_ON not in flags:
        flags.append(Flag.NO_AFTER)
    elif after is not None and _after_differs(idle, after, line=line):
        flags.append(Flag.AFTER_DIFFERS)
    return tuple(dict.fromkeys(flags))


def _spans(marks: Marks) -> list[tuple[float, float]]:
    """The stages as the marks have them."""
    off_s = marks.end_s if marks.off_s is None else marks.off_s
    return [(marks.start_s, marks.on_s), (marks.on_s, off_s), (off_s, marks.end_s)]


def _after_differs(idle: Level, after: Level, *, line: bool) -> bool:
    """Whether the levels before and after are further apart than noise and wander explain."""
    share = WANDER_SHARE if line else PICKUP_WANDER
    wander = share * float(np.hypot(idle.value, after.value))
    return abs(after.value - idle.value) > AFTER_APART * float(
        np.sqrt(idle.se**2 + after.se**2 + wander**2)
    )
