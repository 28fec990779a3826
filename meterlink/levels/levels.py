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

from meterlink.assumptions import USUAL, Levels
from meterlink.levels.stages import Stages
from meterlink.levels.statistics import (
    LEAST_U_MV,
    Fit,
    Floats,
    Level,
    averaged,
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
TAU_LOG_PRIORS = -0.5 * np.square(TAU_SDS)


@dataclass(frozen=True, slots=True)
class LevelsFound:
    """What the cycles of a test came to, in mV.

    Attributes:
        idle: Level without load before it; ``after`` the one behind it, which may be missing.
        on: Level with the load on; its ``se`` is the standard uncertainty of the warm level.
        base_mv: Level without load at the time of the load.
        u_mv: Standard uncertainty of ``on - base`` apart from the phase of the idle reading.
        low: Level at the load's lower setting, where a test has two; its ``se`` is like ``u_mv``.
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
    low: Level | None = None
    restless: bool = False
    cycles: int = 1
    differ: bool = False
    after_differs: bool = False


def measure_stages(stages: Sequence[Stages], assumed: Levels = USUAL.levels) -> LevelsFound | None:
    """Levels of a test; ``None`` where no cycle has readings both without load and with it.

    Not for line-drop, whose levels are the supply (``meterlink.levels.line_drop``).

    Args:
        stages: Of each cycle.
        assumed: Priors.
    """
    cycles = [_cycle(one, assumed) for one in with_levels(stages)]
    return cycles[0] if len(cycles) == 1 else _joined(cycles) if cycles else None


def with_levels(stages: Sequence[Stages]) -> list[Stages]:
    """The cycles that have readings both without load and with it."""
    return [one for one in stages if len(one.idle) and len(one.on)]


def level_of(stage: Samples) -> Level:
    """Plain level of a stage."""
    return replace(level(stage.mv, stage.display_mv), n=stage.readings)


def after_of(stages: Stages) -> Level | None:
    """Level behind the load, where there are readings enough."""
    return level_of(stages.after) if len(stages.after) >= LEAST_AFTER else None


def _cycle(stages: Stages, assumed: Levels) -> LevelsFound:
    """One cycle: a small level without load, the drop with the load."""
    idle, after = level_of(stages.idle), after_of(stages)
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
    restless = stages.on_at_s is not None and _is_restless(stages, idle, on, base, assumed)
    moved = range_mv(stages.during) if restless or stages.moved else 0.0
    low = _on_level(stages.low, stages, assumed) if len(stages.low) else None
    return LevelsFound(
        idle=idle,
        after=after,
        on=on,
        base_mv=base,
        u_mv=max(math.hypot(u_base, on.se, wander, 0.5 * moved), LEAST_U_MV),
        low=low and replace(low, se=math.hypot(u_base, low.se, wander)),
        restless=restless,
        after_differs=after_differs(idle, after, assumed, line=False),
    )


def _base_wander_mv(base_mv: float, assumed: Levels) -> float:
    """By how much a level without load wanders from stage to stage."""
    pickup = assumed.pickup_wander * min(abs(base_mv), assumed.largest_pickup_mv)
    return math.hypot(pickup, 2.0 * assumed.supply_wander * abs(base_mv))


def _is_restless(stages: Stages, idle: Level, on: Level, base_mv: float, assumed: Levels) -> bool:
    """Whether the level with the load on jumps about, as of a joint that opens and closes."""
    quiet = math.hypot(idle.sd, 2.0 * assumed.supply_wander * on.value)
    least = max(assumed.restless_sds * quiet, assumed.restless_jump * abs(on.value - base_mv))
    return stages.moved >= 2 or difference_sd(stages.during.mv) > least


def range_mv(during: Samples) -> float:
    """How far apart the levels with the load on are, strays left aside."""
    return float(np.ptp(np.quantile(during.mv, (0.05, 0.95)))) if len(during) >= 3 else 0.0


def _joined(cycles: list[LevelsFound]) -> LevelsFound:
    """Average the cycles of a test, each by what it knows."""
    us = np.array([one.u_mv for one in cycles])
    weights = us**-2.0 / np.sum(us**-2.0)
    jumps = np.array([one.on.value - one.base_mv for one in cycles])
    on = float(weights @ [one.on.value for one in cycles])
    spread = math.sqrt(weights @ (jumps - weights @ jumps) ** 2 / (len(cycles) - 1))
    apart = np.abs(jumps[:, np.newaxis] - jumps) / np.hypot(us[:, np.newaxis], us)
    differ = bool(apart.max() > CYCLES_APART)
    afters = [one.after for one in cycles if one.after]
    lows = [one.low for one in cycles if one.low]
    return LevelsFound(
        idle=mean_level([one.idle for one in cycles]),
        after=mean_level(afters) if afters else None,
        on=replace(mean_level([one.on for one in cycles]), value=on),
        base_mv=on - float(weights @ jumps),
        u_mv=max(float(np.linalg.norm(weights * us)), 0.5 * np.ptp(jumps) if differ else spread),
        low=replace(mean_level(lows), se=rms([one.se for one in lows])) if lows else None,
        restless=any(one.restless for one in cycles),
        cycles=len(cycles),
        differ=differ,
        after_differs=any(one.after_differs for one in cycles),
    )


def mean_level(levels: Sequence[Level]) -> Level:
    """Plain mean of levels; the spread is that within them."""
    value, sd, lag1, se = np.array([(x.value, x.sd, x.lag1, x.se) for x in levels]).T
    n, se_mv = sum(one.n for one in levels), rms(se) / math.sqrt(len(levels))
    return Level(float(np.mean(value)), rms(sd), float(np.mean(lag1)), se_mv, n)


def after_differs(idle: Level, after: Level | None, assumed: Levels, *, line: bool) -> bool:
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
        return level_of(on)
    warm = replace(assumed, inrush_share=0.5 * assumed.inrush_share) if stages.warm else assumed
    return on_level(on.t_s - stages.on_at_s, on.mv, on.count, on.display_mv, warm)


def on_level(
    since_s: Floats, mv: Floats, count: Floats, resolution_mv: float, assumed: Levels = USUAL.levels
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
    noise = noise_models(t, white / np.sqrt(sizes), rough, assumed)
    curves = (TAU_LOG_PRIORS, [curve[:, np.newaxis] for curve in sag_curves(t, assumed)])
    sag, sag_sd = assumed.inrush_share * rough, assumed.inrush_share_sd * abs(rough) + floor
    return fit(v, np.ones((t.size, 1)), noise, curves, np.array([sag]), np.array([sag_sd]))


def sag_curves(since_s: Floats, assumed: Levels = USUAL.levels) -> list[Floats]:
    """What the inrush could look like: ``exp(-t / tau)`` for each tau of ``TAU_SDS``."""
    since, factor = np.clip(since_s, 0.0, None), assumed.inrush_tau_factor
    return [np.exp(-since / (assumed.inrush_tau_s * factor**sds)) for sds in TAU_SDS]


def noise_models(
    t_s: Floats,
    white_sd: Floats,
    level_mv: float,
    assumed: Levels = USUAL.levels,
    sizes: Floats | None = None,
) -> tuple[Floats, Floats]:
    """Log priors (m,) and covariances (m, n, n) for slow and quick, small and large wander.

    What short records tell is how far the level drifts in a second, that is ``sd**2 / time``; the
    usual rate is that of the assumed supply.

    Args:
        t_s: Times of the readings.
        white_sd: Shape (n,), independent noise of each, or of each average.
        level_mv: What the wander is a share of.
        assumed: Priors.
        sizes: Shape (n,), how many readings that follow each other make each average; one each
            where it is missing.
    """
    usual_sd, none = assumed.supply_wander * abs(level_mv), np.zeros(t_s.size)
    unit = []
    for slow_s in assumed.correlations_s:
        sd = usual_sd * math.sqrt(slow_s / assumed.supply_wander_s)
        unit.append(covariance(t_s, none, sd, slow_s, assumed.rms_lag_s))
    if sizes is not None:
        unit = [averaged(one, sizes) for one in unit]
    times = np.repeat(assumed.wander_times, len(unit))
    log_priors: Floats = -0.5 * (np.log2(times) / assumed.wander_octaves) ** 2
    slow = np.tile(np.stack(unit), (len(assumed.wander_times), 1, 1))
    return log_priors, times[:, np.newaxis, np.newaxis] ** 2 * slow + np.diag(white_sd**2)
