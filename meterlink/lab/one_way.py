"""One factor: how much levels of it (meters, operators, lead sets) differ beyond repeatability.

One-way random model, ISO 5725-2:1994, 7.4: each value is a mean, plus a part common to its level,
plus a part of its own. Levels may have different numbers of values.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from meterlink.errors import LabError
from meterlink.lab.uncertainty import (
    DEFAULT_CONFIDENCE,
    Codes,
    cochran_critical,
    effective_dof,
    f_upper_p,
    mandel_h_critical,
    mandel_k_critical,
    sd_limits,
    t_quantile,
)
from meterlink.levels.statistics import Floats, mean, standard_deviation

SIGNIFICANCE = 0.05
OUTLYING, STRAGGLING = 0.01, 0.05  # of levels (ISO 5725-2, 7.3.2.1; from memory)
LIMIT_FACTOR = 2.8  # of two results: 1.96 * sqrt(2), rounded as ISO 5725-6 4.1.4 has it

ROUNDING = 1e-12  # means that differ by less of their size are equal: sums are rounded


@dataclass(frozen=True, slots=True)
class LevelMean:
    """One level of a factor.

    Attributes:
        n, mean, sd: Number of values, mean, standard deviation (``None`` for a single value).
        h: Mandel's h: its mean among the means. ``None`` below three levels or without spread.
        h_limits: Beyond which h straggles (5 %) and is an outlier (1 %).
        k: Mandel's k: its standard deviation among the others. ``None`` for a single value.
        k_limits: The same for k.
    """

    n: int
    mean: float
    sd: float | None
    h: float | None = None
    h_limits: tuple[float, float] | None = None
    k: float | None = None
    k_limits: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Cochran:
    """Cochran's test of the largest variance.

    Attributes:
        c: Largest variance over the sum.
        level: Index of that level.
        size: Values a level that the limits are for: the usual number.
        limits: Beyond which it straggles (5 %) and is an outlier (1 %).
    """

    c: float
    level: int
    size: int
    limits: tuple[float, float]


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
        s_repeatability_limits, s_reproducibility_limits: Where they are with the confidence.
        mean_of_levels: Mean of the means of levels.
        u_mean: Its standard uncertainty: from the spread of levels (JCGM 100:2008, H.5.2.4), and
            from that of trials where levels by chance are nearer to each other than trials let
            them be.
        dof_mean: Degrees of freedom of ``u_mean``.
        cochran: ``None`` where no two levels have two values.
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
    s_repeatability_limits: tuple[float, float]
    s_reproducibility_limits: tuple[float, float]
    mean_of_levels: float
    u_mean: float
    dof_mean: float
    cochran: Cochran | None

    @property
    def differs(self) -> bool:
        """Whether levels differ by more than chance explains (5 %)."""
        return self.p < SIGNIFICANCE

    @property
    def repeatability_limit(self) -> float:
        """ISO 5725-6: 2.8 times the standard deviation on one level, as if that were known."""
        return LIMIT_FACTOR * self.s_repeatability

    @property
    def reproducibility_limit(self) -> float:
        """ISO 5725-6: 2.8 times the standard deviation over levels, as if that were known."""
        return LIMIT_FACTOR * self.s_reproducibility

    @property
    def repeatability_difference(self) -> float:
        """Two more trials on one level differ by more once in twenty: Student's t for 1.96."""
        return _difference(self.s_repeatability, self.dof_within)

    @property
    def reproducibility_difference(self) -> float:
        """Two more trials on two levels drawn anew differ by more once in twenty."""
        return _difference(self.s_reproducibility, self.dof_reproducibility)

    @property
    def uneven_spread(self) -> bool:
        """Whether a level scatters so much more that one figure does not stand for all (5 %)."""
        return self.cochran is not None and self.cochran.c > self.cochran.limits[0]


