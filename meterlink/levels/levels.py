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

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from meterlink.assumptions import USUAL, Levels
from meterlink.levels.stages import Stages
from meterlink.levels.statistics import Level, difference_sd, display_sd, level, robust_center
from meterlink.levels.trace import Floats, Samples

TAU_SDS = (-2.0, -1.0, 0.0, 1.0, 2.0)
BLOCKS = 48  # a stage is averaged to so many values at most
MOST_BLOCKS = 192  # all stages of a test
WILD_SDS = 8.0  # a reading further from the fitted curve is no reading of it
LEAST_U_MV = 0.001  # where a still display does not say its resolution; no meter here knows better
AFTER_APART = 4.0  # standard uncertainties
CYCLES_APART = 3.0


@dataclass(frozen=True, slots=True)
class Fit:
    """Coefficients of a design under every noise model and curve, weighed by their evidence.

    Attributes:
        coefficients: Shape (fits, k).
        variances: Shape (fits, k).
        weights: Shape (fits,), summing to 1.
        curves: Shape (fits,), which curve each fit has.
    """

    coefficients: Floats
    variances: Floats
    weights: Floats
    curves: "np.typing.NDArray[np.intp]"

    def of(self, which: int) -> tuple[float, float]:
        """Mean and standard deviation of one coefficient over all fits."""
        means = self.coefficients[:, which]
        mean = float(self.weights @ means)
        spread = self.variances[:, which] + (means - mean) ** 2
        return mean, float(np.sqrt(self.weights @ spread))


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


def _pickup_cycle(stages: Stages, assumed: Levels) -> LevelsFound:
    """Neutral hookups: small levels without load, the drop with the load."""
    idle = replace(level(stages.idle.mv, stages.idle.display_mv), n=stages.idle.readings)
    after = level(stages.after.mv, stages.after.display_mv) if len(stages.after) >= 3 else None
    on = _on_level(stages.on, stages, assumed)
    base, u_base, free = idle.value, idle.se, 1.0
    stage_sd = max(base_wander_mv(base, assumed), slow_sd(stages.idle, idle))
    if after is not None:
        base, u_base, free = (
            0.5 * (idle.value + after.value),
            0.5 * float(np.hypot(idle.se, after.se)),
            0.5,
        )
        stage_sd = max(stage_sd, abs(after.value - idle.value) / float(np.sqrt(2.0)))
    wander = stage_sd * float(np.sqrt(1.0 + free))  # on, and the mean of idle and after
    restless = _is_restless(stages, idle, on, base, assumed)
    moved = _range_mv(stages.during) if restless or stages.moved else 0.0
    u = float(np.linalg.norm([u_base, on.se, wander, 0.5 * moved]))
    low = _on_level(stages.low, stages, assumed) if len(stages.low) else None
    low_u = None if low is None else float(np.linalg.norm([u_base, low.se, wander]))
    return LevelsFound(
        idle=idle,
        after=after,
        on=on,
        base_mv=base,
        u_mv=max(u, LEAST_U_MV),
        low_mv=None if low is None else low.value,
        low_u_mv=low_u,
        restless=restless,
        after_differs=after is not None and _after_differs(idle, after, assumed, line=False),
    )


def base_wander_mv(base_mv: float, assumed: Levels) -> float:
    """By how much a level without load wanders from stage to stage."""
    pickup = assumed.pickup_wander * min(abs(base_mv), assumed.largest_pickup_mv)
    return float(np.hypot(pickup, 2.0 * assumed.supply_wander * abs(base_mv)))


def slow_sd(stage: Samples, here: Level) -> float:
    """Spread of a level's slow wander in mV: that of the readings beyond their jitter.

    A stage lasts no longer than such wander does, so averaging takes none of it away.
    """
    return float(np.sqrt(max(here.sd**2 - difference_sd(stage.mv) ** 2, 0.0)))


def _is_restless(stages: Stages, idle: Level, on: Level, base_mv: float, assumed: Levels) -> bool:
    """Whether the level with the load on jumps about, as of a joint that opens and closes."""
    if stages.on_at_s is None:
        return False
    if stages.moved >= 2:
        return True
    jump = abs(on.value - base_mv)
    quiet = float(np.linalg.norm([idle.sd, 2.0 * assumed.supply_wander * on.value]))
    scatter = difference_sd(stages.during.mv)
    return scatter > max(assumed.restless_sds * quiet, assumed.restless_jump * jump)


def _range_mv(during: Samples) -> float:
    """How far apart the levels with the load on lie, strays left aside."""
    if len(during) < 3:
        return 0.0
    return float(np.ptp(np.quantile(during.mv, (0.05, 0.95))))


