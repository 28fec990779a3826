"""Stages become levels with uncertainties: idle, on and after, of each cycle or of all together.

Supply and drop wander by a tenth of a per cent within seconds. Such noise does not average down
with the square root of the readings, so it stands in the covariance of a generalised least squares
fit: white noise plus a first-order (Ornstein-Uhlenbeck) process. The fit then weighs readings by
their closeness to the switching by itself, several short cycles cancel the wander, and the
uncertainty is honest.

A heater's current starts high and sags to its warm value: a cold element has a few per cent less
resistance than a warm one, so the drop follows ``level * (1 + share * exp(-t / tau))``. The level
wanted is the warm one, at which the load's amps are stated. Share and tau have priors; tau is
integrated over a grid, the rest is linear.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from meterlink.assumptions import USUAL, Levels
from meterlink.levels.stages import Stages
from meterlink.levels.statistics import (
    BLOCKS,
    LEAST_U_MV,
    Fit,
    Floats,
    Level,
    blocks,
    covariance,
    difference_sd,
    display_sd,
    fit,
    level,
    rms,
    robust_center,
)
from meterlink.levels.trace import Samples

TAU_SDS = (-2.0, -1.0, 0.0, 1.0, 2.0)
MOST_BLOCKS = 192  # all stages of a test
WILD_SDS = 8.0  # a reading further from the fitted curve is no reading of it
LEAST_AFTER = 3  # readings that make a level after the load
AFTER_APART = 4.0  # standard uncertainties
CYCLES_APART = 3.0
_TAU_LOG_PRIORS = -0.5 * np.square(TAU_SDS)


@dataclass(frozen=True, slots=True)
class LevelsFound:
    """What the cycles of a test came to, in mV.

    Attributes:
        idle: Level without load before it; ``after`` the one behind it, which may be missing.
        on: Level with the load on; its ``se`` is the standard uncertainty of the warm level.
        base_mv: Level without load at the time of the load.
        u_mv: Standard uncertainty of ``on - base`` apart from the phase of the idle reading.
        low_mv, low_u_mv: Level at the load's lower setting, where a test has two.
        restless: The level with the load on jumps about.
        cycles: Number of on/off cycles.
        differ: They disagree by more than their uncertainty.
        after_differs: The levels before and after are further apart than wander explains.
    """

    idle: Level
    after: Level | None
    on: Level
    base_mv: float
    u_mv: float
    low_mv: float | None = None
    low_u_mv: float | None = None
    restless: bool = False
    cycles: int = 1
    differ: bool = False
    after_differs: bool = False


def measure_stages(
    stages: Sequence[Stages], *, line: bool, assumed: Levels = USUAL.levels
) -> LevelsFound | None:
    """Levels of a test; ``None`` where no cycle has readings both without load and with it.

    Args:
        stages: Of each cycle.
        line: Line-drop: levels are the supply and the drop is its sag.
        assumed: Priors.
    """
    usable = [one for one in stages if len(one.idle) and len(one.on)]
    if not usable:
        return None
    if line:
        return _supply(usable, assumed)
    cycles = [_pickup_cycle(one, assumed) for one in usable]
    return cycles[0] if len(cycles) == 1 else _joined(cycles)


def _level_of(stage: Samples) -> Level:
    """Plain level of a stage."""
    return replace(level(stage.mv, stage.display_mv), n=stage.readings)


def _after_of(stages: Stages) -> Level | None:
    """Level behind the load, where there are readings enough."""
    return _level_of(stages.after) if len(stages.after) >= LEAST_AFTER else None


def _pickup_cycle(stages: Stages, assumed: Levels) -> LevelsFound:
    """Neutral hookups: small levels without load, the drop with the load."""
    idle, after = _level_of(stages.idle), _after_of(stages)
    on = _on_level(stages.on, stages, assumed)
    base, u_base, free = idle.value, idle.se, 1.0
    slow_sd = math.sqrt(max(idle.sd**2 - difference_sd(stages.idle.mv) ** 2, 0.0))
    # A stage lasts no longer than slow wander does, so averaging takes none of it away.
    stage_sd = max(_base_wander_mv(base, assumed), slow_sd)
    if after is not None:
        base, free = 0.5 * (idle.value + after.value), 0.5
        u_base = 0.5 * math.hypot(idle.se, after.se)
        stage_sd = max(stage_sd, abs(after.value - idle.value) / math.sqrt(2.0))
    wander = stage_sd * math.sqrt(1.0 + free)  # on, and the mean of idle and after
    restless = _is_restless(stages, idle, on, base, assumed)
    moved = _range_mv(stages.during) if restless or stages.moved else 0.0
    low = _on_level(stages.low, stages, assumed) if len(stages.low) else None
    return LevelsFound(
        idle=idle,
        after=after,
        on=on,
        base_mv=base,
        u_mv=max(math.hypot(u_base, on.se, wander, 0.5 * moved), LEAST_U_MV),
        low_mv=None if low is None else low.value,
        low_u_mv=None if low is None else math.hypot(u_base, low.se, wander),
        restless=restless,
        after_differs=_after_differs(idle, after, assumed, line=False),
    )


def _base_wander_mv(base_mv: float, assumed: Levels) -> float:
    """By how much a level without load wanders from stage to stage."""
    pickup = assumed.pickup_wander * min(abs(base_mv), assumed.largest_pickup_mv)
    return math.hypot(pickup, 2.0 * assumed.supply_wander * abs(base_mv))


def _is_restless(stages: Stages, idle: Level, on: Level, base_mv: float, assumed: Levels) -> bool:
    """Whether the level with the load on jumps about, as of a joint that opens and closes."""
    if stages.on_at_s is None:
        return False
    quiet = math.hypot(idle.sd, 2.0 * assumed.supply_wander * on.value)
    least = max(assumed.restless_sds * quiet, assumed.restless_jump * abs(on.value - base_mv))
    return stages.moved >= 2 or difference_sd(stages.during.mv) > least


def _range_mv(during: Samples) -> float:
    """How far apart the levels with the load on lie, strays left aside."""
    return float(np.ptp(np.quantile(during.mv, (0.05, 0.95)))) if len(during) >= 3 else 0.0


def _joined(cycles: list[LevelsFound]) -> LevelsFound:
    """Average the cycles of a test, each by what it knows."""
    us = np.array([one.u_mv for one in cycles])
    weights = us**-2.0 / np.sum(us**-2.0)
    jumps = np.array([one.on.value - one.base_mv for one in cycles])
    on = float(weights @ [one.on.value for one in cycles])
    stated = float(np.linalg.norm(weights * us))
    spread = math.sqrt(weights @ (jumps - weights @ jumps) ** 2 / (len(cycles) - 1))
    apart = np.abs(jumps[:, np.newaxis] - jumps) / np.hypot(us[:, np.newaxis], us)
    differ = bool(apart.max() > CYCLES_APART)
    afters = [one.after for one in cycles if one.after is not None]
    lows = [(one.low_mv, one.low_u_mv or 0.0) for one in cycles if one.low_mv is not None]
    return LevelsFound(
        idle=_mean_level([one.idle for one in cycles]),
        after=_mean_level(afters) if afters else None,
        on=replace(_mean_level([one.on for one in cycles]), value=on),
        base_mv=on - float(weights @ jumps),
        u_mv=max(stated, 0.5 * float(np.ptp(jumps)) if differ else spread),
        low_mv=float(np.mean([mv for mv, _ in lows])) if lows else None,
        low_u_mv=rms([u for _, u in lows]) if lows else None,
        restless=any(one.restless for one in cycles),
        cycles=len(cycles),
        differ=differ,
        after_differs=any(one.after_differs for one in cycles),
    )


def _mean_level(levels: Sequence[Level]) -> Level:
    """Plain mean of levels; the spread is that within them."""
    return Level(
        float(np.mean([one.value for one in levels])),
        rms([one.sd for one in levels]),
        float(np.mean([one.lag1 for one in levels])),
        rms([one.se for one in levels]) / math.sqrt(len(levels)),
        sum(one.n for one in levels),
    )


def _supply(stages: Sequence[Stages], assumed: Levels) -> LevelsFound:
    """Line-drop: one supply that wanders through all stages of all cycles, and a sag while on."""
    parts = [
        (part, k if part is one.on else -1)
        for k, one in enumerate(stages)
        for part in (one.idle, one.on, one.after if k == len(stages) - 1 else one.after.none())
        if len(part)
    ]  # what follows a cycle is the idle stage of the next
    most = max(min(BLOCKS, MOST_BLOCKS // len(parts)), 4)
    packed = [(*blocks(part.t_s, part.mv, most), k) for part, k in parts]
    columns = [(t, mv, n, np.full(t.size, k)) for t, mv, n, k in packed]
    t, mv, sizes, cycle = (np.concatenate(column) for column in zip(*columns, strict=True))
    order = np.argsort(t, kind="stable")
    t, mv, sizes, cycle = t[order], mv[order], sizes[order], cycle[order]
    idle = _mean_level([_level_of(one.idle) for one in stages])
    on = _mean_level([_level_of(one.on) for one in stages])
    display = display_sd(max(part.display_mv for part, _ in parts))
    white = max(rms([difference_sd(one.idle.mv) for one in stages]), display, 1e-6)
    rough = max(abs(idle.value - on.value), 1e-3)
    # One load has one inrush when it is cold and one when it ran just before: cycles repeat it.
    kinds = sorted({one.warm for one in stages})
    curves = [np.zeros((t.size, len(kinds) + 1)) for _ in TAU_SDS]
    tail = _tail(t, cycle, stages, assumed)
    for k, one in enumerate(stages):
        start_s = one.on.t_s[0] - 3.0 if one.on_at_s is None else one.on_at_s  # about, if unseen
        for to, curve in zip(curves, sag_curves(t - start_s, assumed), strict=True):
            to[:, kinds.index(one.warm)] -= np.where(cycle == k, curve, 0.0)
            to[:, -1] = tail
    shares = [assumed.inrush_share * (0.5 if warm else 1.0) for warm in kinds]
    spreads = [assumed.inrush_share_sd + 1e-3 / rough for _ in kinds]
    found = fit(
        mv,
        np.column_stack([np.ones(t.size), -(cycle >= 0).astype(float)]),
        noise_models(t, white / np.sqrt(sizes), idle.value, assumed),
        (_TAU_LOG_PRIORS, curves),
        rough * np.array([*shares, assumed.tail]),
        rough * np.array([*spreads, assumed.tail_sd]),
    )
    drop, u = found.of(1)
    afters = [after for one in stages if (after := _after_of(one)) is not None]
    after = _mean_level(afters) if afters else None
    moved = max((_range_mv(one.during) for one in stages if one.moved), default=0.0)
    u = math.hypot(max(u, display), assumed.supply_wander * drop, 0.5 * moved)
    return LevelsFound(
        idle=idle,
        after=after,
        on=replace(on, se=u),
        base_mv=on.value + drop,
        u_mv=max(u, LEAST_U_MV),
        restless=any(one.moved >= 2 for one in stages),
        cycles=len(stages),
        after_differs=_after_differs(idle, after, assumed, line=True),
    )


def _tail(
    t_s: Floats, cycle: npt.NDArray[np.intp], stages: Sequence[Stages], assumed: Levels
) -> Floats:
    """What a meter's lag leaves of each switching, as a share of the drop at that moment."""
    tail = np.zeros(t_s.size)
    for k, one in enumerate(stages):
        for at_s, sign, inside in ((one.on_at_s, 1.0, cycle == k), (one.off_at_s, -1.0, cycle < 0)):
            if at_s is not None:
                later = inside & (t_s > at_s)
                tail[later] += sign * np.exp((at_s - t_s[later]) / assumed.rms_lag_s)
    return tail


