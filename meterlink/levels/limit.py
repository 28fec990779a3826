"""What a test without a jump can say: the smallest drop that would have shown, and the verdict."""

import math
from typing import TYPE_CHECKING

import numpy as np

from meterlink.assumptions import USUAL, Levels
from meterlink.circuit.setup import Verdict
from meterlink.levels.statistics import (
    Floats,
    below_all,
    magnitude_within,
)

if TYPE_CHECKING:
    from meterlink.levels.drop import Idle

# Where no jump shows, the drop may be anything up to the limit with a chance of 5 % there; a normal
# likelihood about 0 falls to 0.05 of its height at this many standard deviations: sqrt(-2 ln 0.05).
LIMIT_IN_U = 2.448


def verdict_of(p_drop: float, limit: float, smallest: float, assumed: Levels) -> Verdict:
    """The verdict on a drop whose probability is known.

    Args:
        p_drop: That there is one.
        limit: Smallest drop that would have shown.
        smallest: What the load makes on the smallest run that could be there.
        assumed: Priors.
    """
    if p_drop >= assumed.certain:
        return Verdict.IN_PATH
    if p_drop <= 1.0 - assumed.certain and limit <= smallest:
        return Verdict.NOT_IN_PATH
    return Verdict.UNCLEAR


def limit_of(idle: "Idle") -> float:
    """Smallest drop from which on drops show with 95 % probability.

    A drop shows when the on level leaves the band about the idle level in which "no drop" stays
    more probable than ``1 - certain``. A current that opposes the load hides one drop exactly, of
    twice its size: such a blind spot counts with the chance to hit it, among drops within a factor
    of ``exp(+-0.5)``.
    """
    a, pickup = idle.a, idle.pickup
    mixed_u = pickup * idle.u + (1.0 - pickup) * idle.current_u
    band = mixed_u * band_in_u(mixed_u, idle.assumed)
    top = 2.0 * a + band + 2.0 * mixed_u
    d: Floats = np.union1d(np.linspace(0.0, top, 200)[1:], np.geomspace(0.3 * mixed_u, top, 200))
    missed = np.zeros(d.size)
    if pickup > 0.01:
        missed += pickup * magnitude_within(a, band, d, idle.u)
    angles = np.radians(idle.assumed.lag_degrees)
    for cosine, adds, opposes in (
        (1.0, idle.adds, idle.opposes),
        *((math.cos(one), idle.lags / angles.size, idle.leads / angles.size) for one in angles),
    ):
        missed += adds * _hidden(d, a, cosine, band, mixed_u)
        missed += opposes * _blind(d, a, cosine, band, mixed_u)
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
