"""Uncertainty of a mean as JCGM 100 has it, its quantiles, and values that stand apart.

Outliers are named, never taken out. One rule for all: the furthest residual from what explains the
values (a mean, a line, the cells of a study) against what chance makes of the furthest of so many,
the explanation fitted again without it, and so on. For a mean alone this is Grubbs' test, repeated
as Rosner's generalized extreme Studentized deviate (e-Handbook 1.3.5.17.3), so that two outliers do
not hide each other.

SciPy is an extra: nothing else in the package needs it. It is imported on the first call.
"""

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Context, Decimal
from functools import cache
from importlib import import_module
from types import ModuleType

import numpy as np
import numpy.typing as npt

from meterlink.errors import LabError, UsageError
from meterlink.levels.statistics import Floats, mean

DEFAULT_CONFIDENCE = 0.95
_WIDE = Context(prec=400)  # no figure of a log has more digits
_MOST_PLACES = 15  # a longer figure is written with a power of ten


@cache
def _special() -> ModuleType:
    try:
        return import_module("scipy.special")
    except ImportError as error:
        raise LabError(
            "Statistics of trials need SciPy, which is not installed. "
            "Install it with: python -m pip install 'scipy>=1.12' "
            "(or meterlink with its extra: python -m pip install '.[lab]')."
        ) from error


def t_quantile(p: float, dof: float) -> float:
    """Value that Student's t with ``dof`` degrees of freedom stays below with probability ``p``."""
    if math.isinf(dof):
        return float(_special().ndtri(p))
    return float(_special().stdtrit(dof, p))


def t_two_sided_p(t: float, dof: float) -> float:
    """Probability that ``abs(t)`` or more comes by chance."""
    return 2.0 * float(_special().stdtr(dof, -abs(t)))


def chi_square_tails(chi_square: float, dof: float) -> tuple[float, float]:
    """Probability of a chi-square as small or smaller, and as large or larger."""
    special = _special()
    return float(special.chdtr(dof, chi_square)), float(special.chdtrc(dof, chi_square))


def f_upper_p(f: float, dof_above: float, dof_below: float) -> float:
    """Probability that Fisher's F is ``f`` or more by chance; zero for an infinite ``f``."""
    if math.isinf(f):
        return 0.0
    return float(_special().fdtrc(dof_above, dof_below, f))


def f_quantile(p: float, dof_above: float, dof_below: float) -> float:
    """Value that Fisher's F stays below with probability ``p``."""
    return float(_special().fdtri(dof_above, dof_below, p))


def sd_limits(s: float, dof: float, confidence: float) -> tuple[float, float]:
    """Limits of a standard deviation, by chi-square; the upper one may be infinite.

    Args:
        s: The estimate.
        dof: Its degrees of freedom, by Satterthwaite where it was put together.
        confidence: Two-sided.
    """
    tail = (1 - confidence) / 2
    above, below = (float(_special().chdtri(dof, p)) for p in (tail, 1 - tail))
    return s * math.sqrt(dof / above), s * math.sqrt(dof / below) if below > 0 else math.inf


def coverage_factor(dof: float, confidence: float) -> float:
    """Factor k of the expanded uncertainty (JCGM 100:2008, G.4.1).

    Args:
        dof: Effective degrees of freedom; truncated to a whole number as G.4.1 has it.
        confidence: Such as 0.95.

    Raises:
        LabError: Less than one degree of freedom: no interval can be stated.
    """
    if dof < 1:
        raise LabError("Less than one degree of freedom: no interval can be stated.")
    whole = dof if math.isinf(dof) else math.floor(dof * (1 + 1e-9))  # 9 may come out as 8.999…
    return t_quantile(0.5 + confidence / 2, whole)


@dataclass(frozen=True, slots=True)
class Component:
    """A standard uncertainty that repeating does not show, such as the meter's calibration.

    Attributes:
        u: Size, in the unit of the values, or a share of the mean where ``relative``.
        relative: Whether ``u`` is a share of the mean.
        dof: Degrees of freedom; infinite where the size is taken as exactly known (G.4.3).
    """

    u: float
    relative: bool
    dof: float

    def size(self, mean: float) -> float:
        """Standard uncertainty that it adds to a mean."""
        return self.u * abs(mean) if self.relative else self.u


@dataclass(frozen=True, slots=True)
class Expanded:
    """Combined and expanded uncertainty.

    Attributes:
        u: Combined standard uncertainty.
        dof: Effective degrees of freedom.
        k: Coverage factor for ``dof`` truncated to a whole number.
        expanded: ``k * u``.
    """

    u: float
    dof: float
    k: float
    expanded: float


def combine(parts: Sequence[tuple[float, float]], confidence: float) -> Expanded:
    """Combine independent standard uncertainties (JCGM 100:2008, 5.1.2 and formula G.2b).

    Args:
        parts: Pairs of standard uncertainty, in one unit, and its degrees of freedom.
        confidence: Such as 0.95.

    Raises:
        LabError: No degree of freedom is left.
    """
    u = math.sqrt(math.fsum(size * size for size, _ in parts))
    dof = effective_dof(parts)
    k = coverage_factor(dof, confidence)
    return Expanded(u, dof, k, k * u)


