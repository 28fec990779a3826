"""Tails and quantiles of Student's t, chi-square and Fisher's F, from SciPy.

SciPy is an extra: nothing else in the package needs it. It is imported on the first call.
"""

import math
from functools import cache
from importlib import import_module
from types import ModuleType

from meterlink.lab.errors import LabError


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
