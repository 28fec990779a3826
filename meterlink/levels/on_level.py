"""The level with the load on: a heater's current starts high and sags to its warm value.

A cold heating element has a few per cent less resistance than a warm one, so the reading follows
``level * (1 + share * exp(-t / tau))`` after switching. The level wanted is the warm one, at which
the load's amps are stated. Share and tau have priors (common practice for resistive heaters:
3.5 +- 2 per cent, 3 s within a factor of 1.5); tau is integrated over a grid, the rest is linear.
A load without inrush is within the prior; where the drop is small the term vanishes in the noise.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from meterlink.levels.statistics import difference_sd, display_sd, inliers, robust_center
from meterlink.levels.wander import WANDER_S, WANDER_SHARE, Fit, blocks, covariance, gls

Floats = npt.NDArray[np.float64]

INRUSH_SHARE = 0.035
INRUSH_SHARE_SD = 0.02
INRUSH_TAU_S = 3.0
INRUSH_TAU_FACTOR = 1.5
TAUS_S = INRUSH_TAU_S * np.exp(np.linspace(-2.0, 2.0, 9) * np.log(INRUSH_TAU_FACTOR))
TAU_LOG_PRIOR = -0.5 * np.linspace(-2.0, 2.0, 9) ** 2


@dataclass(frozen=True, slots=True)
class OnLevel:
    """Level with the load on, its standard uncertainty and the spread of readings, in mV."""

    value: float
    u: float
    sd: float
    n: int


def mixture(fits: list[Fit], which: int, log_prior: Floats) -> tuple[float, float]:
    """Mean and standard deviation of one coefficient over fits weighed by their evidence."""
    log_weights = np.array([fit.log_evidence for fit in fits]) + log_prior
    weights = np.exp(log_weights - log_weights.max())
    weights /= weights.sum()
    means = np.array([fit.coefficients[which] for fit in fits])
    variances = np.array([fit.covariance[which, which] for fit in fits])
    mean = float(weights @ means)
    return mean, float(np.sqrt(weights @ (variances + (means - mean) ** 2)))


def on_level(since_s: Floats, mv: Floats, count: Floats, resolution_mv: float) -> OnLevel:
    """Warm level of readings with the load on.

    Args:
        since_s: Shape (n,), n >= 1, seconds since the load came on.
        mv: Shape (n,), readings in mV.
        count: Shape (n,), readings in each.
        resolution_mv: Weight of the display's last digit.
    """
    floor = max(display_sd(resolution_mv), 1e-6)
    rough = robust_center(mv[mv.size // 2 :])[0]
    white = max(difference_sd(mv), floor)
    t, v, sizes = blocks(since_s, mv)
    noise = covariance(t, white / np.sqrt(sizes), WANDER_SHARE * abs(rough), WANDER_S)
    mean = np.array([0.0, INRUSH_SHARE * rough])
    sd = np.array([np.inf, INRUSH_SHARE_SD * abs(rough) + floor])
    fits = [
        gls(v, np.column_stack([np.ones(t.size), np.exp(-t / tau)]), noise, mean, sd)
        for tau in TAUS_S
    ]
    value, u = mixture(fits, 0, TAU_LOG_PRIOR)
    best = max(fits, key=lambda fit: fit.log_evidence)
    kept = best.residuals[inliers(best.residuals, floor)]
    spread = float(np.sqrt(np.mean(kept**2))) if kept.size else 0.0
    return OnLevel(value, max(u, floor), max(spread, floor), int(count.sum()))
