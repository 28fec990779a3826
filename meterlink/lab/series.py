"""What repeat trials of one hookup say: level, spread, uncertainty, drift, bias.

Neighbouring trials of a warming load or a wandering supply are alike, so a hundred of them say less
than a hundred separate ones. The model (``fit``) is a first-order process about a level, or about a
straight line: the correlation of trials k apart is ``rho ** k``. How strong it is has to be told
from the same few trials, so nothing is plugged in: level and slope are worked out for each strength
on a grid, weighed by its restricted likelihood, and what is not known of the strength goes into the
uncertainty and its degrees of freedom. With independence alone on the grid this is least squares
and Student's t.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

import numpy as np

from meterlink.lab.uncertainty import (
    DEFAULT_CONFIDENCE,
    Component,
    Expanded,
    chi_square_tails,
    combine,
    coverage_factor,
    t_two_sided_p,
)
from meterlink.levels.statistics import (
    Floats,
    display_sd,
    lag1_autocorrelation,
    mean,
    standard_deviation,
)

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


LEAST_FOR_LAG1 = 10  # its standard error, 1 / sqrt(n), tells nothing below
SIGNIFICANCE = 0.05  # of drift, bias and stated uncertainty, both sides together


class Agreement(StrEnum):
    """What the spread says of the stated uncertainty."""

    AGREES = "agrees"
    TOO_SMALL = "stated too small"
    TOO_LARGE = "stated too large"


@dataclass(frozen=True, slots=True)
class StatedCheck:
    """Chi-square of the values about their weighted mean, each in units of its own uncertainty.

    Attributes:
        n: Values that have a stated uncertainty above zero.
        chi_square: Sum of squared deviations in stated standard uncertainties.
        dof: n - 1; fewer where trials hang on those before them.
        p: Two-sided probability of it by chance.
        ratio: Spread seen over spread stated, ``sqrt(chi_square / dof)`` (Birge's ratio).
        agreement: The verdict at 5 %.
        common: What the stated uncertainty, weighted as the ratio is, has beyond the spread, such
            as pickup whose phase is the same in all trials: it shows in no repetition, and the
            mean does not average it down.
    """

    n: int
    chi_square: float
    dof: float
    p: float
    ratio: float
    agreement: Agreement
    common: float


@dataclass(frozen=True, slots=True)
class Drift:
    """The straight line through a series.

    Attributes:
        slope: Per hour, or per trial.
        per_hour: Which of the two: trials without times, or all at one time, count as equally far
            apart.
        change: From the first trial to the last, along the line.
        sd: Standard deviation about the line.
    """

    slope: Estimate
    per_hour: bool
    change: float
    sd: float

    @property
    def significant(self) -> bool:
        """Whether chance explains such a slope less than once in twenty."""
        return self.slope.p < SIGNIFICANCE


@dataclass(frozen=True, slots=True)
class Bias:
    """Mean against a known value.

    Attributes:
        known, u_known: The value and its standard uncertainty.
        bias: Mean minus known value, with the uncertainty of both.
        expanded: Half of the interval.
    """

    known: float
    u_known: float
    bias: Estimate
    expanded: float

    @property
    def significant(self) -> bool:
        """Whether chance explains such a bias less than once in twenty."""
        return self.bias.p < SIGNIFICANCE


@dataclass(frozen=True, slots=True)
class Summary:
    """Statistics of one series.

    Attributes:
        n: Number of trials.
        mean, lowest, highest: Of the values.
        sd: Repeatability standard deviation (n - 1); ``None`` for a single trial.
        u_mean: ``sd / sqrt(n)``: the uncertainty of the mean if trials were independent and did
            not drift.
        n_effective: Independent trials that would say as much of the mean.
        rho: Correlation of neighbours that was counted.
        u_repeat, dof_repeat: Standard uncertainty of the mean from the trials alone, dependence
            and drift counted, with its degrees of freedom.
        interval: Where the mean is with the confidence asked for, from the trials alone.
        expanded: With the other components of uncertainty.
        resolution: Standard uncertainty that the display's steps add, part of ``expanded``.
        resolution_inferred: Whether the step was read off the values, as they are all equal.
        lag1: Autocorrelation of neighbours; ``None`` for fewer than ``LEAST_FOR_LAG1``.
        drift: ``None`` for fewer than three trials.
        stated: Spread against stated uncertainty.
        bias: Against a known value, where one was given.
        times_filled: Times that could not be read and were put between their neighbours.
    """

    n: int
    mean: float
    lowest: float
    highest: float
    sd: float | None
    u_mean: float | None
    n_effective: float | None
    rho: float | None
    u_repeat: float | None
    dof_repeat: float | None
    interval: tuple[float, float] | None
    expanded: Expanded | None
    resolution: float
    resolution_inferred: bool
    lag1: float | None
    drift: Drift | None
    stated: StatedCheck | None
    bias: Bias | None
    times_filled: int

    @property
    def dependent(self) -> bool:
        """Whether neighbours are tied to each other more than chance explains (5 %)."""
        return self.lag1 is not None and abs(self.lag1) > 1.96 / math.sqrt(self.n)


@dataclass(frozen=True, slots=True)
class Terms:
    """What is known beside the trials.

    Attributes:
        components: Uncertainty that repeating does not show.
        confidence: Of intervals.
        resolution: Step of the display in the unit of the values; ``None`` where not given.
        known: A value that the mean is compared with, and its standard uncertainty.
    """

    components: Sequence[Component] = ()
    confidence: float = DEFAULT_CONFIDENCE
    resolution: float | None = None
    known: tuple[float, float] | None = None


PLAIN_TERMS = Terms()


def summarise(
    values: Floats,
    u: Floats | None = None,
    time_s: Floats | None = None,
    terms: Terms = PLAIN_TERMS,
) -> Summary:
    """Work out the statistics of a series.

    Args:
        values: Shape (n,), finite, in the order taken.
        u: Shape (n,), stated standard uncertainties, NaN where there is none.
        time_s: Shape (n,), when each was taken, NaN where not known.
        terms: What is known beside the trials.

    Raises:
        ValueError: No values.
    """
    n, centre = values.size, mean(values)
    sd = standard_deviation(values) if n > 1 else None
    drift, filled = _drift(values, time_s)
    found = _level(values, drift, time_s) if n > 1 else None
    step, inferred = _step(values, found, terms.resolution)
    interval, expanded = None, None
    if found is not None:
        half = coverage_factor(found.level.dof, terms.confidence) * found.level.u
        interval = (centre - half, centre + half)
        parts = [(found.level.u, found.level.dof), (display_sd(step), math.inf)]
        parts += [(one.size(centre), one.dof) for one in terms.components]
        expanded = combine(
            [part for part in parts if part[0] or part[1] < math.inf], terms.confidence
        )
    return Summary(
        n=n,
        mean=centre,
        lowest=float(values.min()),
        highest=float(values.max()),
        sd=sd,
        u_mean=sd / math.sqrt(n) if sd is not None else None,
        n_effective=found.n_effective if found else None,
        rho=found.rho if found else None,
        u_repeat=found.level.u if found else None,
        dof_repeat=found.level.dof if found else None,
        interval=interval,
        expanded=expanded,
        resolution=display_sd(step),
        resolution_inferred=inferred,
        lag1=lag1_autocorrelation(values) if n >= LEAST_FOR_LAG1 and sd else None,
        drift=drift,
        stated=None if u is None else check_stated(values, u, found.rho if found else 0.0),
        bias=bias_of(centre, expanded, terms),
        times_filled=filled,
    )


def bias_of(centre: float, expanded: Expanded | None, terms: Terms) -> Bias | None:
    """The mean against the known value; ``None`` without one, or without an uncertainty."""
    if terms.known is None or expanded is None:
        return None
    known, u_known = terms.known
    both = combine([(expanded.u, expanded.dof), (u_known, math.inf)], terms.confidence)
    return Bias(known, u_known, Estimate(centre - known, both.u, both.dof), both.expanded)


def check_stated(values: Floats, u: Floats, rho: float = 0.0) -> StatedCheck | None:
    """Compare spread and stated uncertainty.

    Args:
        values: Shape (n,), finite.
        u: Shape (n,), stated standard uncertainties; NaN or zero where there is none.
        rho: Correlation of neighbours: the sum of squares then has ``(1 - rho^2) / (1 + rho^2)``
            of the degrees of freedom (Bartlett 1946; from memory).

    Returns:
        ``None`` where fewer than two values have a stated uncertainty.
    """
    usable = np.isfinite(u) & (u > 0)
    values, u = values[usable], u[usable]
    if values.size < 2:
        return None
    weights = (u.min() / u) ** 2  # relative: no overflow for very small uncertainties
    centre = values[0] + float(weights @ (values - values[0])) / float(weights.sum())
    with np.errstate(over="ignore"):
        chi_square = float(np.sum(((values - centre) / u) ** 2))
    share = (1 - rho * rho) / (1 + rho * rho)
    below, above = chi_square_tails(chi_square * share, (values.size - 1) * share)
    agreement = Agreement.AGREES
    if min(below, above) < SIGNIFICANCE / 2:
        agreement = Agreement.TOO_LARGE if below < above else Agreement.TOO_SMALL
    squared_ratio = chi_square / (values.size - 1)
    typical = float(u.min()) / math.sqrt(float(weights.mean()))
    return StatedCheck(
        n=values.size,
        chi_square=chi_square * share,
        dof=(values.size - 1) * share,
        p=min(1.0, 2 * min(below, above)),
        ratio=math.sqrt(squared_ratio),
        agreement=agreement,
        common=typical * math.sqrt(max(0.0, 1 - squared_ratio)),
    )


def drift_axis(n: int, time_s: Floats | None) -> tuple[Floats, bool, int]:
    """What a series may drift over: hours since its first trial, or numbers of trials.

    Returns:
        The axis; whether it is hours; how many times were filled in between their neighbours.
        Where less than half of them can be read, or all are one moment, trials are numbered.
    """
    places = np.arange(n, dtype=np.float64)
    if time_s is None:
        return places, False, 0
    there = np.isfinite(time_s)
    if 2 * int(there.sum()) < n or n < 2 or not np.ptp(time_s[there]) > 0:
        return places, False, 0
    filled = np.interp(places, places[there], time_s[there])
    return (filled - filled[0]) / 3600, True, n - int(there.sum())


def _drift(values: Floats, time_s: Floats | None) -> tuple[Drift | None, int]:
    x, per_hour, filled = drift_axis(values.size, time_s)
    if values.size < 3 or not np.ptp(x) > 0:
        return None, filled
    found = fit(values, x)
    slope = found.slope
    if slope is None:
        return None, filled
    return Drift(slope, per_hour, slope.value * float(np.ptp(x)), found.sd), filled


def _level(values: Floats, drift: Drift | None, time_s: Floats | None) -> Fit:
    """The mean: about the line where there is a drift, which else would count as spread.

    Few trials that seem to drift by chance stay near their line by the same chance: there the
    drift counts as spread.
    """
    if drift is not None and drift.significant and values.size >= LEAST_TRIALS:
        return fit(values, drift_axis(values.size, time_s)[0])
    return fit(values)


def _step(values: Floats, found: Fit | None, given: float | None) -> tuple[float, bool]:
    """Step of the display, and whether it was read off values that show no spread."""
    if given is not None:
        return given, False
    if found is None or found.level.u > 0:
        return 0.0, False
    digits = [Decimal(repr(value)).normalize() for value in values[:100].tolist() if value]
    exponents = [int(one.as_tuple().exponent) for one in digits]
    return 10.0 ** min([0, *exponents]), True
