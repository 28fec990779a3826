"""A load with two settings: two levels, whose currents have a known ratio, tell the phase."""

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from meterlink.assumptions import Levels
from meterlink.levels.statistics import DropMode, normal
from meterlink.levels.trace import Marks, Samples

if TYPE_CHECKING:
    from meterlink.levels.drop import Idle
    from meterlink.levels.stages import Explanation, Run

LEAST_SHARE = 0.005  # of the likelihood, which the lower setting leaves where it was foreseen


@dataclass(frozen=True, slots=True)
class LowSetting:
    """What was read with the load at its lower setting.

    Attributes:
        on_mv, u_mv: Level and its standard uncertainty.
        ratio: Current at the higher setting over that at the lower one, above 1.
    """

    on_mv: float
    u_mv: float
    ratio: float


def _two_settings(
    idle: "Idle", b: float, low: LowSetting, sag: float
) -> tuple[float, float] | None:
    """The drop at the higher setting and its uncertainty; ``None`` where noise hides it.

    With ``k`` the ratio of currents, ``d`` the drop at the lower one and ``c`` the cosine of the
    phase, ``low**2 = a1**2 + 2 a1 d c + d**2`` and ``b**2 = a2**2 + 2 a2 k d c + k**2 d**2`` are
    linear in ``d**2`` and ``d c``; ``a1`` and ``a2`` are the idle reading as the load leaves it.
    """
    a, u, k = idle.a, idle.u, low.ratio
    if not k > 1.0:
        return None
    idle_low, idle_high = a * (1.0 - sag / k), a * (1.0 - sag)
    ratio = idle_high / idle_low if idle_low > 0.0 else 1.0
    scale = k * k - k * ratio
    rise, rise_low = b * b - idle_high**2, low.on_mv**2 - idle_low**2
    square = (rise - k * ratio * rise_low) / scale
    by_ratio = -ratio * rise_low / scale - square * (2.0 * k - ratio) / scale
    square_u = math.hypot(
        2.0 * b * u / scale,
        2.0 * k * low.on_mv * low.u_mv / scale,
        2.0 * a * u / k,
        by_ratio * k * idle.assumed.ratio_rel_u,
    )
    if square <= 2.0 * square_u:
        return None
    return k * math.sqrt(square), max(k * square_u / (2.0 * math.sqrt(square)), u)


def _drop_of_settings(idle: "Idle", b: float, low: LowSetting) -> tuple[float, float] | None:
    """The drop at the higher setting and its uncertainty; ``None`` where the two say too little.

    Args:
        idle: What the idle reading may be.
        b: Level at the higher setting.
        low: What was read at the lower one.
    """
    sag, off = idle.assumed.sag, math.sqrt(3.0) * idle.assumed.sag_sd
    # Three-point quadrature of how far the load may take a current down; none of the pickup.
    current = 1.0 - idle.pickup
    shares = (
        (0.0, idle.pickup),
        (sag - off, current / 6.0),
        (sag, current * 2.0 / 3.0),
        (sag + off, current / 6.0),
    )
    solved = [
        (weight, *one)
        for sag, weight in shares
        if (one := _two_settings(idle, b, low, sag)) is not None
    ]
    total = sum(weight for weight, _, _ in solved)
    if total < 0.5:
        return None
    drop = sum(weight * one for weight, one, _ in solved) / total
    square = sum(weight * ((one - drop) ** 2 + one_u**2) for weight, one, one_u in solved)
    return drop, max(math.sqrt(square / total), idle.u)


def weighed_by_low(
    idle: "Idle", modes: list[DropMode], b: float, low: LowSetting
) -> list[DropMode]:
    """Modes weighed by what the lower setting says of the phase."""
    solved = _drop_of_settings(idle, b, low)
    if solved is None:
        return modes
    drop, drop_u = solved
    found = []
    for mode in modes:
        both = math.hypot(mode.u_mv, drop_u)
        mean = drop + (drop_u / both) ** 2 * (mode.drop_mv - drop)
        spread = max(mode.u_mv * drop_u / both, idle.u)
        area = mode.weight * normal(mode.drop_mv - drop, both) * math.sqrt(2.0 * math.pi) * both
        found.append(replace(mode, weight=area, drop_mv=mean, u_mv=spread))
    if sum(mode.weight for mode in found) <= LEAST_SHARE * sum(mode.weight for mode in modes):
        return [DropMode(1.0, drop, drop_u)]  # nothing foresaw this phase
    return found


def by_setting(
    during: Samples,
    usable: Samples,
    seen: "Explanation",
    run: "Run",
    marks: Marks,
    idle_from_s: float,
    assumed: Levels,
) -> tuple[Samples, Samples]:
    """Readings at the higher and at the lower setting of the load; the latter mostly empty."""
    taps = list(zip(marks.on, marks.settings, strict=True))
    low_s, high_s = ([t for t, one in taps if one == which] for which in ("low", "high"))
    if not low_s or not high_s:
        return during, usable.none()
    tap_s = high_s[-1]
    inside = [
        (seen.plateaus[k].last_s, seen.plateaus[k + 1].first_s) for k in range(run.first, run.last)
    ]
    start_s, rise_s = seen.plateaus[run.first].first_s, assumed.meter_lag_s
    if inside:
        quiet_s, moved_s = min(inside, key=lambda t: abs(t[1] - tap_s))
        return during.between(moved_s + rise_s, np.inf), during.between(-np.inf, quiet_s)
    if abs(start_s - tap_s) < abs(start_s - low_s[0]):  # the lower setting does not show
        hidden = usable.between(max(low_s[0] + rise_s, idle_from_s), start_s - 1.0)
        hidden = hidden.where(hidden.t_s > low_s[0] + 0.6 * (start_s - low_s[0]))
        return during, hidden
    return during.between(tap_s + rise_s, np.inf), during.between(-np.inf, tap_s - 1.0)
