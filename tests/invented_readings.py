"""Random tests as a meter would show them, with the true drop beside them.

Written apart from the detector: nothing of ``meterlink.levels`` is used here. The physics: an AC
meter shows the root mean square of the drop's phasor plus the pickup's phasor plus stray noise,
follows changes with a first-order lag, and rounds to its display. Figures are common practice.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from drivers.readings import Function, Reading
from meterlink.circuit.setup import Hookup, Setup

STEP_S = 0.04


@dataclass(frozen=True)
class Trial:
    """One invented test.

    Attributes:
        setup: Leads and load.
        drop_mv: What the load current causes (0 where it does not pass, or the load never ran).
        events: Readings, and ``(kind, t_s)`` for marks, in time order.
        on_s: When the load came on, ``None`` if never.
        hertz: Of the supply.
    """

    setup: Setup
    drop_mv: float
    events: list[Reading | tuple[str, float]]
    on_s: float | None
    end_s: float
    hertz: float = 60.0


@dataclass(frozen=True)
class Style:
    """How the meter and the circuit behave."""

    every_s: float = 0.34
    lag_s: float = 0.35
    pickup_mv: tuple[float, float] = (3.0, 15.0)
    pickup_wander: float = 0.05
    pickup_wander_s: float = 6.0
    jitter_mv: tuple[float, float] = (0.1, 0.6)
    supply_wander: float = 0.0012
    supply_wander_s: float = 6.0
    inrush: tuple[float, float] = (0.0, 0.045)
    inrush_s: tuple[float, float] = (2.0, 4.5)
    digits: int = 6000
    overload_s: tuple[float, float] = (0.0, 1.2)
    skip: float = 0.08
    repeat: float = 0.08
    late_s: tuple[float, float] = (-1.0, 5.0)
    volts: float = 120.0
    source_mv: float = 0.0
    extra: dict[str, float] = field(default_factory=dict)


def ou(rng: np.random.Generator, n: int, sd: float, correlation_s: float) -> np.ndarray:
    """A stationary Ornstein-Uhlenbeck series at ``STEP_S``."""
    keep = np.exp(-STEP_S / correlation_s)
    shocks = rng.normal(0.0, sd * np.sqrt(1.0 - keep * keep), n)
    series = np.empty(n)
    value = rng.normal(0.0, sd)
    for i in range(n):
        value = keep * value + shocks[i]
        series[i] = value
    return series


def lagged(values: np.ndarray, lag_s: float) -> np.ndarray:
    """First-order lag of a series at ``STEP_S``."""
    share = 1.0 - np.exp(-STEP_S / lag_s)
    out = np.empty_like(values)
    state = float(values[0])
    for i, value in enumerate(values):
        state += share * (float(value) - state)
        out[i] = state
    return out


def shown_resolution_mv(mv: float, digits: int) -> float:
    """Weight of the last digit on an automatic range of that many counts."""
    resolution = 0.01
    while abs(mv) > digits * resolution:
        resolution *= 10.0
    return resolution


def trial(
    rng: np.random.Generator, hookup: Hookup, drop_mv: float, style: Style | None = None
) -> Trial:
    """Draw one test.

    Args:
        rng: Source of all randomness.
        hookup: Levels are pickup and drop, or (line-drop) the supply with its sag.
        drop_mv: True drop at the load's warm current.
        style: How things behave.
    """
    style = style or Style()
    idle_s, load_s, rest_s = rng.uniform(8, 14), rng.uniform(11, 16), rng.uniform(6.5, 10.5)
    on_mark, off_mark, end = idle_s, idle_s + load_s, idle_s + load_s + rest_s
    on_s = on_mark + rng.uniform(*style.late_s)
    off_s = off_mark + rng.uniform(-0.5, min(style.late_s[1], 3.5))
    t = np.arange(0.0, end, STEP_S)
    loaded = (t >= on_s) & (t < off_s)
    supply = 1.0 + ou(rng, t.size, style.supply_wander, style.supply_wander_s)
    inrush = rng.uniform(*style.inrush) * np.exp(
        -np.clip(t - on_s, 0.0, None) / rng.uniform(*style.inrush_s)
    )
    drop = drop_mv * loaded * (1.0 + inrush) * supply
    if hookup is Hookup.LINE_DROP:
        magnitude = 1e3 * style.volts * supply - drop
        jitter = 5.0
    else:
        pickup = rng.uniform(*style.pickup_mv) * (
            1.0 + ou(rng, t.size, style.pickup_wander, style.pickup_wander_s)
        )
        phase = rng.uniform(0.0, 2.0 * np.pi)
        magnitude = np.abs(drop + pickup * np.exp(1j * phase))
        jitter = rng.uniform(*style.jitter_mv)
    shown = lagged(magnitude, style.lag_s)
    readings = list(_display(rng, t, shown, magnitude, jitter, style))
    marks: list[Reading | tuple[str, float]] = [("load-on", on_mark), ("load-off", off_mark)]
    events = sorted([*readings, *marks], key=lambda e: e.t_s if isinstance(e, Reading) else e[1])
    lead_b = "Desk" if hookup.has_lead_b else None
    setup = Setup(hookup, "Bed", lead_b, "Door")
    return Trial(setup, drop_mv, events, on_s if drop_mv else None, float(end))


def _display(
    rng: np.random.Generator,
    t: np.ndarray,
    shown: np.ndarray,
    magnitude: np.ndarray,
    jitter: float,
    style: Style,
) -> Iterator[Reading]:
    """Readings at the meter's pace: rounded, some skipped, some old, overload at range changes."""
    resolution = shown_resolution_mv(shown[0], style.digits)
    blocked_until = -1.0
    last: float | None = None
    noise = 0.0
    now = rng.uniform(0.0, style.every_s)
    while now < t[-1]:
        i = int(now / STEP_S)
        wanted = shown_resolution_mv(shown[i], style.digits)
        if wanted > resolution:
            blocked_until = now + rng.uniform(*style.overload_s)
        resolution = wanted
        noise = 0.3 * noise + rng.normal(0.0, jitter * np.sqrt(1 - 0.09))
        now += style.every_s
        if rng.random() < style.skip:
            continue
        if now < blocked_until:
            yield Reading(now, None, Function.AC, None, overload=True)
            continue
        value = abs(shown[i] + noise)
        if last is not None and rng.random() < style.repeat:
            value = last
        last = value
        rounded = round(value / resolution) * resolution
        yield Reading(now, rounded / 1e3, Function.AC, resolution / 1e3)
