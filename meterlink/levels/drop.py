"""From levels to drop, limit and verdict: one function for row, live progress and typed readings.

An AC meter shows magnitudes. Idle it shows ``a``; with the load on it shows ``b = abs(d + A)`` with
the drop ``d`` wanted and ``A`` the idle phasor of size ``a``. What is known of its phase is a
mixture that the size of ``a`` and the hookup decide:

* pickup (small ``a``): any phase. The magnitude then has the closed distribution

      P(b <= m | d) = 1 - arccos((m**2 - a**2 - d**2) / (2 a d)) / pi,

  since ``b <= m`` is a condition on ``cos(phase)`` alone. Noise of the levels is normal; a normal
  is a mixture of uniform distributions, so its likelihood is an average of differences of that
  closed form and stays finite where the density of ``b`` itself does not.
* the current of other appliances (large ``a``): nearly in phase with the load's. At
  ``neutral-ground`` the two add, and ``d = b - a``; in a neutral shared with the other leg they
  oppose; between two neutrals either. Only the quadrature part of what pickup there still is
  matters, in second order, so these modes are sharp.
* motors and rectifiers: 20 to 50 degrees off, a lesser part.

So the drop may have two or three modes, and the wiring picks one. Readings on a DC range are signed
and ``d`` is their difference; ``line-drop`` is the sag of one supply.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from meterlink.assumptions import USUAL, Assumptions, Levels
from meterlink.circuit.setup import Hookup, Verdict
from meterlink.levels.statistics import (
    LEAST_U_MV,
    DropMode,
    Floats,
    below,
    below_all,
    magnitude_likelihood,
    magnitude_within,
    normal,
    rayleigh,
)
from meterlink.levels.two_settings import LowSetting, weighed_by_low

# Where no jump shows, the drop may be anything up to the limit with a chance of 5 % there; a normal
# likelihood about 0 falls to 0.05 of its height at this many standard deviations: sqrt(-2 ln 0.05).
LIMIT_IN_U = 2.448
ONE_SIGMA = 0.6827  # share of a normal distribution within one standard deviation
LEAST_WEIGHT = 0.005
COVERED_WEIGHT = 0.04
_GRID = 400


@dataclass(frozen=True, slots=True)
class Drop:
    """What two levels say about the drop.

    Attributes:
        drop_mv: Posterior mean, "no drop" among what is weighed.
        drop_u_mv: Standard uncertainty that covers all modes.
        limit_mv: Smallest drop that would have shown with 95 % probability.
        p_drop: Posterior probability that there is a drop at all.
        verdict: ``in-path`` where that is at least ``certain``; ``not-in-path`` where no drop is
            and the smallest run that may be there would have shown; else ``unclear``.
        modes: The likelihood of the drop as a mixture of normals, the largest weight first.
    """

    drop_mv: float
    drop_u_mv: float
    limit_mv: float
    p_drop: float
    verdict: Verdict
    modes: tuple[DropMode, ...]


def evaluate(
    hookup: Hookup,
    idle_mv: float,
    on_mv: float,
    u_mv: float,
    *,
    signed: bool = False,
    directed: bool = False,
    others: bool = False,
    smallest_drop_mv: float = math.inf,
    low: LowSetting | None = None,
    assumed: Levels = USUAL.levels,
) -> Drop:
    """Drop, limit and verdict of a test.

    Args:
        hookup: How the meter was connected.
        idle_mv: Level without load, in mV.
        on_mv: Level with the load on.
        u_mv: Standard uncertainty of ``on_mv - idle_mv``, the phase of the idle reading apart.
        signed: The levels have a sign: DC volts.
        directed: ... and so has the drop: of a direct source it is known which way it flows.
        others: Other appliances may run beside a half-wave load: unseen on a DC range, the sag
            that each second half wave gets leaves them some direct current.
        smallest_drop_mv: What the load makes on the smallest run that could be there.
        low: The level at the load's lower setting, where a test has two. The drop is that of the
            higher one.
        assumed: Priors.

    Example:
        >>> found = evaluate(Hookup.NEUTRAL_GROUND, 10.0, 200.0, 0.3, smallest_drop_mv=80.0)
        >>> found.verdict, 185 < found.drop_mv < 200
        (<Verdict.IN_PATH: 'in-path'>, True)
    """
    u = max(u_mv, LEAST_U_MV)
    line = hookup is Hookup.LINE_DROP
    if line or signed:
        delta = _sag(idle_mv, on_mv) if line else on_mv - idle_mv
        delta = delta if line or directed else abs(delta)
        if others:  # the load's half waves sag others' current by half waves, too
            u = math.hypot(u, assumed.others_direct_mv, assumed.others_direct * delta)
        return _linear(delta, u, smallest_drop_mv, assumed, spread=not line)
    b = abs(on_mv)
    idle = Idle.of(hookup, abs(idle_mv), u, assumed)
    modes = idle.modes(b) if low is None else weighed_by_low(idle, idle.modes(b), b, low)
    found = _combined(idle, modes, b, smallest_drop_mv)
    # The home run is common to all: a current there and no jump is a coincidence, or no contact.
    withheld = hookup is Hookup.NEUTRAL_GROUND and idle.pickup < 0.5
    unclear = withheld and found.verdict is Verdict.NOT_IN_PATH
    return replace(found, verdict=Verdict.UNCLEAR) if unclear else found


def drop_modes(
    hookup: Hookup,
    idle_mv: float,
    on_mv: float,
    *,
    level_u_mv: float | None = None,
    signed: bool = False,
    assumptions: Assumptions = USUAL,
) -> tuple[DropMode, ...]:
    """The drop behind the levels of a row of the log, as a mixture of normals.

    Not for a row with the setting ``low+high``: its ``drop_mV`` and ``drop_u_mV`` say it all.

    Args:
        hookup: How the meter was connected.
        idle_mv: Level without load, in mV.
        on_mv: Level with the load on.
        level_u_mv: The row's; where it has none it is estimated.
        signed: The levels have a sign: DC volts.
        assumptions: Priors.
    """
    u = _usual_u_mv(hookup, idle_mv, on_mv, assumptions) if level_u_mv is None else level_u_mv
    return evaluate(hookup, idle_mv, on_mv, u, signed=signed, assumed=assumptions.levels).modes


def _usual_u_mv(hookup: Hookup, idle_mv: float, on_mv: float, assumptions: Assumptions) -> float:
    """Standard uncertainty that ``on - idle`` has in an ordinary test, in mV."""
    assumed = assumptions.levels
    if hookup is Hookup.LINE_DROP:
        return assumed.supply_wander * abs(idle_mv)
    supply = assumed.supply_wander * max(abs(idle_mv), abs(on_mv))
    pickup = assumed.pickup_wander * min(abs(idle_mv), assumed.largest_pickup_mv)
    return math.hypot(math.sqrt(1.5) * pickup, 2.0 * supply, assumptions.meter.floor_u_mv)


def _sag(idle_mv: float, on_mv: float) -> float:
    """By how much the load takes the supply down; on a DC range of an AC supply, its own sag."""
    if abs(idle_mv) < abs(on_mv - idle_mv):
        return abs(on_mv - idle_mv)
    return (idle_mv - on_mv) * math.copysign(1.0, idle_mv)


def _linear(delta: float, u: float, smallest: float, assumed: Levels, *, spread: bool) -> Drop:
    """Levels that add: the drop is their difference."""
    limit = u * (band_in_u(u, assumed) + 1.645)  # 1.645: 95 % point of the normal distribution
    p_drop = _p_drop(1.0, normal(delta, u), abs(delta), assumed)
    shown_u = max(u, limit / LIMIT_IN_U) if spread and p_drop < assumed.certain else u
    said = _verdict(p_drop, limit, smallest, assumed)
    return Drop(delta, shown_u, limit, p_drop, said, (DropMode(1.0, delta, shown_u),))


@dataclass(frozen=True, slots=True)
class Idle:
    """What an idle reading may be.

    The load takes the supply down, and with it what others draw: as a current it has another size
    while the load is on.

    Attributes:
        pickup, adds, opposes, lags, leads: Weights, which sum to 1; ``leads`` opposes, and lags.
        a, u: Its size, and the uncertainty of the on level against it, if it is pickup.
        current, current_u: The same with the load on, if it is a current.
        assumed: Priors.
    """

    pickup: float
    adds: float
    opposes: float
    lags: float
    leads: float
    a: float
    u: float
    current: float
    current_u: float
    assumed: Levels

    @classmethod
    def of(cls, hookup: Hookup, a: float, u: float, assumed: Levels) -> "Idle":
        """Weigh a reading of size ``a``."""
        low, high = assumed.background_mv
        scales = (
            (1.0 - assumed.wide_pickup, assumed.pickup_mv),
            (assumed.wide_pickup, assumed.wide_pickup_mv),
        )
        pickup = (1.0 - assumed.background) * sum(w * rayleigh(a, scale) for w, scale in scales)
        current = assumed.background / (a * math.log(high / low)) if a > low else 0.0
        both = pickup + current
        share = current / both if both > 0.0 else float(a > low)
        opposed = assumed.opposed if hookup is Hookup.NEUTRAL_GROUND else 0.5
        sharp, lagging = share * (1.0 - assumed.lagging), share * assumed.lagging
        (adds, opposes), (lags, leads) = (
            (one * (1.0 - opposed), one * opposed) for one in (sharp, lagging)
        )
        on, on_u = a * (1.0 - assumed.sag), math.hypot(u, assumed.sag_sd * a)
        return cls(1.0 - share, adds, opposes, lags, leads, a, u, on, on_u, assumed)

    def modes(self, b: float) -> list[DropMode]:
        """All modes of the drop behind the on level ``b``, whatever their weight."""
        found = [_pickup_mode(self, b)] if self.pickup > 0.0 else []
        a = self.current
        square = min(0.5 * self.assumed.quadrature_mv**2, 0.25 * a * a, 0.25 * b * b)
        real_a, real_b = math.sqrt(a * a - square), math.sqrt(b * b - square)
        rise = real_b - real_a
        u = math.hypot(self.current_u, rise - (b - a))
        ways = (
            (self.adds, rise, True),
            (self.opposes, -rise, True),
            (self.opposes, real_a + real_b, False),
        )
        sharp = [
            DropMode(weight * below(drop / u), max(drop, 0.0), u, near)
            for weight, drop, near in ways
        ]
        found += [mode for mode in sharp if mode.weight > 0.0]
        return found + _off_phase(self, self.lags, 1.0, b) + _off_phase(self, self.leads, -1.0, b)


def _off_phase(idle: Idle, weight: float, sign: float, b: float) -> list[DropMode]:
    """Modes of a current some angle off: the two solutions of ``b = abs(d + A)``."""
    a, u = idle.current, idle.current_u
    angles = np.radians(idle.assumed.lag_degrees)
    across, along = a * np.sin(angles), sign * a * np.cos(angles)
    if weight <= 0.0:
        return []
    root = np.sqrt(np.maximum(b * b - across * across, u * u + 2.0 * u * b))
    slope = np.minimum(b / root, 3.0)
    found = []
    for branch in (1.0, -1.0):
        drops = branch * root - along
        areas = np.where((drops > 0.0) & (b + 3.0 * u >= across), slope / angles.size, 0.0)
        total = float(areas.sum())
        if total > 0.0:
            mean = float(areas @ drops) / total
            spread = float(areas @ ((drops - mean) ** 2 + (u * slope) ** 2)) / total
            near = branch * sign > 0.0 or mean < 3.0 * u
            found.append(DropMode(weight * total, mean, math.sqrt(spread), near))
    return found


def _pickup_mode(idle: Idle, b: float) -> DropMode:
    """The drop under pickup of uniform phase, as one normal that covers it."""
    weight, a, u = idle.pickup, idle.a, idle.u
    low, high = max(0.0, abs(b - a) - 5.0 * u), b + a + 5.0 * u
    step = (high - low) / _GRID
    d: Floats = low + step * (np.arange(_GRID, dtype=np.float64) + 0.5)
    density = magnitude_likelihood(b, d, a, u)
    total = float(density.sum())
    if total <= 0.0:
        return DropMode(weight, float(d.mean()), max(float(np.ptp(d)) / 4.0, u))
    share = density / total
    mean = float(share @ d)
    sd = math.sqrt(max(float(share @ (d * d)) - mean * mean, 0.0))
    # The error that an unknown phase leaves has the arcsine distribution, of which one standard
    # deviation covers but half: the central 68 % count where they are wider.
    left, right = np.interp((0.5 - ONE_SIGMA / 2, 0.5 + ONE_SIGMA / 2), np.cumsum(share), d)
    return DropMode(weight * total * step, mean, max(sd, 0.5 * float(right - left), u), near=True)


def _combined(idle: Idle, modes: list[DropMode], b: float, smallest: float) -> Drop:
    """Mean and spread of all modes and of no drop at all.

    Args:
        idle: What the idle reading may be.
        modes: With their likelihoods.
        b: On level.
        smallest: What the smallest run would make.
    """
    a, u, assumed, pickup = idle.a, idle.u, idle.assumed, idle.pickup
    limit = limit_of(idle)
    none = pickup * normal(b - a, u) + (1.0 - pickup) * normal(b - idle.current, idle.current_u)
    total = sum(mode.weight for mode in modes)
    p_drop = _p_drop(total, none, b + a, assumed)
    modes = modes if total > 0.0 else [DropMode(1.0, abs(b - a), u, near=True)]
    shown = _normalized(modes)
    mean = p_drop * sum(m.weight * m.drop_mv for m in shown)
    square = p_drop * sum(m.weight * (m.drop_mv**2 + m.u_mv**2) for m in shown)
    shown_u = max(math.sqrt(max(square - mean * mean, 0.0)), u)
    if p_drop < assumed.certain:
        shown_u = max(shown_u, limit / LIMIT_IN_U)
        near = sum(m.weight for m in shown if m.near)
        if near > 0.0:
            no_jump = DropMode(near, mean, max(limit / LIMIT_IN_U, u))
            shown = [no_jump, *(m for m in shown if not m.near)]
    else:  # no mode that may well be the right one is further off than two uncertainties
        far_mv = [abs(m.drop_mv - mean) for m in shown if m.weight >= COVERED_WEIGHT]
        shown_u = max([shown_u, *(0.5 * off_mv for off_mv in far_mv)])
    said = _verdict(p_drop, limit, smallest, assumed)
    kept = _normalized([m for m in shown if m.weight >= LEAST_WEIGHT] or shown[:1])
    return Drop(mean, shown_u, limit, p_drop, said, tuple(sorted(kept, key=lambda m: -m.weight)))


def _normalized(modes: list[DropMode]) -> list[DropMode]:
    """The same with weights that sum to 1."""
    total = sum(mode.weight for mode in modes) or 1.0
    return [replace(mode, weight=mode.weight / total) for mode in modes]


def _p_drop(some: float, none: float, size_mv: float, assumed: Levels) -> float:
    """Probability of a drop, given the likelihood of all drops there are and of none."""
    some *= (1.0 - assumed.no_drop) / max(assumed.widest_drop_mv, size_mv)
    none *= assumed.no_drop
    return some / (some + none) if some + none > 0.0 else 1.0


def _verdict(p_drop: float, limit: float, smallest: float, assumed: Levels) -> Verdict:
    """The verdict where a drop has a probability, and one above the limit would have shown."""
    if p_drop >= assumed.certain:
        return Verdict.IN_PATH
    none = p_drop <= 1.0 - assumed.certain and limit <= smallest
    return Verdict.NOT_IN_PATH if none else Verdict.UNCLEAR


def limit_of(idle: Idle) -> float:
    """Smallest drop from which on drops show with 95 % probability.

    A drop shows when the on level leaves the band about the idle level in which "no drop" stays
    more probable than ``1 - certain``. A current that opposes the load hides one drop exactly, of
    twice its size: such a blind spot counts with the chance to hit it, among drops within a factor
    of ``exp(+-0.5)``.
    """
    a, pickup = idle.a, idle.pickup
    u = pickup * idle.u + (1.0 - pickup) * idle.current_u
    band = u * band_in_u(u, idle.assumed)
    top = 2.0 * a + band + 2.0 * u
    d: Floats = np.union1d(np.linspace(0.0, top, 200)[1:], np.geomspace(0.3 * u, top, 200))
    missed = pickup * magnitude_within(a, band, d, idle.u) if pickup > 0.01 else np.zeros(d.size)
    cosines = np.cos(np.radians(idle.assumed.lag_degrees))
    lagging = [(cosine, idle.lags / cosines.size, idle.leads / cosines.size) for cosine in cosines]
    for cosine, adds, opposes in ((1.0, idle.adds, idle.opposes), *lagging):
        missed += adds * _hidden(d, a, cosine, band, u) + opposes * _blind(d, a, cosine, band, u)
    too_small = np.flatnonzero(missed > 0.05)
    return float(d[min(int(too_small[-1]) + 1, d.size - 1)]) if too_small.size else float(d[0])


def _blind(d: Floats, a: float, cosine: float, band: float, u: float) -> Floats:
    """Chance that a current that opposes the load hides a drop near ``d``."""
    small = below_all((band - cosine * d) / u)
    spot = 2.0 * a * cosine
    width = min(band / max(cosine, 0.1), 0.9 * spot)
    if not 0.0 < width < spot:  # equal where the idle reading is the smallest number there is
        return small
    low, high = math.log(spot - width), math.log(spot + width)
    overlap = np.minimum(np.log(d) + 0.5, high) - np.maximum(np.log(d) - 0.5, low)
    hidden: Floats = np.maximum(small, np.clip(overlap, 0.0, 1.0))
    return hidden


def _hidden(d: Floats, a: float, cosine: float, band: float, u: float) -> Floats:
    """Probability that the on level stays within the band, at a known phase."""
    shift = np.sqrt(np.maximum(a * a + 2.0 * a * cosine * d + d * d, 0.0)) - a
    return below_all((band - shift) / u) - below_all((-band - shift) / u)


def band_in_u(u: float, assumed: Levels = USUAL.levels) -> float:
    """How many standard uncertainties a level must move for ``certain`` to be reached."""
    odds = (1.0 - assumed.certain) / assumed.certain * (1.0 - assumed.no_drop) / assumed.no_drop
    ratio = odds * u * math.sqrt(2.0 * math.pi) / assumed.widest_drop_mv
    return math.sqrt(max(-2.0 * math.log(min(ratio, 1.0)), 1.0))
