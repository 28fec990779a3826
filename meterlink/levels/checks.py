"""What in the readings of a stage says that they may not mean what they seem to."""

import numpy as np

from meterlink.levels.change import most_likely_change
from meterlink.levels.flags import Flag
from meterlink.levels.statistics import difference_sd, display_sd, level, robust_center
from meterlink.levels.trace import Samples, State

LEAST_GAP_S = 3.0
GAP_FACTOR = 10.0  # times the usual distance of readings
FROZEN_S = 6.0
FROZEN_READINGS = 12
FLOATING_MV = 500.0  # idle pickup on connected leads is some 5 to 15 mV (common practice)
FLOATING_RESTLESS = 0.02
STEP_SES = 6.0
BESIDE = 5  # readings that must be level on either side of a step
STEP_PICKUP_SHARE = 0.3
STEP_SUPPLY_SHARE = 0.008
STEP_ON_SHARE = 0.02
LEAST_STEP_MV = 3.0  # pickup of some 10 mV wanders by as much


def idle_flags(before: Samples, idle: Samples, *, line: bool) -> list[Flag]:
    """Remarks on a stage without load.

    Args:
        before: Its usable readings.
        idle: Those of them that have settled.
        line: The level is the supply.
    """
    if len(idle) < 4:
        return []
    flags: list[Flag] = []
    here = level(idle.mv, idle.display_mv)
    if not line and abs(here.value) > FLOATING_MV and here.sd > FLOATING_RESTLESS * abs(here.value):
        flags.append(Flag.FLOATING)
    share = STEP_SUPPLY_SHARE if line else STEP_PICKUP_SHARE
    if step_mv(before, share * abs(here.value)) > 0.0:
        flags.append(Flag.OTHER_APPLIANCE)
    elif moves(idle, share * abs(here.value)):
        flags.append(Flag.IDLE_MOVES)
    if is_frozen(idle):
        flags.append(Flag.FROZEN)
    return flags


def on_flags(during: Samples, *, line: bool) -> list[Flag]:
    """Remarks on the stage with the load on, the first seconds of sag left out."""
    flags = [Flag.OTHER_APPLIANCE] if on_step_mv(during, line=line) > 0.0 else []
    return [*flags, Flag.FROZEN] if is_frozen(during) else flags


def on_step_mv(during: Samples, *, line: bool) -> float:
    """Size of a step with the load on, 0 where there is none."""
    if len(during) == 0:
        return 0.0
    share = STEP_SUPPLY_SHARE if line else STEP_ON_SHARE
    least = share * abs(float(np.median(during.mv))) + (0.0 if line else LEAST_STEP_MV)
    return step_mv(during, least)


def step_mv(stage: Samples, least_mv: float) -> float:
    """Size of a step that stays in a stage that should be level; 0 where there is none.

    A step counts if it is larger than ``least_mv``, stands out of the noise, and lies between
    readings that are level on both sides: slow changes are wander, or leads that settle.
    """
    values = stage.mv
    if values.size < 2 * BESIDE + 1:
        return 0.0
    change = most_likely_change(values, BESIDE, values.size - BESIDE - 1)
    about = float(np.sqrt(change.cost / (values.size - 2)))
    noise = max(difference_sd(values), about, display_sd(stage.display_mv), 1e-6)
    k = change.split
    before, after = values[k - BESIDE : k], values[k + 1 : k + 1 + BESIDE]
    size = min(abs(change.step), abs(float(np.median(after) - np.median(before))))
    flat = max(float(np.ptp(before)), float(np.ptp(after)))
    return size if size > max(least_mv, STEP_SES * noise, 1.5 * flat) else 0.0


def moves(stage: Samples, least_mv: float) -> bool:
    """Whether the first and the last third of a stage differ by more than wander."""
    third = len(stage) // 3
    if third < 3:
        return False
    apart = abs(float(np.median(stage.mv[-third:]) - np.median(stage.mv[:third])))
    noise = max(difference_sd(stage.mv), display_sd(stage.display_mv))
    return apart > max(least_mv, STEP_SES * noise / float(np.sqrt(third)))


def is_frozen(stage: Samples) -> bool:
    """Whether a long run of equal readings stands against a display that could show more.

    Equal readings are natural where the noise is below one digit, so a run counts only where the
    other readings of the stage flicker.
    """
    if len(stage) < FROZEN_READINGS + 4:
        return False
    edges = np.flatnonzero(np.diff(stage.mv) != 0.0) + 1
    starts = np.concatenate([[0], edges])
    stops = np.concatenate([edges, [len(stage)]])
    longest = int(np.argmax(stops - starts))
    first, last = int(starts[longest]), int(stops[longest]) - 1
    long_enough = stage.t_s[last] - stage.t_s[first] >= FROZEN_S and last - first >= FROZEN_READINGS
    others = edges.size - (0 if first == 0 else 1)
    return bool(long_enough and others >= 0.5 * (len(stage) - (last - first + 1)) > 2.0)


def has_gap(samples: Samples, start_s: float, stop_s: float) -> bool:
    """Whether no reading at all came for a while between two times."""
    times = samples.t_s[(samples.t_s >= start_s) & (samples.t_s < stop_s)]
    if times.size < 4:
        return stop_s - start_s > LEAST_GAP_S
    steps = np.diff(np.concatenate([[start_s], times, [stop_s]]))
    usual = float(np.median(np.diff(times)))
    return bool(steps.max() > max(LEAST_GAP_S, GAP_FACTOR * usual))


def refusals(samples: Samples) -> list[Flag]:
    """Flags of samples that were refused."""
    named = {State.HOLD: Flag.HOLD, State.WRONG_FUNCTION: Flag.WRONG_FUNCTION}
    return [flag for state, flag in named.items() if (samples.state == state).any()]


def mostly_overload(stage: Samples) -> bool:
    """Whether a stage holds more overload than usable readings."""
    over = int((stage.state == State.OVERLOAD).sum())
    return over > 3 and over > len(stage.usable())


def restless(stage: Samples, *, line: bool) -> str | None:
    """Why the idle level is not quiet, as a sentence; ``None`` where it is."""
    usable = stage.usable()
    if refusals(stage):
        return "The meter is not on AC volts, or its hold key is pressed."
    if mostly_overload(stage):
        return "The meter shows overload: its range is too low."
    if len(usable) < 4:
        return "Too few readings yet."
    flags = idle_flags(usable, usable, line=line)
    if Flag.FLOATING in flags:
        return "The reading is large and restless: a lead has no contact, or there is no ground."
    if Flag.OTHER_APPLIANCE in flags:
        return "The reading stepped without a mark: something else is running."
    if Flag.IDLE_MOVES in flags:
        return "The level still moves."
    center, spread = robust_center(usable.mv)
    if not line and spread > max(0.5 * abs(center), 5.0):
        return "The reading is restless: check that the leads sit firmly."
    return None
