"""Trials that hang on those before them: level, slope and their uncertainty with that counted.

Neighbouring trials of a warming load or a wandering supply are alike, so a hundred of them say less
than a hundred separate ones. The model is a first-order process about a level, or about a straight
line: the correlation of trials k apart is ``rho ** k``. How strong it is has to be told from the
same few trials, so nothing is plugged in: level and slope are worked out for each strength on a
grid, weighed by its restricted likelihood, and what is not known of the strength goes into the
uncertainty and its degrees of freedom. With independence alone on the grid this is least squares
and Student's t.
"""

from dataclasses import dataclass

import numpy as np

from meterlink.lab.uncertainty import t_two_sided_p
from meterlink.levels.statistics import Floats

LEAST_TRIALS = 15  # fewer tell independence from dependence so badly that it has to be assumed
#: Even chances before the trials are seen; tests/benchmarks/lab_coverage.py shows what comes of it.
_INDEPENDENT = 0.5
_STRENGTHS = np.concatenate([[0.0], np.linspace(0.0125, 0.9875, 40)])
_PRIOR = np.concatenate([[_INDEPENDENT], np.full(40, (1 - _INDEPENDENT) / 40)])


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its standard uncertainty and degrees of freedom."""

    value: float
    u: float
    dof: float

    @property
    def p(self) -> float:
        """Two-sided probability of a figure as far from zero by chance."""
        if self.u == 0:
            return 1.0 if self.value == 0 else 0.0
        return t_two_sided_p(self.value / self.u, self.dof)


@dataclass(frozen=True, slots=True)
class Fit:
    """A level, or a line, through trials that may depend on each other.

    Attributes:
        level: The mean, as far as it is known.
        slope: Per unit of ``x``; ``None`` where a level alone was fitted.
        sd: Standard deviation of trials about the level or line.
        rho: Correlation of neighbours; 0 where they say nothing for it.
        n_effective: Independent trials that would say as much of the level.
    """

    level: Estimate
    slope: Estimate | None
    sd: float
    rho: float
    n_effective: float


def effective_number(n: int, rho: float) -> float:
    """Independent values that say as much of the mean as ``n`` neighbours of correlation ``rho``.

    ``n (1 - rho) / (1 + rho)`` for a long first-order series (Zwiers and von Storch 1995);
    ``n`` where the correlation is not above zero.
    """
    return n * (1 - rho) / (1 + rho) if rho > 0 else float(n)


def mean_inflation(n: int, rho: Floats) -> Floats:
    """How many times larger dependence makes the variance of a mean of ``n``: exact, closed form.

    ``1 + 2 sum_k (1 - k/n) rho^k`` for k from 1 to n - 1.
    """
    rest = 1 - rho
    inflation: Floats = (1 + rho) / rest - 2 * rho * (1 - rho**n) / (n * rest * rest)
    return inflation


def fit(values: Floats, x: Floats | None = None) -> Fit:
    """Fit a level, or a line where ``x`` is given.

    Args:
        values: Shape (n,), finite, in the order taken; two more than there are figures to fit.
        x: Shape (n,), not all equal: what the line runs over.
    """
    n = values.size
    mean = float(values.mean())
    apart = values - mean
    mean += float(apart.mean())
    columns = [np.ones(n)]
    width = 1.0
    if x is not None:
        across = x - x.mean()
        width = float(np.abs(across).max())
        columns.append((across - across.mean()) / width)
    design = np.column_stack(columns)
    plain = np.linalg.lstsq(design, apart, rcond=None)[0]  # what is left then is small numbers
    rest = apart - design @ plain
    scale, dof = float(np.abs(rest).max()), n - len(columns)
    slope: Estimate | None = None
    if not scale > 1e-13 * float(np.abs(values).max()):  # no scatter: rounding is all that is left
        if x is not None:
            found = float(plain[-1]) if np.ptp(values) > 0 else 0.0
            slope = Estimate(found / width, 0.0, dof)
        return Fit(Estimate(mean, 0.0, dof), slope, 0.0, 0.0, float(n))
    strengths = _STRENGTHS if n >= LEAST_TRIALS else _STRENGTHS[:1]
    coefficients, shapes, variances, logs = _generalised(
        np.column_stack([design, rest / scale]), strengths
    )
    weights = np.exp(logs - logs.max()) * _PRIOR[: strengths.size]
    weights /= weights.sum()
    u, level_dof = _pooled(weights, variances * mean_inflation(n, strengths) / n, dof)
    sd = float(np.exp(weights @ np.log(variances) / 2))
    if x is not None:
        u_slope, slope_dof = _pooled(weights, variances * shapes[:, -1], dof)
        found = float(plain[-1]) + scale * float(weights @ coefficients[:, -1])
        slope = Estimate(found / width, u_slope * scale / width, slope_dof)
    return Fit(
        level=Estimate(mean, u * scale, level_dof),
        slope=slope,
        sd=sd * scale,
        rho=float(weights @ strengths),
        n_effective=min(float(n), (sd / u) ** 2),
    )


def _generalised(table: Floats, strengths: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Generalised least squares at each strength.

    The inverse of the correlations of a first-order process has three diagonals, so three tables
    of sums of products are enough, however long the series.

    Args:
        table: Shape (n, p + 1): what is fitted, then the values.
        strengths: Shape (k,).

    Returns:
        Coefficients (k, p); diagonal of the inverse of the normal equations (k, p); variance about
        the fit (k,); restricted log-likelihood (k,).
    """
    n, p = table.shape[0], table.shape[1] - 1
    whole, inner = table.T @ table, table[1:-1].T @ table[1:-1]
    beside = table[1:].T @ table[:-1]
    rho, q = strengths[:, None, None], (1 - strengths**2)
    products = (whole + rho**2 * inner - rho * (beside + beside.T)) / q[:, None, None]
    normal, right = products[:, :p, :p], products[:, :p, p]
    inverse = np.linalg.inv(normal)
    coefficients = np.einsum("kij,kj->ki", inverse, right)
    rest = np.maximum(products[:, p, p] - np.einsum("ki,ki->k", coefficients, right), 0.0)
    with np.errstate(divide="ignore"):
        logs = -0.5 * ((n - 1) * np.log(q) + np.linalg.slogdet(normal)[1] + (n - p) * np.log(rest))
    return coefficients, np.einsum("kii->ki", inverse), rest / (n - p), logs


def _pooled(weights: Floats, variances: Floats, dof: float) -> tuple[float, float]:
    """Standard uncertainty and its degrees of freedom over all strengths.

    What is not known of the variance is its own chance, 2 / dof, and the spread over strengths
    (JCGM 100:2008, G.4.2, for the logarithm, which heavy tails do not drown).
    """
    logs = np.log(variances)
    middle = float(weights @ logs)
    spread = float(weights @ (logs - middle) ** 2) + 2 / dof
    return float(np.exp(middle / 2)), max(1.0, 2 / spread)
