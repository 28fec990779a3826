"""The cycles of one test become the figures of its row."""

import numpy as np

from meterlink.circuit.setup import Verdict
from meterlink.levels.cycle import CycleResult
from meterlink.levels.flags import Flag
from meterlink.levels.measurement import Measurement
from meterlink.levels.pickup import (
    CERTAIN,
    DropEstimate,
    drop_from_difference,
    drop_from_magnitudes,
    limit_for_difference,
    limit_for_magnitudes,
)

# Where no jump shows, the drop may be anything up to the limit with a chance of 5 % there; a normal
# likelihood about 0 falls to 0.05 of its height at this many standard deviations: sqrt(-2 ln 0.05).
LIMIT_IN_U = 2.448
CYCLES_APART = 3.0  # standard uncertainties of a cycle by which two may differ


def estimate_drop(
    base_mv: float, on_mv: float, u_mv: float, *, line: bool, signed: bool
) -> DropEstimate:
    """Drop from the levels: a sag, a signed difference, or magnitudes of unknown phase."""
    if line:
        return drop_from_difference(base_mv - on_mv, u_mv)
    if signed:
        return drop_from_difference(abs(on_mv - base_mv), u_mv)
    return drop_from_magnitudes(base_mv, on_mv, u_mv)


def limit_mv(base_mv: float, u_mv: float, *, line: bool, signed: bool) -> float:
    """Smallest drop that would have shown with 95 % probability."""
    return limit_for_difference(u_mv) if line or signed else limit_for_magnitudes(base_mv, u_mv)


def verdict_of(p_drop: float, limit: float, smallest_drop_mv: float) -> Verdict:
    """What a test says.

    ``in-path`` if a drop is at least ``CERTAIN``; ``not-in-path`` if no drop is, and the test
    could have seen the smallest run that may be there; else ``unclear``.
    """
    if p_drop >= CERTAIN:
        return Verdict.IN_PATH
    if p_drop <= 1.0 - CERTAIN and limit <= smallest_drop_mv:
        return Verdict.NOT_IN_PATH
    return Verdict.UNCLEAR


def measurement_of(
    cycles: list[CycleResult], *, line: bool, signed: bool, smallest_drop_mv: float
) -> Measurement:
    """Average the cycles of a test and say what they mean.

    Args:
        cycles: At least one.
        line: Line-drop.
        signed: Direct current.
        smallest_drop_mv: Drop on the smallest run that could be there.
    """
    base = float(np.mean([cycle.base_mv for cycle in cycles]))
    on = float(np.mean([cycle.on.value for cycle in cycles]))
    u = joint_u(cycles)
    estimate = estimate_drop(base, on, u, line=line, signed=signed)
    limit = limit_mv(base, u, line=line, signed=signed)
    drop_u = estimate.drop_u_mv
    if estimate.p_drop < CERTAIN and not line:
        drop_u = max(drop_u, limit / LIMIT_IN_U)
    idle = float(np.mean([cycle.idle.value for cycle in cycles]))
    afters = [cycle.after.value for cycle in cycles if cycle.after is not None]
    flags = [flag for cycle in cycles for flag in cycle.flags]
    if cycles_differ(cycles):
        flags.append(Flag.CYCLES_DIFFER)
    return Measurement(
        idle_mv=idle,
        idle_sd_mv=_rms([cycle.idle.sd for cycle in cycles]),
        on_mv=on,
        on_sd_mv=_rms([cycle.on.sd for cycle in cycles]),
        after_mv=float(np.mean(afters)) if afters else None,
        delta_mv=on - idle,
        drop_mv=estimate.drop_mv,
        drop_u_mv=drop_u,
        limit_mv=limit,
        verdict=proven(verdict_of(estimate.p_drop, limit, smallest_drop_mv), flags),
        n_idle=sum(cycle.idle.n for cycle in cycles),
        n_on=sum(cycle.on.n for cycle in cycles),
        flags=tuple(dict.fromkeys(str(flag) for flag in flags)),
        on_at_s=cycles[0].on_at_s,
        off_at_s=cycles[0].off_at_s,
    )


def proven(verdict: Verdict, flags: list[Flag]) -> Verdict:
    """A jump may be proven by few readings; that there is none may not.

    With one reading in five seconds the only one of a stage may lie before the load came on.
    """
    if verdict is Verdict.NOT_IN_PATH and Flag.FEW_READINGS in flags:
        return Verdict.UNCLEAR
    return verdict


def joint_u(cycles: list[CycleResult]) -> float:
    """Uncertainty of the averaged jump: the stated ones averaged down, or the spread if larger."""
    n = len(cycles)
    stated = _rms([cycle.u_mv for cycle in cycles]) / float(np.sqrt(n))
    if n == 1:
        return stated
    spread = float(np.std([cycle.on.value - cycle.base_mv for cycle in cycles], ddof=1))
    return max(stated, spread / float(np.sqrt(n)))


def cycles_differ(cycles: list[CycleResult]) -> bool:
    """Whether any two cycles are further apart than their uncertainty explains."""
    jumps = np.array([cycle.on.value - cycle.base_mv for cycle in cycles])
    return bool(np.ptp(jumps) > CYCLES_APART * np.sqrt(2.0) * _rms([c.u_mv for c in cycles]))


def _rms(values: list[float]) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))
