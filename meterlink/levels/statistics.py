"""Levels of series of readings, fits under correlated noise, and the distributions behind both."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

MAD_TO_SD = 1.4826  # median absolute deviation of a normal to its sd: 1 / Phi^-1(3/4)
OUTLIER_SDS = 4.0  # beyond this a reading says nothing of the level; 1 in 16,000 if normal
LEAST_U_MV = 0.001  # no meter here tells a microvolt better, whatever its display says
BLOCKS = 48  # values that a stage is averaged to at most, for fits of bounded cost
# Half-widths of the uniform distributions whose equal mixture is the unit normal: square roots of
# quantiles of chi-square with 3 degrees of freedom at (k + 1/2) / 12 (scipy.stats.chi2.ppf).
_HALF_WIDTHS = np.array(
    [
        0.55585, 0.83208, 1.01962, 1.17816, 1.32438, 1.46662,
        1.61096, 1.76347, 1.93233, 2.13184, 2.39571, 2.86715,
    ]
)  # fmt: skip
_HALF_WIDTHS /= np.sqrt(np.mean(_HALF_WIDTHS**2) / 3.0)  # the mixture's variance is exactly 1
_NODES, _NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(9)
_NODE_WEIGHTS = _NODE_WEIGHTS / _NODE_WEIGHTS.sum()


@dataclass(frozen=True, slots=True)
class Level:
    """A level, and the spread of single readings about it.

    Attributes:
        value: Mean of the readings kept.
        sd: Their sample standard deviation, not below the display's share.
        lag1: Their lag-1 autocorrelation (0 where there are fewer than four).
        se: Standard error of ``value`` with the autocorrelation counted.
        n: Number of readings kept.
    """

    value: float
    sd: float
    lag1: float
    se: float
    n: int


def mean(values: Floats) -> float:
    """Arithmetic mean, with a second pass that takes out the rounding of the first.

    Raises:
        ValueError: No values.
    """
    if values.size == 0:
        raise ValueError("no values, no mean")
    first = float(np.mean(values))
    return first + float(np.mean(values - first))


def standard_deviation(values: Floats) -> float:
    """Sample standard deviation (n - 1), corrected two-pass algorithm (Chan, Golub, LeVeque 1983).

    Raises:
        ValueError: Fewer than two values.
    """
    if values.size < 2:
        raise ValueError("a standard deviation needs two values")
    apart = values - mean(values)
    squares = float(apart @ apart) - float(apart.sum()) ** 2 / values.size
    return float(np.sqrt(max(squares, 0.0) / (values.size - 1)))


def lag1_autocorrelation(values: Floats) -> float:
    """Lag-1 autocorrelation as NIST defines it (e-Handbook 1.3.5.12): about one common mean.

    Returns:
        Between -1 and 1; 0 for a constant series.

    Raises:
        ValueError: Fewer than two values.
    """
    if values.size < 2:
        raise ValueError("an autocorrelation needs two values")
    apart = values - mean(values)
    total = float(apart @ apart)
    return float(apart[1:] @ apart[:-1]) / total if total > 0.0 else 0.0


def robust_center(values: Floats) -> tuple[float, float]:
    """Median and the spread about it: ``MAD_TO_SD`` times the median absolute deviation."""
    center = float(np.median(values))
    return center, MAD_TO_SD * float(np.median(np.abs(values - center)))


def difference_sd(values: Floats) -> float:
    """Spread of readings from their successive differences, blind to slow wander and to few steps.

    Half the readings may be anything. 0 for fewer than two values.
    """
    if values.size < 2:
        return 0.0
    return MAD_TO_SD * float(np.median(np.abs(np.diff(values)))) / float(np.sqrt(2.0))


def display_sd(resolution: float | None) -> float:
    """Spread that rounding to the display leaves: one digit over root 12 (JCGM 100, F.2.2.1)."""
    return (resolution or 0.0) / float(np.sqrt(12.0))


def inliers(values: Floats, floor: float) -> npt.NDArray[np.bool_]:
    """Which readings belong to the level: within ``OUTLIER_SDS`` spreads of the median.

    Args:
        values: Shape (n,).
        floor: Least spread to use, so that a display resting on one digit rejects nothing near it.
    """
    center, spread = robust_center(values)
    keep: npt.NDArray[np.bool_] = np.abs(values - center) <= OUTLIER_SDS * max(spread, floor)
    return keep


def level(values: Floats, resolution: float | None = None) -> Level:
    """Level of readings that belong together, outliers left out.

    The standard error counts the autocorrelation: for a first-order process with lag-1
    correlation r, ``sd / sqrt(n) * sqrt((1 + r) / (1 - r))`` (Priestley 1981, 5.3.5; from memory).
    Negative estimates of r are taken as 0: they would make the error smaller on thin evidence.
    It is floored at the display's share, which averaging does not remove when noise is small.

    Args:
        values: Shape (n,), n >= 1, finite.
        resolution: Weight of the display's last digit, in the unit of the values.

    Raises:
        ValueError: No values.
    """
    if values.size == 0:
        raise ValueError("no readings, no level")
    floor = display_sd(resolution)
    kept = values[inliers(values, max(floor, 1e-12))] if values.size > 3 else values
    sd = max(standard_deviation(kept) if kept.size > 1 else 0.0, floor)
    lag1 = lag1_autocorrelation(kept) if kept.size > 3 else 0.0
    r = min(max(lag1, 0.0), 0.95)
    se = sd / float(np.sqrt(kept.size)) * float(np.sqrt((1.0 + r) / (1.0 - r)))
    return Level(mean(kept), sd, lag1, max(min(se, sd), floor), int(kept.size))


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
    curves: npt.NDArray[np.intp]

    def of(self, which: int) -> tuple[float, float]:
        """Mean and standard deviation of one coefficient over all fits."""
        means = self.coefficients[:, which]
        mean = float(self.weights @ means)
        spread = self.variances[:, which] + (means - mean) ** 2
        return mean, float(np.sqrt(self.weights @ spread))


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


def averaged(matrix: Floats, sizes: Floats) -> Floats:
    """Covariance of averages, each of so many values that follow each other.

    A slow process is less rough in averages than in the readings themselves.
    """
    starts = (np.cumsum(sizes) - sizes).astype(np.intp)
    sums = np.add.reduceat(np.add.reduceat(matrix, starts, axis=0), starts, axis=1)
    result: Floats = sums / np.outer(sizes, sizes)
    return result


def fit(
    values: Floats,
    design: Floats,
    models: tuple[Floats, Floats],
    curves: tuple[Floats, Sequence[Floats]],
    prior_mean: Floats,
    prior_sd: Floats,
) -> Fit:
    """Bayesian linear fits under each noise model with each set of curves as further columns.

    The columns of ``design`` have flat priors, the curves' coefficients normal ones.

    Args:
        values: Shape (n,).
        design: Shape (n, k).
        models: Log priors (m,) and covariances (m, n, n) of the noise.
        curves: Log priors (s,) and as many sets of curves, each of shape (n, c).
        prior_mean: Shape (c,), of the curves' coefficients.
        prior_sd: Shape (c,).
    """
    (log_models, noise), (log_curves, sets) = models, curves
    k, c = design.shape[1], prior_mean.size
    factor = np.linalg.cholesky(noise)
    columns = np.concatenate([values[:, np.newaxis], design, *sets], axis=1)
    white = np.linalg.solve(factor, np.broadcast_to(columns, (noise.shape[0], *columns.shape)))
    y = white[:, np.newaxis, :, 0]
    x = np.stack(
        [
            np.concatenate(
                [white[:, :, 1 : 1 + k], white[:, :, 1 + k + j * c : 1 + k + (j + 1) * c]], axis=2
            )
            for j in range(len(sets))
        ],
        axis=1,
    )
    precision = np.concatenate([np.zeros(k), prior_sd**-2.0])
    mean = np.concatenate([np.zeros(k), prior_mean])
    transposed = np.swapaxes(x, 2, 3)
    gram = transposed @ x + np.diag(precision)
    cov = np.linalg.inv(gram)
    right = (transposed @ y[..., np.newaxis])[..., 0] + precision * mean
    coefficients = (cov @ right[..., np.newaxis])[..., 0]
    apart = y - (x @ coefficients[..., np.newaxis])[..., 0]
    pull = (coefficients - mean)[..., k:] / prior_sd
    half_logs = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    evidence = (
        (log_models - half_logs)[:, np.newaxis]
        + log_curves
        - 0.5 * ((apart**2).sum(axis=2) + (pull**2).sum(axis=2))
        - 0.5 * np.linalg.slogdet(gram)[1]
    ).ravel()
    weights = np.exp(evidence - evidence.max())
    return Fit(
        coefficients.reshape(-1, k + c),
        np.diagonal(cov, axis1=2, axis2=3).reshape(-1, k + c),
        weights / weights.sum(),
        np.tile(np.arange(len(sets)), noise.shape[0]),
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


def rms(values: Sequence[float] | Floats) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


@dataclass(frozen=True, slots=True)
class DropMode:
    """One normal of a mixture.

    Attributes:
        weight: All sum to 1; before that, its likelihood integrated over the drop.
        drop_mv, u_mv: Its drop and standard uncertainty.
        near: It goes down to no drop where the levels are equal.
    """

    weight: float
    drop_mv: float
    u_mv: float
    near: bool = False


def magnitude_cdf(m: Floats, d: Floats, a: float) -> Floats:
    """Probability that the meter shows at most ``m`` with drop ``d``, pickup ``a``, uniform phase.

    Args:
        m: Magnitudes in mV, broadcast against ``d``. Below 0 the probability is 0.
        d: Drops in mV, not negative.
        a: Pickup in mV, not negative.
    """
    floor = 1e-9 * (1.0 + a)
    shown = np.maximum(m, 0.0)
    cosine = (shown**2 - a * a - d * d) / (2.0 * max(a, floor) * np.maximum(d, floor))
    cdf: Floats = 1.0 - np.arccos(np.clip(cosine, -1.0, 1.0)) / np.pi
    return np.where(m < 0.0, 0.0, cdf)


def magnitude_likelihood(b: float, d: Floats, a: float, u: float) -> Floats:
    """Density of an observed on level at each drop under pickup, noise included.

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


