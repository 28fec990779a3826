"""Readings of one stage that have reached its level: no settling, no strays."""

import numpy as np
import numpy.typing as npt

from meterlink.levels.statistics import difference_sd, display_sd, robust_center
from meterlink.levels.trace import Samples

FEW = 5
STEP_SDS = 8.0
IDLE_SHARE = 0.3  # of an idle pickup level: a step below it may be pickup wandering
LINE_SHARE = 0.004  # the same of a supply level
SAG_SHARE = 0.1  # of a level with the load on: no heater's current starts higher than that


def least_step(idle: Samples, base: float, line: bool) -> float:
    """Change of level in mV that stands out of the idle readings' noise and wander."""
    noise = max(difference_sd(idle.mv), robust_center(idle.mv)[1], display_sd(idle.display_mv))
    share = LINE_SHARE if line else IDLE_SHARE
    return max(STEP_SDS * noise, share * abs(base)) + 1e-6


def settled(stage: Samples, line: bool) -> Samples:
    """Leave out the leading readings of a stage that are still on their way to its level."""
    if len(stage) <= FEW:
        return stage
    tail = stage.mv[-max(len(stage) // 2, FEW) :]
    center, spread = robust_center(tail)
    share = LINE_SHARE if line else IDLE_SHARE
    noise = max(spread, difference_sd(tail), display_sd(stage.display_mv))
    near_mv = max(5.0 * noise, 0.5 * share * abs(center)) + 1e-6
    near = np.abs(stage.mv - center) <= near_mv
    first = _first_settled(near)
    if first > 0:
        # An exponential approach that took so long to come near takes 3 of its time constants
        # more to sink to a twentieth of that.
        took_s = stage.t_s[first] - stage.t_s[0]
        ratio = float(np.log(max(abs(stage.mv[0] - center) / near_mv, np.e)))
        still = stage.t_s < stage.t_s[first] + 3.0 * took_s / ratio
        if len(stage) - int(still.sum()) >= FEW:
            first = int(still.sum())
    near[:first] = False
    return stage.where(near)


def near_level(stage: Samples, line: bool) -> Samples:
    """Leave out readings with the load on that cannot belong to its level, sag allowed for."""
    center = float(np.median(stage.mv[len(stage) // 2 :])) if len(stage) else 0.0
    noise = max(difference_sd(stage.mv), display_sd(stage.display_mv))
    share = LINE_SHARE if line else SAG_SHARE
    return stage.where(np.abs(stage.mv - center) <= share * abs(center) + STEP_SDS * noise + 1e-6)


def _first_settled(near: npt.NDArray[np.bool_]) -> int:
    """Index of the first reading from which on readings stay near the level, one in five aside."""
    for first in range(near.size - FEW + 1):
        if near[first] and near[first : first + FEW].mean() >= 0.8:
            return first
    return int(near.size - FEW)
