"""Levels under slow wander: generalised least squares with a correlated noise model.

The supply wanders by a tenth of a per cent within seconds, and with it every drop (a resistive load
draws in proportion). Such noise does not average down with the square root of the readings, so it
stands in the covariance: white noise plus a first-order (Ornstein-Uhlenbeck) process. The fit then
weighs readings by their closeness to the switching by itself, and its uncertainty is honest.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

WANDER_SHARE = (
    0.00125  # sd of the supply's wander over its level: fit to 5 recorded line-drop tests
)
WANDER_S = 5.0  # its correlation time in seconds, from the same fit
CORRELATIONS_S = (3.0, 8.0, 20.0)  # as likely as that one: 150 mV at 5 s, 200 at 8 s, 300 at 20 s
METER_LAG_S = 0.35  # common practice: meters follow a change within 0.2 to 0.5 s
WANDER_TIMES = (0.5, 1.0, 2.0, 4.0)  # other circuits wander more or less
WANDER_OCTAVES = 1.0  # spread of that, in factors of two (common practice)
MOST_BLOCKS = 48


@dataclass(frozen=True, slots=True)
class Fit:
    """Coefficients of a design with their covariance.

    Attributes:
        coefficients: Shape (k,).
        covariance: Shape (k, k).
        log_evidence: Log marginal likelihood with the log priors, up to a common constant.
    """

    coefficients: Floats
    covariance: Floats
    log_evidence: float


def covariance(t_s: Floats, white_sd: Floats, wander_sd: float, correlation_s: float) -> Floats:
    """Covariance of readings: white noise and a slow process seen through the meter's lag.

    A first-order process with correlation time T through a first-order lag L has the covariance
    ``T (T exp(-t/T) - L exp(-t/L)) / (T**2 - L**2)`` times its variance (partial fractions of the
    product of the two spectra). Without the lag the smoothness of the readings would be taken for
    small wander.

    Args:
        t_s: Shape (n,), times.
        white_sd: Shape (n,), independent noise of each reading.
        wander_sd: Spread of the slow process before the lag.
        correlation_s: Its correlation time, not equal to ``METER_LAG_S``.

    Returns:
        Shape (n, n), positive definite where every ``white_sd`` is above 0.
    """
    apart = np.abs(t_s[:, np.newaxis] - t_s[np.newaxis, :])
    slow, lag = correlation_s, METER_LAG_S
    shape = slow * np.exp(-apart / slow) - lag * np.exp(-apart / lag)
    matrix: Floats = wander_sd**2 * slow / (slow**2 - lag**2) * shape
    matrix[np.diag_indices_from(matrix)] += white_sd**2
    return matrix


def noise_models(t_s: Floats, white_sd: Floats, level: float) -> list[tuple[float, Floats]]:
    """Covariances for slow and quick, small and large wander, with the log prior of each.

    What short records tell is how far the level drifts in a second, that is ``sd**2 / time``; the
    usual rate is that of ``WANDER_SHARE`` and ``WANDER_S``.

    Args:
        t_s: Shape (n,), times of the readings.
        white_sd: Shape (n,), independent noise of each.
        level: What the wander is a share of.
    """
    usual_sd = WANDER_SHARE * abs(level)
    return [
        (
            -0.5 * (float(np.log2(times)) / WANDER_OCTAVES) ** 2,
            covariance(t_s, white_sd, times * usual_sd * float(np.sqrt(slow_s / WANDER_S)), slow_s),
        )
        for times in WANDER_TIMES
        for slow_s in CORRELATIONS_S
    ]


def fit(
    values: Floats,
    design: Floats,
    models: list[tuple[float, Floats]],
    curves: list[tuple[float, Floats]],
    prior_mean: float,
    prior_sd: float,
) -> list[Fit]:
    """Bayesian linear fits under each noise model with each curve as one more column.

    The columns of ``design`` have flat priors, the curve's coefficient a normal one.

    Args:
        values: Shape (n,).
        design: Shape (n, k).
        models: Log prior and covariance (n, n) of each noise model.
        curves: Log prior and values (n,) of each curve.
        prior_mean: Of the curve's coefficient.
        prior_sd: Of the curve's coefficient.

    Returns:
        One fit for each pair, the curves of the first model first.
    """
    return [
        _fit_one(values, np.column_stack([design, curve]), whiten, log_prior + log_curve,
                 prior_mean, prior_sd)
        for log_prior, noise in models
        for whiten in [np.linalg.inv(np.linalg.cholesky(noise))]
        for log_curve, curve in curves
    ]  # fmt: skip


def _fit_one(
    values: Floats,
    design: Floats,
    whiten: Floats,
    log_prior: float,
    prior_mean: float,
    prior_sd: float,
) -> Fit:
    """One fit; ``whiten`` is the inverse of the covariance's lower Cholesky factor."""
    x, y = whiten @ design, whiten @ values
    precision = np.zeros(design.shape[1])
    precision[-1] = prior_sd**-2.0
    normal = x.T @ x + np.diag(precision)
    cov: Floats = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    coefficients: Floats = cov @ (x.T @ y + precision * prior_mean)
    apart = y - x @ coefficients
    pull = (coefficients[-1] - prior_mean) / prior_sd
    log_evidence = (
        log_prior
        - 0.5 * float(apart @ apart + pull * pull)
        + float(np.log(np.diag(whiten)).sum())
        - 0.5 * float(np.linalg.slogdet(normal)[1])
    )
    return Fit(coefficients, cov, log_evidence)


def mixture(fits: list[Fit], which: int) -> tuple[float, float]:
    """Mean and standard deviation of one coefficient over fits weighed by their evidence."""
    log_weights = np.array([fit.log_evidence for fit in fits])
    weights = np.exp(log_weights - log_weights.max())
    weights /= weights.sum()
    means = np.array([fit.coefficients[which] for fit in fits])
    variances = np.array([fit.covariance[which, which] for fit in fits])
    mean = float(weights @ means)
    return mean, float(np.sqrt(weights @ (variances + (means - mean) ** 2)))


def blocks(t_s: Floats, values: Floats, most: int = MOST_BLOCKS) -> tuple[Floats, Floats, Floats]:
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
