"""Whether a series drifts: a straight line through it, and whether chance explains the slope."""

import math
from dataclasses import dataclass

from meterlink.lab.quantiles import t_two_sided_p
from meterlink.levels.statistics import Floats, mean


@dataclass(frozen=True, slots=True)
class Line:
    """Least squares line ``intercept + slope * x`` (JCGM 100:2008, H.3.2).

    Attributes:
        slope, intercept: Of the line.
        u_slope, u_intercept: Their standard uncertainties, from the scatter about the line.
        r: Correlation of the estimates of slope and intercept.
        s: Standard deviation about the line.
        dof: Degrees of freedom, n - 2.
    """

    slope: float
    intercept: float
    u_slope: float
    u_intercept: float
    r: float
    s: float
    dof: int

    @property
    def p(self) -> float:
        """Two-sided probability of a slope as steep by chance, Student's t on ``dof``."""
        if self.u_slope == 0:
            return 1.0 if self.slope == 0 else 0.0
        return t_two_sided_p(self.slope / self.u_slope, self.dof)


def fit_line(x: Floats, y: Floats) -> Line | None:
    """Fit a line.

    Args:
        x: Shape (n,).
        y: Shape (n,).

    Returns:
        ``None`` for fewer than 3 points, or where all stand at the same ``x``.
    """
    n = x.size
    x_mean, y_mean = (mean(x), mean(y)) if n else (0.0, 0.0)
    across, up = x - x_mean, y - y_mean
    sxx = float(across @ across)
    if n < 3 or not sxx > 0 or not math.isfinite(sxx):
        return None
    slope = float(across @ up) / sxx
    rest = up - slope * across
    s = math.sqrt(float(rest @ rest) / (n - 2))
    about_zero = sxx + n * x_mean * x_mean
    return Line(
        slope=slope,
        intercept=y_mean - slope * x_mean,
        u_slope=s / math.sqrt(sxx),
        u_intercept=s * math.sqrt(about_zero / (n * sxx)),
        r=-x_mean * math.sqrt(n / about_zero),
        s=s,
        dof=n - 2,
    )
