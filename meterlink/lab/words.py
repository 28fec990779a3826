"""Figures in words."""

import math


def figure(value: float | None, *, signed: bool = False) -> str:
    """A figure to four digits or a thousandth, whatever is more."""
    if value is None or math.isnan(value):
        return "-"
    if value != 0 and abs(value) < 0.01:
        return f"{value:+.2g}" if signed else f"{value:.2g}"
    places = 3 if abs(value) < 10 else 2 if abs(value) < 10_000 else 1
    return f"{value:+.{places}f}" if signed else f"{value:.{places}f}"


def dof_text(dof: float) -> str:
    """Degrees of freedom."""
    return "unlimited" if math.isinf(dof) else f"{dof:.1f}".removesuffix(".0")


def p_text(p: float) -> str:
    """A probability as tests give it."""
    return "-" if math.isnan(p) else "< 0.001" if p < 0.001 else f"{p:.3f}"
