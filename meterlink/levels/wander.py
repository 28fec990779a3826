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
MOST_BLOCKS = 64


@dataclass(frozen=True, slots=True)
class Fit:
    """Coefficients of a design with their covariance.

    Attributes:
        coefficients: Shape (k,).
        covariance: Shape (k, k).
        log_evidence: Log marginal likelihood up to a constant that the design does not change.
        residuals: Shape (n,).
    """

    coefficients: Floats
    covariance: Floats
    log_evidence: float
    residuals: Floats


def covariance(t_s: Floats, white_sd: Floats, wander_sd: float, correlation_s: float) -> Floats:
    """Covariance of readings: white noise on the diagonal, exponential decay off it.

    Args:
        t_s: Shape (n,), times.
        white_sd: Shape (n,), independent noise of each reading.
        wander_sd: Spread of the slow process.
        correlation_s: Its correlation time.

    Returns:
        Shape (n, n), positive definite where every ``white_sd`` is above 0.
    """
    apart = np.abs(t_s[:, np.newaxis] - t_s[np.newaxis, :]) / correlation_s
    matrix: Floats = wander_sd**2 * np.exp(-apart)
    matrix[np.diag_indices_from(matrix)] += white_sd**2
    return matrix


def gls(values: Floats, design: Floats, noise: Floats, prior_mean: Floats, prior_sd: Floats) -> Fit:
    """Bayesian linear fit with correlated noise and normal priors on the coefficients.

    Args:
        values: Shape (n,).
        design: Shape (n, k).
        noise: Shape (n, n), covariance of the values.
        prior_mean: Shape (k,).
        prior_sd: Shape (k,); infinite for a flat prior.
    """
    factor = np.linalg.cholesky(noise)
    whitened = np.linalg.solve(factor, np.column_stack([design, values]))
    x, y = whitened[:, :-1], whitened[:, -1]
    precision = np.where(np.isfinite(prior_sd), prior_sd, np.inf) ** -2.0
    normal = x.T @ x + np.diag(precision)
    cov = np.linalg.inv(normal)
    coefficients = cov @ (x.T @ y + precision * prior_mean)
    apart = y - x @ coefficients
    pull = coefficients - prior_mean
    misfit = float(apart @ apart + (precision * pull) @ pull)
    flat = precision == 0.0
    log_evidence = (
        -0.5 * misfit
        - float(np.log(np.diag(factor)).sum())
        - 0.5 * float(np.linalg.slogdet(normal)[1])
        + 0.5 * float(np.log(precision[~flat]).sum())
    )
    return Fit(coefficients, cov, log_evidence, values - design @ coefficients)


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
