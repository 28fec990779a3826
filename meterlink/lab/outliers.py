"""Values, and levels, that stand apart. They are named, never taken out.

One rule for all: the furthest residual from what explains the values (a mean, a line, the cells of
a study) against what chance makes of the furthest of so many, the explanation fitted again without
it, and so on. For a mean alone this is Grubbs' test, repeated as Rosner's generalized extreme
Studentized deviate (e-Handbook 1.3.5.17.3), so that two outliers do not hide each other.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from meterlink.lab.uncertainty import f_quantile, t_quantile
from meterlink.levels.statistics import Floats, mean

SIGNIFICANCE = 0.05  # of the test at the first value, two-sided (e-Handbook 1.3.5.17.1)
#: Below so many values Rosner's limits name too much in later steps (he gives them from 25 up).
ROSNER_FROM = 25
LATER_SIGNIFICANCE = 0.01  # ... so that they are stricter there; tests/benchmarks/lab_coverage.py
LEAST_VALUES = 4  # of three values, two that happen to be equal make the third an outlier
LEAST_FOR_TWO = 6  # of five, two are no outliers but the other half
MAX_SUSPECTS = 10  # more than these are no outliers but another population
SHARE = 5  # at most one suspect for so many values, two from LEAST_FOR_TWO

Codes = npt.NDArray[np.int_]
Kept = npt.NDArray[np.bool_]
#: Of the values that are kept: residuals of all, leverage of all, degrees of freedom left.
Explanation = Callable[[Kept], tuple[Floats, Floats, int]]


@dataclass(frozen=True, slots=True)
class Suspect:
    """A value that stands further apart than chance explains.

    Attributes:
        index: Its place in the series.
        statistic: Its distance in standard deviations, those named before it left aside, on the
            scale of Grubbs' test.
        limit: Critical value for it.
        twin: Place of another value that may be the wrong one of the two instead, as only these
            two are in their cell; ``None`` where there is none.
    """

    index: int
    statistic: float
    limit: float
    twin: int | None = None


@cache
def critical_value(n: int, significance: float = SIGNIFICANCE, *, two_sided: bool = True) -> float:
    """Grubbs' critical value (Grubbs 1969; ASTM E178; ISO 5725-2 Table 5).

    Args:
        n: Number of values, 3 or more.
        significance: Probability of naming one in a series without any.
        two_sided: Whether the side was open before.
    """
    return _limit(n, n - 1, significance if two_sided else 2 * significance)


@cache
def _limit(n: int, dof: int, significance: float) -> float:
    """Critical value of the furthest of ``n`` residuals with ``dof`` degrees of freedom.

    ``dof / sqrt(dof + 1) * sqrt(t^2 / (dof - 1 + t^2))``, t the quantile of Student's t with
    ``dof - 1`` at ``1 - significance / (2 n)``: Grubbs' for a mean, where dof is n - 1.
    """
    t = t_quantile(1 - significance / (2 * n), dof - 1)
    return dof / math.sqrt(dof + 1) * math.sqrt(t * t / (dof - 1 + t * t))


def about_cells(values: Floats, codes: Codes | None = None) -> Explanation:
    """Explain values by the means of cells; all are one cell where no codes are given."""
    cells = np.zeros(values.size, dtype=np.int_) if codes is None else codes

    def explain(kept: Kept) -> tuple[Floats, Floats, int]:
        counts = np.bincount(cells[kept], minlength=int(cells.max()) + 1)
        sums = np.bincount(cells[kept], values[kept], minlength=counts.size)
        means = sums / np.maximum(counts, 1)
        leverage = 1 / np.maximum(counts, 1)
        dof = int(kept.sum()) - int(np.count_nonzero(counts))
        return values - means[cells], leverage[cells], dof

    return explain


def about_design(values: Floats, design: Floats) -> Explanation:
    """Explain values by columns: a line, or two factors without their interaction.

    Args:
        values: Shape (n,).
        design: Shape (n, p).
    """

    def explain(kept: Kept) -> tuple[Floats, Floats, int]:
        u, s, vt = np.linalg.svd(design[kept], full_matrices=False)
        rank = int(np.count_nonzero(s > s[0] * 1e-10))
        basis = design @ (vt[:rank].T / s[:rank])
        residuals = values - basis @ (u[:, :rank].T @ values[kept])
        leverage = np.einsum("ij,ij->i", basis, basis)
        return residuals, leverage, int(kept.sum()) - rank

    return explain


def suspects(
    values: Floats, explain: Explanation | None = None, most: int | None = None
) -> tuple[Suspect, ...]:
    """Name the outliers of a series.

    The furthest value is set aside and the next one tested, and all up to the last that fails are
    named. The cost is that of going through the values some ten times.

    Args:
        values: Shape (n,), finite.
        explain: What they are explained by; their mean where nothing is given. It has to be made
            of these values less their ``mean``, or of others that are as near to zero.
        most: Most to name.

    Returns:
        None for fewer than ``LEAST_VALUES`` values or for a series without spread.
    """
    steps = deviations(values, explain, most)
    failed = [place for place, one in enumerate(steps) if one.statistic > one.limit]
    return tuple(steps[: failed[-1] + 1]) if failed else ()


def deviations(
    values: Floats, explain: Explanation | None = None, most: int | None = None
) -> list[Suspect]:
    """The steps of the generalized test: the furthest value, the furthest of the rest, ..."""
    n = values.size
    if n < LEAST_VALUES:
        return []
    explain = explain or about_cells(values - mean(values))
    room = max(2 if n >= LEAST_FOR_TWO else 1, n // SHARE)
    kept = np.ones(n, dtype=np.bool_)
    found: list[Suspect] = []
    for step in range(min(most or MAX_SUSPECTS, room)):
        residuals, leverage, dof = explain(kept)
        open_to_doubt = kept & (leverage < 1 - 1e-9)
        squares = float(residuals[kept] @ residuals[kept])
        if dof < 2 or not squares > 0:
            break
        scaled = np.zeros(n)
        free = 1 - leverage[open_to_doubt]
        scaled[open_to_doubt] = np.abs(residuals[open_to_doubt]) / np.sqrt(free)
        furthest = int(scaled.argmax())
        if not math.isfinite(scaled[furthest]) or not scaled[furthest] > 1e-13 * abs(values[0]):
            break
        statistic = float(scaled[furthest]) * math.sqrt(dof / (dof + 1)) / math.sqrt(squares / dof)
        strict = step > 0 and n < ROSNER_FROM
        limit = _limit(int(kept.sum()), dof, LATER_SIGNIFICANCE if strict else SIGNIFICANCE)
        twins = np.flatnonzero(np.isclose(scaled, scaled[furthest], rtol=1e-9) & open_to_doubt)
        twin = int(twins[twins != furthest][0]) if leverage[furthest] == 0.5 and twins.size > 1 \
            else None  # fmt: skip
        found.append(Suspect(furthest, statistic, limit, twin))
        kept[furthest] = False
    return found


# Levels that stand apart: ISO 5725-2:1994, 7.3. Groups of unequal size take the usual size.


@cache
def cochran_critical(groups: int, size: int, significance: float) -> float:
    """Critical value of Cochran's C, largest variance over the sum (ISO 5725-2 Table 4).

    ``1 / (1 + (p - 1) / F)``, F the upper quantile at ``significance / p`` with n - 1 and
    (p - 1)(n - 1) degrees of freedom.
    """
    f = f_quantile(1 - significance / groups, size - 1, (groups - 1) * (size - 1))
    return 1 / (1 + (groups - 1) / f)


@cache
def mandel_h_critical(groups: int, significance: float) -> float:
    """Critical value of Mandel's h, a level's mean in standard deviations of the means.

    ``(p - 1) t / sqrt(p (t^2 + p - 2))``, t the two-sided quantile with p - 2 degrees of freedom
    (ISO 5725-2 Table 6).
    """
    t = t_quantile(1 - significance / 2, groups - 2)
    return (groups - 1) * t / math.sqrt(groups * (t * t + groups - 2))


@cache
def mandel_k_critical(groups: int, size: int, significance: float) -> float:
    """Critical value of Mandel's k, a level's standard deviation over the pooled one.

    ``sqrt(p / (1 + (p - 1) / F))``, F the upper quantile with n - 1 and (p - 1)(n - 1) degrees of
    freedom (ISO 5725-2 Table 7).
    """
    f = f_quantile(1 - significance, size - 1, (groups - 1) * (size - 1))
    return math.sqrt(groups / (1 + (groups - 1) / f))
