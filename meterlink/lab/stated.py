"""Whether the uncertainty stated for each trial agrees with the spread of the trials."""

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from meterlink.lab.quantiles import chi_square_tails
from meterlink.levels.statistics import Floats, standard_deviation

SIGNIFICANCE = 0.05  # both sides together


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
        dof: n - 1.
        p: Two-sided probability of it by chance.
        ratio: Spread seen over spread stated, ``sqrt(chi_square / dof)`` (Birge's ratio).
        agreement: The verdict at 5 %.
        common: What the stated uncertainty has beyond the spread, such as pickup whose phase is the
            same in all trials: it shows in no repetition, and the mean does not average it down.
    """

    n: int
    chi_square: float
    dof: int
    p: float
    ratio: float
    agreement: Agreement
    common: float


def check_stated(values: Floats, u: Floats) -> StatedCheck | None:
    """Compare spread and stated uncertainty.

    Args:
        values: Shape (n,), finite.
        u: Shape (n,), stated standard uncertainties; NaN or zero where there is none.

    Returns:
        ``None`` where fewer than two values have a stated uncertainty.
    """
    usable = np.isfinite(u) & (u > 0)
    values, u = values[usable], u[usable]
    if values.size < 2:
        return None
    weights = (u.min() / u) ** 2  # relative: no overflow for very small uncertainties
    centre = values[0] + float(weights @ (values - values[0])) / float(weights.sum())
    chi_square = float(np.sum(((values - centre) / u) ** 2))
    dof = values.size - 1
    below, above = chi_square_tails(chi_square, dof)
    agreement = Agreement.AGREES
    if min(below, above) < SIGNIFICANCE / 2:
        agreement = Agreement.TOO_LARGE if below < above else Agreement.TOO_SMALL
    p = min(1.0, 2 * min(below, above))
    ratio = math.sqrt(chi_square / dof)
    beyond = float(np.mean(u**2)) - standard_deviation(values) ** 2
    common = math.sqrt(max(0.0, beyond))
    return StatedCheck(values.size, chi_square, dof, p, ratio, agreement, common)