def magnitude_within(a: float, band: float, d: Floats, u: float) -> Floats:
    """Probability that the on level stays within ``band`` of the idle level ``a`` at each drop.

    Args:
        a: Idle level in mV, pickup of uniform phase.
        band: Half-width in mV.
        d: Shape (k,), drops in mV.
        u: Standard uncertainty of the on level against ``a``; integrated by Gauss and Hermite.
    """
    noise = (u * _NODES)[:, np.newaxis]
    inside = magnitude_cdf(a + band - noise, d, a) - magnitude_cdf(a - band - noise, d, a)
    share: Floats = _NODE_WEIGHTS @ inside
    return share


def rayleigh(x: float, scale: float) -> float:
    """Density of a Rayleigh distribution; 0 far out."""
    return x / scale**2 * math.exp(-0.5 * (x / scale) ** 2) if x < 30.0 * scale else 0.0


def normal(x: float, sd: float) -> float:
    """Density of a normal distribution about 0; far out it stays above 0."""
    return math.exp(-0.5 * min((x / sd) ** 2, 1400.0)) / (sd * math.sqrt(2.0 * math.pi))


def below(x: float) -> float:
    """Distribution function of the unit normal."""
    return 0.5 * math.erfc(-x / math.sqrt(2.0))


def below_all(x: Floats) -> Floats:
    """Normal distribution function, by the logistic series of Tocher with Bowling's correction.

    Within 0.00015 everywhere (Bowling et al. 2009, from memory; checked in the tests).
    """
    bounded = np.clip(x, -8.0, 8.0)
    share: Floats = 1.0 / (1.0 + np.exp(-0.07056 * bounded**3 - 1.5976 * bounded))
    return share