def _after_differs(idle: Level, after: Level | None, assumed: Levels, *, line: bool) -> bool:
    """Whether the levels before and after are further apart than noise and wander explain."""
    if after is None:
        return False
    wander = [
        assumed.supply_wander * one.value if line else _base_wander_mv(one.value, assumed)
        for one in (idle, after)
    ]
    return abs(after.value - idle.value) > AFTER_APART * math.hypot(idle.se, after.se, *wander)


def _on_level(on: Samples, stages: Stages, assumed: Levels) -> Level:
    """Level with the load on; the sag of the first seconds counts only where a jump was seen."""
    if stages.on_at_s is None:
        return _level_of(on)
    warm = replace(assumed, inrush_share=0.5 * assumed.inrush_share) if stages.warm else assumed
    return on_level(on.t_s - stages.on_at_s, on.mv, on.count, on.display_mv, warm)


def on_level(
    since_s: Floats,
    mv: Floats,
    count: Floats,
    resolution_mv: float,
    assumed: Levels = USUAL.levels,
) -> Level:
    """Warm level of readings with the load on; ``se`` is its standard uncertainty.

    Args:
        since_s: Shape (n,), n >= 1, seconds since the load came on.
        mv: Shape (n,), readings in mV.
        count: Shape (n,), readings in each.
        resolution_mv: Weight of the display's last digit.
        assumed: Priors of the inrush.
    """
    floor = max(display_sd(resolution_mv), 1e-6)
    white = max(difference_sd(mv), floor)
    found = _warm_fit(since_s, mv, white, floor, assumed)
    best = int(np.argmax(found.weights))
    warm, sag = found.coefficients[best]
    left = mv - warm - sag * sag_curves(since_s, assumed)[found.curves[best]]
    far = WILD_SDS * max(white, robust_center(left)[1])
    kept = np.abs(left - np.median(left)) <= far
    if 0 < int((~kept).sum()) < mv.size // 4:
        found = _warm_fit(since_s[kept], mv[kept], white, floor, assumed)
        left, count = left[kept], count[kept]
    value, u = found.of(0)
    return Level(value, max(rms(left), floor), 0.0, max(u, floor), int(count.sum()))