def _joined(cycles: list[LevelsFound]) -> LevelsFound:
    """Average the cycles of a test, each by what it knows."""
    weights = np.array([one.u_mv**-2.0 for one in cycles])
    weights /= weights.sum()
    jumps = np.array([one.on.value - one.base_mv for one in cycles])
    on = float(weights @ [one.on.value for one in cycles])
    stated = float(np.sqrt(np.sum((weights * [one.u_mv for one in cycles]) ** 2)))
    spread = float(np.sqrt(weights @ (jumps - weights @ jumps) ** 2 / (len(cycles) - 1)))
    us = np.array([one.u_mv for one in cycles])
    apart = np.abs(jumps[:, np.newaxis] - jumps) / np.hypot(us[:, np.newaxis], us)
    differ = bool(apart.max() > CYCLES_APART)
    afters = [one.after for one in cycles if one.after is not None]
    lows = [one for one in cycles if one.low_mv is not None and one.low_u_mv is not None]
    return LevelsFound(
        idle=_mean_level([one.idle for one in cycles]),
        after=_mean_level(afters) if afters else None,
        on=replace(_mean_level([one.on for one in cycles]), value=on),
        base_mv=on - float(weights @ jumps),
        u_mv=max(stated, 0.5 * float(np.ptp(jumps)) if differ else spread),
        low_mv=float(np.mean([one.low_mv for one in lows])) if lows else None,
        low_u_mv=_rms([one.low_u_mv or 0.0 for one in lows]) if lows else None,
        restless=any(one.restless for one in cycles),
        cycles=len(cycles),
        differ=differ,
        after_differs=any(one.after_differs for one in cycles),
    )


def _mean_level(levels: Sequence[Level]) -> Level:
    """Plain mean of levels; the spread is that within them."""
    n = len(levels)
    return Level(
        float(np.mean([one.value for one in levels])),
        _rms([one.sd for one in levels]),
        float(np.mean([one.lag1 for one in levels])),
        _rms([one.se for one in levels]) / float(np.sqrt(n)),
        sum(one.n for one in levels),
    )


