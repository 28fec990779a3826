"""The level with the load on: a heater's current starts high and sags to its warm value.

A cold heating element has a few per cent less resistance than a warm one, so the reading follows
``level * (1 + share * exp(-t / tau))`` after switching. The level wanted is the warm one, at which
the load's amps are stated. Share and tau have priors (common practice for resistive heaters:
3.5 +- 2 per cent, 3 s within a factor of 1.3); tau is integrated over a grid, the rest is linear.
A load without inrush is within the prior; where the drop is small the term vanishes in the noise.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from meterlink.levels.statistics import difference_sd, display_sd, robust_center
from meterlink.levels.wander import Fit, blocks, fit, mixture, noise_models

Floats = npt.NDArray[np.float64]

INRUSH_SHARE = 0.035
INRUSH_SHARE_SD = 0.02
INRUSH_TAU_S = 3.0
INRUSH_TAU_FACTOR = 1.3
WILD_SDS = 8.0  # a reading further from the fitted curve is no reading of it
TAU_SDS = (-2.0, -1.0, 0.0, 1.0, 2.0)


@dataclass(frozen=True, slots=True)
class OnLevel:
    """Level with the load on, its standard uncertainty and the spread of readings, in mV."""

    value: float
    u: float
    sd: float
    n: int


def sag_curves(since_s: Floats) -> list[tuple[float, Floats]]:
    """What the inrush could look like: log prior and ``exp(-t / tau)`` for each tau."""
    since = np.clip(since_s, 0.0, None)
    return [
        (-0.5 * sds * sds, np.exp(-since / (INRUSH_TAU_S * INRUSH_TAU_FACTOR**sds)))
        for sds in TAU_SDS
    ]


def on_level(since_s: Floats, mv: Floats, count: Floats, resolution_mv: float) -> OnLevel:
    """Warm level of readings with the load on.

    Args:
        since_s: Shape (n,), n >= 1, seconds since the load came on.
        mv: Shape (n,), readings in mV.
        count: Shape (n,), readings in each.
        resolution_mv: Weight of the display's last digit.
    """
    floor = max(display_sd(resolution_mv), 1e-6)
    white = max(difference_sd(mv), floor)
    fits = _fits(since_s, mv, white, floor)
    residuals = _residuals(fits, since_s, mv)
    kept = np.abs(residuals - np.median(residuals)) <= WILD_SDS * max(
        white, robust_center(residuals)[1]
    )
    if 0 < int((~kept).sum()) < mv.size // 4:
        fits = _fits(since_s[kept], mv[kept], white, floor)
        residuals, count = residuals[kept], count[kept]
    value, u = mixture(fits, 0)
    spread = float(np.sqrt(np.mean(residuals**2)))
    return OnLevel(value, max(u, floor), max(spread, floor), int(count.sum()))


def _fits(since_s: Floats, mv: Floats, white: float, floor: float) -> list[Fit]:
    """Warm level and sag under every wander and every tau."""
    rough = float(np.median(mv[mv.size // 2 :]))
    t, v, sizes = blocks(since_s, mv)
    models = noise_models(t, white / np.sqrt(sizes), rough)
    prior_sd = INRUSH_SHARE_SD * abs(rough) + floor
    return fit(v, np.ones((t.size, 1)), models, sag_curves(t), INRUSH_SHARE * rough, prior_sd)


def _residuals(fits: list[Fit], since_s: Floats, mv: Floats) -> Floats:
    """What the most probable fit leaves of each reading."""
    best = max(range(len(fits)), key=lambda k: fits[k].log_evidence)
    warm, sag = fits[best].coefficients
    curves = sag_curves(since_s)
    left: Floats = mv - warm - sag * curves[best % len(curves)][1]
    return left