def _warm_fit(since_s: Floats, mv: Floats, white: float, floor: float, assumed: Levels) -> Fit:
    """Warm level and sag under every wander and every tau."""
    rough = float(np.median(mv[mv.size // 2 :]))
    t, v, sizes = blocks(since_s, mv)
    return fit(
        v,
        np.ones((t.size, 1)),
        noise_models(t, white / np.sqrt(sizes), rough, assumed),
        (_TAU_LOG_PRIORS, [curve[:, np.newaxis] for curve in sag_curves(t, assumed)]),
        np.array([assumed.inrush_share * rough]),
        np.array([assumed.inrush_share_sd * abs(rough) + floor]),
    )


def sag_curves(since_s: Floats, assumed: Levels = USUAL.levels) -> list[Floats]:
    """What the inrush could look like: ``exp(-t / tau)`` for each tau of ``TAU_SDS``."""
    since = np.clip(since_s, 0.0, None)
    return [
        np.exp(-since / (assumed.inrush_tau_s * assumed.inrush_tau_factor**sds)) for sds in TAU_SDS
    ]


def noise_models(
    t_s: Floats, white_sd: Floats, level_mv: float, assumed: Levels = USUAL.levels
) -> tuple[Floats, Floats]:
    """Log priors (m,) and covariances (m, n, n) for slow and quick, small and large wander.

    What short records tell is how far the level drifts in a second, that is ``sd**2 / time``; the
    usual rate is that of the assumed supply.

    Args:
        t_s: Shape (n,), times of the readings.
        white_sd: Shape (n,), independent noise of each.
        level_mv: What the wander is a share of.
        assumed: Priors.
    """
    usual_sd = assumed.supply_wander * abs(level_mv)
    none = np.zeros(t_s.size)
    unit = [
        covariance(
            t_s,
            none,
            usual_sd * math.sqrt(slow_s / assumed.supply_wander_s),
            slow_s,
            assumed.rms_lag_s,
        )
        for slow_s in assumed.correlations_s
    ]
    times = np.repeat(assumed.wander_times, len(unit))
    log_priors: Floats = -0.5 * (np.log2(times) / assumed.wander_octaves) ** 2
    slow = np.tile(np.stack(unit), (len(assumed.wander_times), 1, 1))
    return log_priors, times[:, np.newaxis, np.newaxis] ** 2 * slow + np.diag(white_sd**2)