def _supply(stages: Sequence[Stages], assumed: Levels) -> LevelsFound:
    """Line-drop: one supply that wanders through all stages of all cycles, and a sag while on."""
    parts = [
        (part, k if part is one.on else -1)
        for k, one in enumerate(stages)
        for part in (one.idle, one.on, one.after)
        if len(part)
    ]
    most = max(min(BLOCKS, MOST_BLOCKS // len(parts)), 4)
    packed = [(*blocks(part.t_s, part.mv, most), cycle) for part, cycle in parts]
    order = np.argsort(np.concatenate([t for t, _, _, _ in packed]), kind="stable")
    t = np.concatenate([t for t, _, _, _ in packed])[order]
    mv = np.concatenate([v for _, v, _, _ in packed])[order]
    sizes = np.concatenate([n for _, _, n, _ in packed])[order]
    cycle = np.concatenate([np.full(v.size, c) for _, v, _, c in packed])[order]
    idle = _mean_level([level(one.idle.mv, one.idle.display_mv) for one in stages])
    spread = _mean_level([level(one.on.mv, one.on.display_mv) for one in stages])
    display = max(part.display_mv for part, _ in parts)
    white = max(_rms([difference_sd(one.idle.mv) for one in stages]), display_sd(display), 1e-6)
    rough = abs(idle.value - spread.value)
    started = [_started_s(one) for one in stages]
    curves = [np.zeros((t.size, len(stages))) for _ in TAU_SDS]
    for k, start_s in enumerate(started):
        for to, curve in zip(curves, sag_curves(t - start_s, assumed), strict=True):
            to[:, k] = -np.where(cycle == k, curve, 0.0)
    design = np.column_stack([np.ones(t.size), -(cycle >= 0).astype(float)])
    shares = np.array([assumed.inrush_share * (0.5 if one.warm else 1.0) for one in stages])
    found = fit(
        mv,
        design,
        noise_models(t, white / np.sqrt(sizes), idle.value, assumed),
        curves,
        shares * rough,
        np.full(len(stages), assumed.inrush_share_sd * rough + 1e-3),
    )
    drop, u = found.of(1)
    afters = [level(one.after.mv, one.after.display_mv) for one in stages if len(one.after) >= 3]
    after = _mean_level(afters) if afters else None
    moved = max((_range_mv(one.during) for one in stages if one.moved), default=0.0)
    u = float(
        np.linalg.norm([max(u, display_sd(display)), assumed.supply_wander * drop, 0.5 * moved])
    )
    return LevelsFound(
        idle=replace(idle, n=sum(one.idle.readings for one in stages)),
        after=after,
        on=replace(spread, se=u, n=sum(one.on.readings for one in stages)),
        base_mv=spread.value + drop,
        u_mv=max(u, LEAST_U_MV),
        restless=any(one.moved >= 2 for one in stages),
        cycles=len(stages),
        after_differs=after is not None and _after_differs(idle, after, assumed, line=True),
    )


def _started_s(stages: Stages) -> float:
    """When the load came on; about, where no jump was seen."""
    if stages.on_at_s is not None:
        return stages.on_at_s
    return float(stages.on.t_s[0]) - 3.0


def _after_differs(idle: Level, after: Level, assumed: Levels, *, line: bool) -> bool:
    """Whether the levels before and after are further apart than noise and wander explain."""
    sizes = np.array([idle.value, after.value])
    each = (
        assumed.supply_wander * sizes
        if line
        else np.array([base_wander_mv(float(size), assumed) for size in sizes])
    )
    wander = float(np.linalg.norm(each))
    return abs(after.value - idle.value) > AFTER_APART * float(
        np.sqrt(idle.se**2 + after.se**2 + wander**2)
    )


def _on_level(on: Samples, stages: Stages, assumed: Levels) -> Level:
    """Level with the load on; the sag of the first seconds counts only where a jump was seen."""
    if stages.on_at_s is None:
        flat = level(on.mv, on.display_mv)
        return replace(flat, n=on.readings)
    warm = assumed if not stages.warm else replace(assumed, inrush_share=0.5 * assumed.inrush_share)
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
    residuals = _residuals(found, since_s, mv, assumed)
    kept = np.abs(residuals - np.median(residuals)) <= WILD_SDS * max(
        white, robust_center(residuals)[1]
    )
    if 0 < int((~kept).sum()) < mv.size // 4:
        found = _warm_fit(since_s[kept], mv[kept], white, floor, assumed)
        residuals, count = residuals[kept], count[kept]
    value, u = found.of(0)
    spread = float(np.sqrt(np.mean(residuals**2)))
    return Level(value, max(spread, floor), 0.0, max(u, floor), int(count.sum()))


def _warm_fit(since_s: Floats, mv: Floats, white: float, floor: float, assumed: Levels) -> Fit:
    """Warm level and sag under every wander and every tau."""
    rough = float(np.median(mv[mv.size // 2 :]))
    t, v, sizes = blocks(since_s, mv, BLOCKS)
    models = noise_models(t, white / np.sqrt(sizes), rough, assumed)
    curves = [curve[:, np.newaxis] for curve in sag_curves(t, assumed)]
    prior_sd = assumed.inrush_share_sd * abs(rough) + floor
    mean = np.array([assumed.inrush_share * rough])
    return fit(v, np.ones((t.size, 1)), models, curves, mean, np.array([prior_sd]))


def _residuals(found: Fit, since_s: Floats, mv: Floats, assumed: Levels) -> Floats:
    """What the most probable fit leaves of each reading."""
    best = int(np.argmax(found.weights))
    warm, sag = found.coefficients[best]
    left: Floats = mv - warm - sag * sag_curves(since_s, assumed)[found.curves[best]]
    return left


def sag_curves(since_s: Floats, assumed: Levels = USUAL.levels) -> list[Floats]:
    """What the inrush could look like: ``exp(-t / tau)`` for each tau of ``TAU_SDS``."""
    since = np.clip(since_s, 0.0, None)
    return [
        np.exp(-since / (assumed.inrush_tau_s * assumed.inrush_tau_factor**sds)) for sds in TAU_SDS
    ]


def covariance(
    t_s: Floats, white_sd: Floats, wander_sd: float, correlation_s: float, lag_s: float
) -> Floats:
    """Covariance of readings: white noise and a slow process seen through the meter's lag.

    A first-order process with correlation time T through a first-order lag L has the covariance
    ``T (T exp(-t/T) - L exp(-t/L)) / (T**2 - L**2)`` times its variance (partial fractions of the
    product of the two spectra). Without the lag the smoothness of the readings would be taken for
    small wander.

    Args:
        t_s: Shape (n,), times.
        white_sd: Shape (n,), independent noise of each reading.
        wander_sd: Spread of the slow process before the lag.
        correlation_s: Its correlation time, not equal to ``lag_s``.
        lag_s: Time constant of the meter.

    Returns:
        Shape (n, n), positive definite where every ``white_sd`` is above 0.
    """
    apart = np.abs(t_s[:, np.newaxis] - t_s[np.newaxis, :])
    slow = correlation_s
    shape = slow * np.exp(-apart / slow) - lag_s * np.exp(-apart / lag_s)
    matrix: Floats = wander_sd**2 * slow / (slow**2 - lag_s**2) * shape
    matrix[np.diag_indices_from(matrix)] += white_sd**2
    return matrix


def noise_models(
    t_s: Floats, white_sd: Floats, level_mv: float, assumed: Levels = USUAL.levels
) -> tuple[Floats, Floats]:
    """Covariances for slow and quick, small and large wander, and the log prior of each.

    What short records tell is how far the level drifts in a second, that is ``sd**2 / time``; the
    usual rate is that of the assumed supply.

    Args:
        t_s: Shape (n,), times of the readings.
        white_sd: Shape (n,), independent noise of each.
        level_mv: What the wander is a share of.
        assumed: Priors.

    Returns:
        Log priors of shape (m,), covariances of shape (m, n, n).
    """
    usual_sd = assumed.supply_wander * abs(level_mv)
    white = np.zeros((t_s.size, t_s.size))
    white[np.diag_indices_from(white)] = white_sd**2
    unit = [
        covariance(
            t_s,
            np.zeros(t_s.size),
            usual_sd * float(np.sqrt(slow_s / assumed.supply_wander_s)),
            slow_s,
            assumed.rms_lag_s,
        )
        for slow_s in assumed.correlations_s
    ]
    priors = [
        -0.5 * (float(np.log2(times)) / assumed.wander_octaves) ** 2
        for times in assumed.wander_times
        for _ in assumed.correlations_s
    ]
    return np.array(priors), np.stack(
        [times * times * one + white for times in assumed.wander_times for one in unit]
    )


def fit(
    values: Floats,
    design: Floats,
    models: tuple[Floats, Floats],
    curves: Sequence[Floats],
    prior_mean: Floats,
    prior_sd: Floats,
) -> Fit:
    """Bayesian linear fits under each noise model with each set of curves as further columns.

    The columns of ``design`` have flat priors, the curves' coefficients normal ones.

    Args:
        values: Shape (n,).
        design: Shape (n, k).
        models: Log priors (m,) and covariances (m, n, n) of the noise.
        curves: Shape (n, c) each, for the ``TAU_SDS`` in order; their log prior is
            ``-sds**2 / 2``.
        prior_mean: Shape (c,), of the curves' coefficients.
        prior_sd: Shape (c,).
    """
    log_priors, noise = models
    k, c = design.shape[1], prior_mean.size
    factor = np.linalg.cholesky(noise)
    columns = np.concatenate([values[:, np.newaxis], design, *curves], axis=1)
    white = np.linalg.solve(factor, np.broadcast_to(columns, (noise.shape[0], *columns.shape)))
    y = white[:, np.newaxis, :, 0]
    x = np.stack(
        [
            np.concatenate(
                [white[:, :, 1 : 1 + k], white[:, :, 1 + k + j * c : 1 + k + (j + 1) * c]], axis=2
            )
            for j in range(len(curves))
        ],
        axis=1,
    )
    precision = np.concatenate([np.zeros(k), prior_sd**-2.0])
    mean = np.concatenate([np.zeros(k), prior_mean])
    transposed = np.swapaxes(x, 2, 3)
    normal = transposed @ x + np.diag(precision)
    cov = np.linalg.inv(normal)
    right = (transposed @ y[..., np.newaxis])[..., 0] + precision * mean
    coefficients = (cov @ right[..., np.newaxis])[..., 0]
    apart = y - (x @ coefficients[..., np.newaxis])[..., 0]
    pull = (coefficients - mean)[..., k:] / prior_sd
    half_logs = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    log_curves = np.array([-0.5 * sds * sds for sds in TAU_SDS[: len(curves)]])
    evidence = (
        (log_priors - half_logs)[:, np.newaxis]
        + log_curves
        - 0.5 * ((apart**2).sum(axis=2) + (pull**2).sum(axis=2))
        - 0.5 * np.linalg.slogdet(normal)[1]
    ).ravel()
    weights = np.exp(evidence - evidence.max())
    return Fit(
        coefficients.reshape(-1, k + c),
        np.diagonal(cov, axis1=2, axis2=3).reshape(-1, k + c),
        weights / weights.sum(),
        np.tile(np.arange(len(curves)), noise.shape[0]),
    )


def blocks(t_s: Floats, values: Floats, most: int = BLOCKS) -> tuple[Floats, Floats, Floats]:
    """Average neighbours so that at most ``most`` values are left.

    Returns:
        Times, values and number of readings of each block, each of shape (m,), m <= most.
    """
    n = t_s.size
    if n <= most:
        return t_s, values, np.ones(n)
    edges = np.linspace(0, n, most + 1).round().astype(int)[:-1]
    sizes = np.diff(np.append(edges, n)).astype(np.float64)
    return np.add.reduceat(t_s, edges) / sizes, np.add.reduceat(values, edges) / sizes, sizes


def _rms(values: Sequence[float]) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))
