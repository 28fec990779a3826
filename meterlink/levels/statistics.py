"""Levels of series of readings and how well they are known."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

MAD_TO_SD = 1.4826  # median absolute deviation of a normal to its sd: 1 / Phi^-1(3/4)
OUTLIER_SDS = 4.0  # beyond this a reading says nothing of the level; 1 in 16,000 if normal


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