def one_way(values: Floats, codes: Codes, confidence: float = DEFAULT_CONFIDENCE) -> OneWay:
    """Split the spread of values by the levels of one factor.

    Args:
        values: Shape (n,), finite.
        codes: Shape (n,), level of each, 0 up without gaps.
        confidence: Of limits.

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
    means = np.bincount(codes, apart) / counts
    means = means + np.bincount(codes, apart - means[codes]) / counts
    rest = apart - means[codes]
    squares: Floats = np.bincount(codes, rest * rest).astype(np.float64)
    ss_between = float(counts @ (means - float(counts @ means) / total) ** 2)
    ms_between, ms_within = ss_between / (p - 1), float(squares.sum()) / (total - p)
    f = f_ratio(ms_between, ms_within)
    n_bar = (total - float(counts @ counts) / total) / (p - 1)
    between = max(0.0, (ms_between - ms_within) / n_bar)
    s_r, s_big = math.sqrt(ms_within), math.sqrt(ms_within + between)
    dof = _dof(ms_between, ms_within, n_bar, p - 1, total - p)
    u_mean, dof_mean = _of_mean(means, counts, ms_within)
    return OneWay(
        levels=_levels(centre, means, squares, counts, ms_within),
        ss_between=ss_between,
        ss_within=float(squares.sum()),
        dof_between=p - 1,
        dof_within=total - p,
        f=f,
        p=f_upper_p(f, p - 1, total - p) if not math.isnan(f) else math.nan,
        n_bar=n_bar,
        s_repeatability=s_r,
        s_between=math.sqrt(between),
        s_reproducibility=s_big,
        dof_reproducibility=dof,
        s_repeatability_limits=sd_limits(s_r, total - p, confidence),
        s_reproducibility_limits=sd_limits(s_big, dof, confidence),
        mean_of_levels=centre + float(means.mean()),
        u_mean=u_mean,
        dof_mean=dof_mean,
        cochran=_cochran(squares, counts),
    )


def f_ratio(above: float, below: float) -> float:
    """Ratio of two mean squares; infinite over zero, NaN for nothing over nothing."""
    if below > 0:
        return above / below
    return math.inf if above > 0 else math.nan


def _of_mean(means: Floats, counts: Codes, ms_within: float) -> tuple[float, float]:
    """Standard uncertainty of the mean of levels, and its degrees of freedom.

    Levels that look more alike than their trials allow look so by chance: then the trials say how
    well the mean is known. Two levels alone never say that they are alike; there the one degree of
    freedom stands. Coverage of both rules: tests/benchmarks/lab_coverage.py.
    """
    p = means.size
    from_levels = standard_deviation(means) / math.sqrt(p)
    from_trials = math.sqrt(ms_within * float((1 / counts).sum())) / p
    if from_levels >= from_trials:
        return from_levels, p - 1
    return from_trials, float(counts.sum() - p) if p > 2 else 1.0


def _dof(
    ms_between: float, ms_within: float, n_bar: float, dof_between: int, dof_within: int
) -> float:
    """Satterthwaite's for ``ms_between / n_bar + (1 - 1 / n_bar) * ms_within``."""
    if ms_between <= ms_within:  # the part between is set to zero; what is left is within
        return dof_within
    one, two = ms_between / n_bar, (1 - 1 / n_bar) * ms_within
    return effective_dof([(math.sqrt(one), dof_between), (math.sqrt(two), dof_within)])


def _levels(
    centre: float, means: Floats, squares: Floats, counts: Codes, ms_within: float
) -> tuple[LevelMean, ...]:
    p = counts.size
    spread = standard_deviation(means)
    rounding = ROUNDING * max(abs(centre), float(np.abs(means).max()), math.sqrt(ms_within))
    differ = p > 2 and spread > rounding
    h_limits = _both(lambda level: mandel_h_critical(p, level)) if differ else None
    found = []
    for n, m, ss in zip(counts.tolist(), means.tolist(), squares.tolist(), strict=True):
        sd = math.sqrt(ss / (n - 1)) if n > 1 else None
        k = sd / math.sqrt(ms_within) if sd is not None and ms_within > 0 else None
        found.append(
            LevelMean(
                n=n,
                mean=centre + m,
                sd=sd,
                h=(m - float(means.mean())) / spread if h_limits else None,
                h_limits=h_limits,
                k=k,
                k_limits=_k_limits(p, n) if k is not None else None,
            )
        )
    return tuple(found)


def _k_limits(p: int, n: int) -> tuple[float, float]:
    return _both(lambda level: mandel_k_critical(p, n, level))


def _cochran(squares: Floats, counts: Codes) -> Cochran | None:
    """Over the levels that have two values or more."""
    several = np.flatnonzero(counts > 1)
    variances = squares[several] / (counts[several] - 1)
    if several.size < 2 or not variances.sum() > 0:
        return None
    size = int(np.bincount(counts[several]).argmax())
    return Cochran(
        c=float(variances.max() / variances.sum()),
        level=int(several[variances.argmax()]),
        size=size,
        limits=_both(lambda level: cochran_critical(int(several.size), size, level)),
    )


def _both(critical: Callable[[float], float]) -> tuple[float, float]:
    return critical(STRAGGLING), critical(OUTLYING)


def _difference(s: float, dof: float) -> float:
    return math.sqrt(2) * t_quantile(1 - SIGNIFICANCE / 2, dof) * s
