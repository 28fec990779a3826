"""Uncertainty of a mean as JCGM 100 has it, and the quantiles that it needs, from SciPy.

SciPy is an extra: nothing else in the package needs it. It is imported on the first call.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Context, Decimal
from functools import cache
from importlib import import_module
from types import ModuleType

from meterlink.errors import LabError, UsageError

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


def rounded(value: float, u: float, digits: int = 2) -> tuple[str, str]:
    """Value and uncertainty as a certificate has them (JCGM 100:2008, 7.2.6; EA-4/02, 6.3).

    The uncertainty keeps two digits, the value ends at the same place. Rounding never makes the
    uncertainty smaller by more than 5 %: then it is rounded up.

    Args:
        value: Finite.
        u: Zero or more, finite; zero leaves the value as it is.
        digits: Digits of the uncertainty.
    """
    if not u > 0:
        return f"{value:g}", "0"
    exact = Decimal(u)
    place = exact.adjusted() - digits + 1
    shown = exact.quantize(Decimal(1).scaleb(place), context=_WIDE)
    if shown < exact * Decimal("0.95"):
        shown += Decimal(1).scaleb(place)
    least = Decimal(1).scaleb(shown.adjusted() - digits + 1)  # 0.0999 is 0.10, not 0.100
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
