"""Standard and expanded uncertainty of a mean, with effective degrees of freedom (JCGM 100)."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from meterlink.errors import UsageError
from meterlink.lab.quantiles import coverage_factor


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
