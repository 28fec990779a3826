"""What repeat trials of one hookup say: level, spread, uncertainty, drift, bias."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

import numpy as np

from meterlink.lab.dependence import LEAST_TRIALS, Estimate, Fit, fit
from meterlink.lab.uncertainty import (
    DEFAULT_CONFIDENCE,
    Component,
    Expanded,
    chi_square_tails,
    combine,
    coverage_factor,
)
from meterlink.levels.statistics import (
    Floats,
    display_sd,
    lag1_autocorrelation,
    mean,
    standard_deviation,
)

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
        interval: Where the mean lies with the confidence asked for, from the trials alone.
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

    Few trials that seem to drift by chance lie near their line by the same chance: there the
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
