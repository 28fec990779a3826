"""What repeat trials of one hookup say: level, spread, uncertainty, drift."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meterlink.lab.drift import Line, fit_line
from meterlink.lab.quantiles import coverage_factor
from meterlink.lab.stated import StatedCheck, check_stated
from meterlink.lab.uncertainty import Component, Expanded, combine
from meterlink.levels.statistics import Floats, lag1_autocorrelation, mean, standard_deviation

DEFAULT_CONFIDENCE = 0.95
LEAST_FOR_LAG1 = 10  # its standard error, 1 / sqrt(n), tells nothing below
DRIFT_SIGNIFICANCE = 0.05


@dataclass(frozen=True, slots=True)
class Drift:
    """The straight line through a series.

    Attributes:
        line: Slope per hour, or per trial.
        per_hour: Which of the two: trials without times, or all at one time, count as equally far
            apart.
        change: From the first trial to the last, along the line.
    """

    line: Line
    per_hour: bool
    change: float

    @property
    def significant(self) -> bool:
        """Whether chance explains such a slope less than once in twenty."""
        return self.line.p < DRIFT_SIGNIFICANCE


@dataclass(frozen=True, slots=True)
class Summary:
    """Statistics of one series.

    Attributes:
        n: Number of trials.
        mean, lowest, highest: Of the values.
        sd: Repeatability standard deviation (n - 1); ``None`` for a single trial.
        u_mean: Standard uncertainty of the mean from the spread alone, ``sd / sqrt(n)``.
        interval: Where the mean lies with the confidence asked for, by Student's t.
        expanded: With the other components of uncertainty.
        lag1: Autocorrelation of neighbours; ``None`` for fewer than ``LEAST_FOR_LAG1``.
        drift: ``None`` for fewer than three trials.
        stated: Spread against stated uncertainty.
    """

    n: int
    mean: float
    lowest: float
    highest: float
    sd: float | None
    u_mean: float | None
    interval: tuple[float, float] | None
    expanded: Expanded | None
    lag1: float | None
    drift: Drift | None
    stated: StatedCheck | None

    @property
    def dependent(self) -> bool:
        """Whether neighbours are tied to each other more than chance explains (5 %)."""
        return self.lag1 is not None and abs(self.lag1) > 1.96 / math.sqrt(self.n)


def summarise(
    values: Floats,
    u: Floats | None = None,
    time_s: Floats | None = None,
    *,
    components: Sequence[Component] = (),
    confidence: float = DEFAULT_CONFIDENCE,
) -> Summary:
    """Work out the statistics of a series.

    Args:
        values: Shape (n,), finite, in the order taken.
        u: Shape (n,), stated standard uncertainties, NaN where there is none.
        time_s: Shape (n,), when each was taken, NaN where not known.
        components: Uncertainty that repeating does not show.
        confidence: Of intervals.

    Raises:
        ValueError: No values.
    """
    n, centre = values.size, mean(values)
    sd = standard_deviation(values) if n > 1 else None
    u_mean = sd / math.sqrt(n) if sd is not None else None
    interval, expanded = None, None
    if u_mean is not None:
        half = coverage_factor(n - 1, confidence) * u_mean
        interval = (centre - half, centre + half)
        parts = [(u_mean, float(n - 1)), *((c.size(centre), c.dof) for c in components)]
        expanded = combine(parts, confidence)
    return Summary(
        n=n,
        mean=centre,
        lowest=float(values.min()),
        highest=float(values.max()),
        sd=sd,
        u_mean=u_mean,
        interval=interval,
        expanded=expanded,
        lag1=lag1_autocorrelation(values) if n >= LEAST_FOR_LAG1 and sd else None,
        drift=_drift(values, time_s),
        stated=None if u is None else check_stated(values, u),
    )


def _drift(values: Floats, time_s: Floats | None) -> Drift | None:
    if time_s is not None and values.size and np.isfinite(time_s).all() and np.ptp(time_s) > 0:
        x, per_hour = (time_s - time_s[0]) / 3600, True
    else:
        x, per_hour = np.arange(values.size, dtype=np.float64), False
    line = fit_line(x, values)
    return None if line is None else Drift(line, per_hour, line.slope * float(np.ptp(x)))
