"""One factor: how much levels of it (meters, operators, lead sets) differ beyond repeatability.

One-way random model, ISO 5725-2:1994, 7.4: each value is a mean, plus a part common to its level,
plus a part of its own. Levels may have different numbers of values.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from meterlink.lab.errors import LabError
from meterlink.lab.quantiles import f_upper_p
from meterlink.levels.statistics import Floats, mean, standard_deviation

SIGNIFICANCE = 0.05
LIMIT_FACTOR = 2.8  # of two results, 95 %: 1.96 * sqrt(2), rounded as ISO 5725-6 4.1.4 has it


@dataclass(frozen=True, slots=True)
class LevelMean:
    """One level of a factor: number of values, mean, and sd (``None`` for a single value)."""

    n: int
    mean: float
    sd: float | None


@dataclass(frozen=True, slots=True)
class OneWay:
    """Within and between components.

    Attributes:
        levels: In the order of the codes.
        ss_between, ss_within: Sums of squares.
        dof_between, dof_within: Their degrees of freedom.
        f: Ratio of mean squares, infinite where nothing varies within; NaN if nothing varies.
        p: Probability of ``f`` or more where levels do not differ; NaN with ``f``.
        n_bar: Values a level, as weighed by the standard.
        s_repeatability: Standard deviation within a level.
        s_between: Standard deviation of levels; zero where the estimate is negative.
        s_reproducibility: Of single values on levels drawn at random.
        dof_reproducibility: Its effective degrees of freedom (Satterthwaite).
        mean_of_levels: Mean of the means of levels.
        u_mean: Its standard uncertainty from their spread, with ``dof_between`` degrees of freedom
            (JCGM 100:2008, H.5.2.4): what holds where levels differ.
    """

    levels: tuple[LevelMean, ...]
    ss_between: float
    ss_within: float
    dof_between: int
    dof_within: int
    f: float
    p: float
    n_bar: float
    s_repeatability: float
    s_between: float
    s_reproducibility: float
    dof_reproducibility: float
    mean_of_levels: float
    u_mean: float

    @property
    def differs(self) -> bool:
        """Whether levels differ by more than chance explains (5 %)."""
        return self.p < SIGNIFICANCE

    @property
    def repeatability_limit(self) -> float:
        """Two values on one level differ by more once in twenty (ISO 5725-6)."""
        return LIMIT_FACTOR * self.s_repeatability

    @property
    def reproducibility_limit(self) -> float:
        """Two values on two levels differ by more once in twenty (ISO 5725-6)."""
        return LIMIT_FACTOR * self.s_reproducibility


def one_way(values: Floats, codes: npt.NDArray[np.int_]) -> OneWay:
    """Split the spread of values by the levels of one factor.

    Args:
        values: Shape (n,), finite.
        codes: Shape (n,), level of each, 0 up without gaps.

    Raises:
        LabError: Fewer than two levels, or no level with two values.
    """
    counts = np.bincount(codes)
    if counts.size < 2:
        raise LabError("there is one level only; a comparison needs two or more")
    total, p = values.size, counts.size
    if total == p:
        raise LabError("no level has two trials, so nothing tells spread within from between")
    centre = mean(values)
    apart = values - centre  # small numbers: squares of them lose no digits
    level_means = np.bincount(codes, apart) / counts
    rest = apart - level_means[codes]
    level_means = level_means + np.bincount(codes, rest) / counts
    rest = apart - level_means[codes]
    grand = float(counts @ level_means) / total
    ss_between = float(counts @ (level_means - grand) ** 2)
    squares = np.bincount(codes, rest * rest)
    ss_within = float(squares.sum())
    ms_between, ms_within = ss_between / (p - 1), ss_within / (total - p)
    f = f_ratio(ms_between, ms_within)
    n_bar = (total - float(counts @ counts) / total) / (p - 1)
    between_variance = max(0.0, (ms_between - ms_within) / n_bar)
    variance = ms_within + between_variance
    return OneWay(
        levels=tuple(
            LevelMean(int(n), centre + float(m), math.sqrt(ss / (n - 1)) if n > 1 else None)
            for n, m, ss in zip(counts, level_means, squares, strict=True)
        ),
        ss_between=ss_between,
        ss_within=ss_within,
        dof_between=p - 1,
        dof_within=total - p,
        f=f,
        p=f_upper_p(f, p - 1, total - p) if not math.isnan(f) else math.nan,
        n_bar=n_bar,
        s_repeatability=math.sqrt(ms_within),
        s_between=math.sqrt(between_variance),
        s_reproducibility=math.sqrt(variance),
        dof_reproducibility=_dof(ms_between, ms_within, n_bar, p - 1, total - p),
        mean_of_levels=centre + float(level_means.mean()),
        u_mean=standard_deviation(level_means) / math.sqrt(p),
    )


def f_ratio(above: float, below: float) -> float:
    """Ratio of two mean squares; infinite over zero, NaN for nothing over nothing."""
    if below > 0:
        return above / below
    return math.inf if above > 0 else math.nan


def _dof(
    ms_between: float, ms_within: float, n_bar: float, dof_between: int, dof_within: int
) -> float:
    """Satterthwaite's for ``ms_between / n_bar + (1 - 1 / n_bar) * ms_within``."""
    if ms_between <= ms_within:  # the part between is set to zero; what is left is within
        return dof_within
    one, two = ms_between / n_bar, (1 - 1 / n_bar) * ms_within
    return (one + two) ** 2 / (one**2 / dof_between + two**2 / dof_within)
