"""The drop behind two AC levels when the idle pickup has an unknown phase against it.

An AC meter shows magnitudes. Idle it shows the pickup ``a``; with the load on it shows
``b = abs(d + a exp(j phi))`` with the drop ``d`` wanted and ``phi`` unknown. For a uniform phase
the magnitude has the closed distribution

    P(b <= m | d) = 1 - arccos((m**2 - a**2 - d**2) / (2 a d)) / pi,

since ``b <= m`` is a condition on ``cos(phi)`` alone. Noise of the levels is normal; a normal is a
mixture of uniform distributions, so its likelihood is an average of differences of that closed form
and stays finite where the density of ``b`` itself does not (``b = d + a``, ``b = abs(d - a)``).

Prior: with probability one half the load current does not pass between the leads and ``d`` is 0;
else ``d`` may be anything up to ``WIDEST_DROP_MV``, evenly. (Common practice: about half the tests
of a visit show nothing, and drops rarely pass some volts.)
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

WIDEST_DROP_MV = 2000.0
PRIOR_NO_DROP = 0.5
ONE_SIGMA = 0.6827  # share of a normal distribution within one standard deviation
CERTAIN = 0.99  # probability of a drop from which a test is said to show one

# Half-widths of the uniform distributions whose equal mixture is the unit normal: square roots of
# quantiles of chi-square with 3 degrees of freedom at (k + 1/2) / 12 (scipy.stats.chi2.ppf).
_HALF_WIDTHS = np.array(
    [
        0.55585, 0.83208, 1.01962, 1.17816, 1.32438, 1.46662,
        1.61096, 1.76347, 1.93233, 2.13184, 2.39571, 2.86715,
    ]
)  # fmt: skip
_HALF_WIDTHS /= np.sqrt(np.mean(_HALF_WIDTHS**2) / 3.0)  # the mixture's variance is exactly 1
_GRID = 600


@dataclass(frozen=True, slots=True)
class DropEstimate:
    """What two levels say about the drop.

    Attributes:
        drop_mv: Posterior mean.
        drop_u_mv: Standard uncertainty: the posterior standard deviation, or half the width of
            the central interval of 68.3 % where that is wider. The error that an unknown phase
            leaves has the arcsine distribution, of which one standard deviation covers but half.
        p_drop: Posterior probability that there is a drop at all.
    """

    drop_mv: float
    drop_u_mv: float
    p_drop: float


def magnitude_cdf(m: Floats, d: Floats, a: float) -> Floats:
    """Probability that the meter shows at most ``m`` with drop ``d``, pickup ``a``, uniform phase.

    Args:
        m: Magnitudes in mV, broadcast against ``d``. Below 0 the probability is 0.
        d: Drops in mV, not negative.
        a: Pickup in mV, not negative.
    """
    floor = 1e-9 * (1.0 + a)
    below = np.maximum(m, 0.0)
    cosine = (below**2 - a * a - d * d) / (2.0 * max(a, floor) * np.maximum(d, floor))
    cdf: Floats = 1.0 - np.arccos(np.clip(cosine, -1.0, 1.0)) / np.pi
    return np.where(m < 0.0, 0.0, cdf)


def magnitude_likelihood(b: float, d: Floats, a: float, u: float) -> Floats:
    """Density of an observed on level at each drop, noise included.

    Args:
        b: On level in mV.
        d: Shape (k,), drops in mV.
        a: Idle level in mV.
        u: Standard uncertainty of ``b`` against ``a`` in mV, greater than 0.

    Returns:
        Shape (k,), per mV.
    """
    h = (u * _HALF_WIDTHS)[:, np.newaxis]
    share = magnitude_cdf(b + h, d, a) - magnitude_cdf(b - h, d, a)
    density: Floats = (share / (2.0 * h)).mean(axis=0)
    return density


def drop_from_magnitudes(a: float, b: float, u: float) -> DropEstimate:
    """Posterior of the drop from the idle and the on level of an AC meter.

    Args:
        a: Idle level in mV (a negative one counts by its size).
        b: On level in mV.
        u: Standard uncertainty of ``b - a`` in mV, greater than 0.

    Example:
        >>> estimate = drop_from_magnitudes(10.0, 200.0, 0.3)
        >>> round(estimate.drop_mv, 1), round(estimate.drop_u_mv, 1)
        (199.9, 8.8)
    """
    a, b = abs(a), abs(b)
    margin = 5.0 * u
    low, high = max(0.0, abs(b - a) - margin), b + a + margin
    step = (high - low) / _GRID
    d: Floats = low + step * (np.arange(_GRID, dtype=np.float64) + 0.5)
    density = magnitude_likelihood(b, d, a, u)
    some = (1.0 - PRIOR_NO_DROP) * float(density.sum()) * step / max(WIDEST_DROP_MV, high)
    none = PRIOR_NO_DROP * float(np.exp(-0.5 * ((b - a) / u) ** 2)) / (u * np.sqrt(2.0 * np.pi))
    return _mixture(d, density, some, none, u)


def drop_from_difference(delta: float, u: float) -> DropEstimate:
    """Posterior of the drop where levels are signed or the pickup does not matter.

    The drop is ``delta`` itself with its uncertainty; ``p_drop`` weighs it against no drop.

    Args:
        delta: Difference of levels in mV, of the sign that a drop gives.
        u: Its standard uncertainty in mV, greater than 0.
    """
    some = (1.0 - PRIOR_NO_DROP) / max(WIDEST_DROP_MV, abs(delta))
    none = PRIOR_NO_DROP * float(np.exp(-0.5 * (delta / u) ** 2)) / (u * np.sqrt(2.0 * np.pi))
    return DropEstimate(delta, u, some / (some + none))


def limit_for_magnitudes(a: float, u: float) -> float:
    """Smallest drop that shows with 95 % probability, whatever the phase.

    A drop shows when the on level leaves the band about the idle level in which "no drop" stays
    more probable than ``1 - CERTAIN``. Every larger drop shows with at least that probability.

    Args:
        a: Idle level in mV.
        u: Standard uncertainty of ``b - a`` in mV, greater than 0.
    """
    a = abs(a)
    band = u * band_in_u(u)
    d = np.linspace(0.0, 2.0 * a + band + 2.0 * u, _GRID)[1:]
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    noise = (u * nodes)[:, np.newaxis]
    inside = magnitude_cdf(a + band - noise, d, a) - magnitude_cdf(a - band - noise, d, a)
    missed = (weights / weights.sum()) @ inside
    too_small = np.flatnonzero(missed > 0.05)
    return float(d[min(int(too_small[-1]) + 1, d.size - 1)]) if too_small.size else float(d[0])


def limit_for_difference(u: float) -> float:
    """Smallest drop that shows with 95 % probability where levels are signed, in mV."""
    return u * (band_in_u(u) + 1.645)  # 1.645: 95 % point of the normal distribution


def band_in_u(u: float) -> float:
    """How many standard uncertainties a level must move for ``CERTAIN`` to be reached."""
    odds = (1.0 - CERTAIN) / CERTAIN * (1.0 - PRIOR_NO_DROP) / PRIOR_NO_DROP
    ratio = odds * u * np.sqrt(2.0 * np.pi) / WIDEST_DROP_MV
    return float(np.sqrt(max(-2.0 * np.log(min(ratio, 1.0)), 1.0)))


def _mixture(d: Floats, density: Floats, some: float, none: float, u: float) -> DropEstimate:
    """Mean and spread of a point mass at zero together with a density over the drops."""
    if some + none <= 0.0 or density.sum() <= 0.0:  # further off than numbers reach: no doubt left
        return DropEstimate(float(d.mean()), max(float(np.ptp(d)) / 4.0, u), 1.0)
    p_drop = some / (some + none)
    weights = density / density.sum()
    mean = p_drop * float(weights @ d)
    sd = float(np.sqrt(max(p_drop * float(weights @ (d * d)) - mean * mean, 0.0)))
    cumulative = (1.0 - p_drop) + p_drop * np.cumsum(weights)
    low, high = np.interp((0.5 - ONE_SIGMA / 2, 0.5 + ONE_SIGMA / 2), cumulative, d)
    half = 0.5 * float(high - low) if p_drop > 0.5 else 0.0
    return DropEstimate(mean, max(sd, half, u), p_drop)
