"""Levels of a line-drop test: one supply that wanders through all stages, and a sag while on."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from meterlink.assumptions import Levels
from meterlink.levels.levels import (
    TAU_LOG_PRIORS,
    TAU_SDS,
    LevelsFound,
    after_differs,
    after_of,
    level_of,
    mean_level,
    noise_models,
    range_mv,
    sag_curves,
    with_levels,
)
from meterlink.levels.stages import Stages
from meterlink.levels.statistics import (
    LEAST_U_MV,
    Floats,
    difference_sd,
    display_sd,
    fit,
    rms,
)

# Part of the readings' differences that is taken for noise of the meter: the rest is the wander's.
WHITE = 0.5
MOST_BLOCKS = 320  # that the readings of a test are averaged to


def supply_levels(stages: Sequence[Stages], assumed: Levels) -> LevelsFound | None:
    """Levels of a test; ``None`` where no cycle has readings both without load and with it.

    Args:
        stages: Of each cycle.
        assumed: Priors.
    """
    stages = with_levels(stages)
    if not stages:
        return None
    parts = [
        (part, k if part is one.on else -1)
        for k, one in enumerate(stages)
        for part in (one.idle, one.on, one.after if k == len(stages) - 1 else one.after.none())
        if len(part)
    ]  # what follows a cycle is the idle stage of the next
    least = 1
    while sum(_blocks(len(part), least).size for part, _ in parts) > MOST_BLOCKS:
        least *= 2
    sizes = np.concatenate([_blocks(len(part), least) for part, _ in parts])
    starts = (np.cumsum(sizes) - sizes).astype(np.intp)
    raw_t = np.concatenate([part.t_s for part, _ in parts])
    raw_mv = np.concatenate([part.mv for part, _ in parts])
    t, mv = np.add.reduceat(raw_t, starts) / sizes, np.add.reduceat(raw_mv, starts) / sizes
    cycle = np.concatenate([np.full(len(part), k) for part, k in parts])[starts]
    idle = mean_level([level_of(one.idle) for one in stages])
    on = mean_level([level_of(one.on) for one in stages])
    display = display_sd(max(part.display_mv for part, _ in parts))
    white = max(WHITE * rms([difference_sd(one.idle.mv) for one in stages]), display, 1e-6)
    rough = max(abs(idle.value - on.value), 1e-3)
    # One load has one inrush when it is cold and one when it ran just before: cycles repeat it.
    kinds = sorted({one.warm for one in stages})
    curves = [np.zeros((t.size, len(kinds) + 1)) for _ in TAU_SDS]
    tail = _tail(t, cycle, stages, assumed)
    for k, one in enumerate(stages):
        start_s = one.on.t_s[0] - 3.0 if one.on_at_s is None else one.on_at_s  # about, if unseen
        for to, curve in zip(curves, sag_curves(t - start_s, assumed), strict=True):
            to[:, kinds.index(one.warm)] -= np.where(cycle == k, curve, 0.0)
            to[:, -1] = tail
    shares = [assumed.inrush_share * (0.5 if warm else 1.0) for warm in kinds]
    spreads = [assumed.inrush_share_sd + 1e-3 / rough for _ in kinds]
    found = fit(
        mv,
        np.column_stack([np.ones(t.size), -(cycle >= 0).astype(float)]),
        noise_models(raw_t, white / np.sqrt(sizes), idle.value, assumed, sizes),
        (TAU_LOG_PRIORS, curves),
        rough * np.array([*shares, assumed.tail]),
        rough * np.array([*spreads, assumed.tail_sd]),
    )
    drop, u = found.of(1)
    afters = [after for one in stages if (after := after_of(one)) is not None]
    after = mean_level(afters) if afters else None
    moved = max((range_mv(one.during) for one in stages if one.moved), default=0.0)
    u = math.hypot(max(u, display), assumed.supply_wander * drop, 0.5 * moved)
    return LevelsFound(
        idle=idle,
        after=after,
        on=replace(on, se=u),
        base_mv=on.value + drop,
        u_mv=max(u, LEAST_U_MV),
        restless=any(one.moved >= 2 for one in stages),
        cycles=len(stages),
        after_differs=after_differs(idle, after, assumed, line=True),
    )


def _blocks(n: int, least: int) -> Floats:
    """Sizes of blocks of ``n`` readings between two switchings: the nearer to one, the finer."""
    left, size = [0], least
    while left[-1] + size < n / 2:
        left.append(left[-1] + size)
        size *= 2
    starts = [*left, *(n - start for start in reversed(left[1:]))]
    return np.diff(np.array([*dict.fromkeys(starts), n], dtype=np.float64))


def _tail(
    t_s: Floats, cycle: npt.NDArray[np.intp], stages: Sequence[Stages], assumed: Levels
) -> Floats:
    """What a meter's lag leaves of each switching, as a share of the drop at that moment."""
    tail = np.zeros(t_s.size)
    for k, one in enumerate(stages):
        for at_s, sign, inside in ((one.on_at_s, 1.0, cycle == k), (one.off_at_s, -1.0, cycle < 0)):
            if at_s is not None:
                later = inside & (t_s > at_s)
                tail[later] += sign * np.exp((at_s - t_s[later]) / assumed.rms_lag_s)
    return tail


def u_with_cycles(u_mv: float, sag_mv: float, times: float, assumed: Levels) -> float:
    """Standard uncertainty of a sag that another test with more cycles would have.

    Every switching tells the sag by itself, so variances fall with their number. That a cold
    element draws more is known to a share of the sag only: where it comes the current is higher by
    so much, where it goes the element is warm.

    Args:
        u_mv: What it was.
        sag_mv: The sag.
        times: Number of cycles over that of the test that had ``u_mv``.
        assumed: Priors.
    """
    cold = (assumed.inrush_share_sd * sag_mv) ** 2
    apart = 2.0 * u_mv**2 - cold  # 1 / u**2 = 1 / one + 1 / (one + cold), solved for one
    one = 0.5 * (apart + math.sqrt(apart**2 + 4.0 * u_mv**2 * cold)) / times
    return float((1.0 / one + 1.0 / (one + cold)) ** -0.5)
