"""Values that stand apart from a series: Grubbs' test. They are named, never taken out."""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from meterlink.lab.quantiles import t_quantile
from meterlink.levels.statistics import Floats, mean

SIGNIFICANCE = 0.05  # of the test at the first value, two-sided (e-Handbook 1.3.5.17.1)
LEAST_VALUES = 4  # of three values, two that happen to be equal make the third an outlier
MAX_SUSPECTS = 10  # more than these are no outliers but another population
SHARE = 5  # at most one suspect for so many values


@dataclass(frozen=True, slots=True)
class Suspect:
    """A value that stands further apart than chance explains.

    Attributes:
        index: Its place in the series.
        statistic: Distance from the mean in standard deviations, those named before it left aside.
        limit: Critical value for it.
    """

    index: int
    statistic: float
    limit: float


@cache
def critical_value(n: int, significance: float = SIGNIFICANCE, *, two_sided: bool = True) -> float:
    """Grubbs' critical value (Grubbs 1969; ASTM E178; ISO 5725-2 Table 5).

    ``(n - 1) / sqrt(n) * sqrt(t^2 / (n - 2 + t^2))``, t the quantile of Student's t with n - 2
    degrees of freedom at ``1 - significance / (2 n)``, or ``/ n`` for one side.

    Args:
        n: Number of values, 3 or more.
        significance: Probability of naming one in a series without any.
        two_sided: Whether the side was open before.
    """
    t = t_quantile(1 - significance / (2 * n if two_sided else n), n - 2)
    return (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))


def suspects(values: Floats) -> tuple[Suspect, ...]:
    """Name the outliers of a series.

    Grubbs' test, repeated as Rosner's generalized extreme Studentized deviate (e-Handbook
    1.3.5.17.3): the furthest value is set aside and the next one tested, and all up to the last
    that fails are named, so that two outliers do not hide each other. With room for one suspect it
    is Grubbs' test itself. The cost is that of sorting the values.

    Args:
        values: Shape (n,), finite.

    Returns:
        None for fewer than ``LEAST_VALUES`` values or for a series without spread.
    """
    if values.size < LEAST_VALUES:
        return ()
    room = min(MAX_SUSPECTS, max(1, values.size // SHARE))
    order = np.argsort(values, kind="stable")
    ranked = values[order] - mean(values)  # small numbers; the furthest is at one of the ends
    low, high = 0, values.size
    found: list[Suspect] = []
    named = 0
    for _ in range(room):
        rest = ranked[low:high]
        middle, spread = float(rest.mean()), float(rest.std(ddof=1))
        if spread <= 0:
            break
        below, above = middle - rest[0], rest[-1] - middle
        place = low if below > above else high - 1
        found.append(
            Suspect(int(order[place]), float(max(below, above)) / spread, critical_value(rest.size))
        )
        if found[-1].statistic > found[-1].limit:
            named = len(found)
        low, high = (low + 1, high) if below > above else (low, high - 1)
    return tuple(found[:named])