def effective_dof(parts: Sequence[tuple[float, float]]) -> float:
    """Welch-Satterthwaite (JCGM 100:2008, G.2b); infinite where nothing is uncertain by chance.

    Where every part is zero the smallest degrees of freedom stand: zero spread seen in a few
    trials does not make the spread known.
    """
    largest = max(size for size, _ in parts)
    if largest == 0:
        return min(dof for _, dof in parts)
    shares = [(size / largest, dof) for size, dof in parts]  # so that no fourth power underflows
    total = math.fsum(share * share for share, _ in shares)
    below = math.fsum(share**4 / dof for share, dof in shares)
    return total * total / below if below > 0 else math.inf


_COMPONENT = re.compile(
    r"\s*([0-9]+\.?[0-9]*|\.[0-9]+)\s*(%?)\s*(?::\s*([1-9][0-9]{0,8}(?:\.[0-9]+)?))?\s*", re.ASCII
)


def parse_component(text: str) -> Component:
    """Read ``0.5``, ``0.3%`` or ``0.5:8`` (size, then degrees of freedom).

    Raises:
        UsageError: It is none of these.
    """
    found = _COMPONENT.fullmatch(text[:60])
    if found is None:
        raise UsageError(
            f"{text[:60]!r} is no uncertainty. Give a standard uncertainty in the unit of the "
            "values (0.5) or as a share of the mean (0.3%), and after a colon its degrees of "
            "freedom (1 or more) where they are known (0.5:8)."
        )
    u, percent, dof = float(found[1]), found[2] == "%", float(found[3] or "inf")
    return Component(u / 100 if percent else u, percent, dof)


_PLAIN = r"[0-9]+\.?[0-9]*|\.[0-9]+"
_KNOWN = re.compile(rf"\s*([-+]?(?:{_PLAIN}))\s*(?::\s*({_PLAIN}))?\s*", re.ASCII)


def parse_known(text: str) -> tuple[float, float]:
    """Read ``150`` or ``150:0.2``: a known value and its standard uncertainty.

    Raises:
        UsageError: It is neither.
    """
    found = _KNOWN.fullmatch(text[:60])
    if found is None:
        raise UsageError(
            f"{text[:60]!r} is no known value. Give a number in the unit of the values (150), and "
            "after a colon its standard uncertainty (150:0.2)."
        )
    return float(found[1]), float(found[2] or 0)


def rounded(value: float, u: float) -> tuple[str, str]:
    """Value and uncertainty as a certificate has them (JCGM 100:2008, 7.2.6; EA-4/02, 6.3).

    The uncertainty keeps two digits, so that rounding makes it smaller by less than 5 %; the value
    ends at the same place.

    Args:
        value: Finite.
        u: Zero or more, finite; zero leaves the value as it is.
    """
    if not u > 0:
        return f"{value:g}", "0"
    exact = Decimal(u)
    shown = exact.quantize(Decimal(1).scaleb(exact.adjusted() - 1), context=_WIDE)
    least = Decimal(1).scaleb(shown.adjusted() - 1)  # 0.0999 is 0.10, not 0.100
    stated = Decimal(value).quantize(least, context=_WIDE)
    shown = shown.quantize(least, context=_WIDE)
    long = abs(least.adjusted()) > _MOST_PLACES or stated.adjusted() > _MOST_PLACES
    return (f"{stated:E}", f"{shown:E}") if long else (f"{stated:f}", f"{shown:f}")


def figure(value: float | None, *, signed: bool = False) -> str:
    """A figure to four digits or a thousandth, whatever is more."""
    if value is None or math.isnan(value):
        return "-"
    if value != 0 and (abs(value) < 0.01 or abs(value) >= 1e9):
        return f"{value:+.3g}" if signed else f"{value:.3g}"
    places = 3 if abs(value) < 10 else 2 if abs(value) < 10_000 else 1
    return f"{value:+.{places}f}" if signed else f"{value:.{places}f}"


def dof_text(dof: float) -> str:
    """Degrees of freedom."""
    return "unlimited" if math.isinf(dof) else f"{dof:.1f}".removesuffix(".0")


def p_text(p: float) -> str:
    """A probability as tests give it."""
    return "-" if math.isnan(p) else "< 0.001" if p < 0.001 else f"{p:.3f}"


def certificate(mean: float, expanded: Expanded, unit: str, confidence: float) -> str:
    """The line for a certificate: rounded as the uncertainty is (JCGM 100:2008, 7.2.4, 7.2.6)."""
    value, half = rounded(mean, expanded.expanded)
    return (
        f"result: ({value} ± {half}) {unit}".rstrip()
        + f", expanded uncertainty with k = {expanded.k:.2f}, {100 * confidence:g} % "
        f"({dof_text(expanded.dof)} degrees of freedom)"
    )


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
