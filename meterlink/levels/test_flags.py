"""What was noticed in a test: names, what each means and what to do about it, and the checks."""

from enum import StrEnum

import numpy as np

from meterlink.assumptions import USUAL, Levels
from meterlink.levels.statistics import difference_sd, display_sd, level
from meterlink.levels.trace import Floats, Samples, State

LEAST_GAP_S = 3.0
GAP_FACTOR = 10.0  # times the usual distance of readings
FROZEN_S = 6.0
FROZEN_READINGS = 12
STEP_SES = 6.0
BESIDE = 5  # readings that must be level on either side of a step
STEP_PICKUP_SHARE = 0.3
STEP_SUPPLY_SHARE = 0.008
STEP_ON_SHARE = 0.02
LEAST_STEP_MV = 3.0  # pickup of some 10 mV wanders by as much


class Flag(StrEnum):
    """One remark on a test; the value is the name in the log."""

    NO_LOAD_MARK = "no-load-mark"
    FEW_READINGS = "few-readings"
    GAP = "gap"
    OVERLOAD = "overload"
    HOLD = "hold"
    WRONG_FUNCTION = "wrong-function"
    FROZEN = "frozen"
    FLOATING = "floating-lead"
    IDLE_MOVES = "idle-moves"
    OTHER_APPLIANCE = "other-appliance"
    LOAD_EARLY = "load-early"
    LOAD_LATE = "load-late"
    LOAD_STAYED_ON = "load-stayed-on"
    NO_AFTER = "no-after"
    AFTER_DIFFERS = "after-differs"
    CYCLES_DIFFER = "cycles-differ"
    RESTLESS_JOINT = "restless-joint"
    LOAD_ALREADY_ON = "load-already-on"
    LOAD_CUT_OUT = "load-cut-out"
    LOAD_UNPROVEN = "load-unproven"


MEANINGS: dict[Flag, str] = {
    Flag.NO_LOAD_MARK: (
        "Nobody marked when the load was switched and no load was seen to come and go. Mark load "
        "on and load off."
    ),
    Flag.FEW_READINGS: (
        "A stage has fewer than five usable readings. Give each stage ten seconds or so."
    ),
    Flag.GAP: "No reading came for a while in this stage. Look at the meter and its cable.",
    Flag.OVERLOAD: (
        "The meter was overloaded through a whole stage. Set it to automatic range or a higher one."
    ),
    Flag.HOLD: "The display was held; those readings were not used. Release the hold key.",
    Flag.WRONG_FUNCTION: (
        "The meter was not measuring AC volts (DC volts on a DC supply, or for a load that draws "
        "direct current); those readings were not used. Set its function."
    ),
    Flag.FROZEN: (
        "The meter showed one and the same value for a long time. See that it is measuring."
    ),
    Flag.FLOATING: (
        "The reading is large and restless as if a lead hung in the air: no contact, or no ground "
        "at this receptacle. Push the leads home; have a missing ground looked at."
    ),
    Flag.IDLE_MOVES: (
        "The level without load moved by more than usual. See what else runs; repeat the test."
    ),
    Flag.OTHER_APPLIANCE: (
        "The reading stepped as the load does not: another appliance, or a lead that slipped. "
        "Repeat with other appliances off."
    ),
    Flag.LOAD_EARLY: "The load came on or off well before its mark.",
    Flag.LOAD_LATE: "The load came on or off well after its mark.",
    Flag.LOAD_STAYED_ON: (
        "The jump was seen, but the reading did not come back after load off. See that it is off."
    ),
    Flag.NO_AFTER: (
        "No settled reading after load off, so drift could not be taken out. Wait some seconds "
        "longer before ending the test."
    ),
    Flag.AFTER_DIFFERS: (
        "The levels before and after the load differ by more than their wander explains. Repeat."
    ),
    Flag.CYCLES_DIFFER: (
        "Several on/off cycles of one test disagree by more than their uncertainty. A loose "
        "contact or another appliance: repeat."
    ),
    Flag.RESTLESS_JOINT: (
        "The level with the load on jumped about, as of a joint that opens and closes. Repeat; "
        "have the joints between panel and load looked at."
    ),
    Flag.LOAD_ALREADY_ON: (
        "The load was on already when the test began. Switch it off before a test."
    ),
    Flag.LOAD_CUT_OUT: (
        "The load went off and on by itself, as a thermostat does. Set it to its highest setting."
    ),
    Flag.LOAD_UNPROVEN: (
        "No jump, but it is not known that the load ran while readings came. Leave it on for some "
        "seconds between both marks."
    ),
}


def floats(idle_mv: float, sd_mv: float, assumed: Levels = USUAL.levels) -> bool:
    """Whether an idle level is that of a lead in the air: volts, or half of that and restless."""
    size = abs(idle_mv)
    restless = sd_mv > assumed.restless_share * size
    return size > assumed.floating_mv or (restless and size > 0.5 * assumed.floating_mv)


def best_split(values: Floats, first: int, last: int) -> int:
    """Number of values before the most likely single change (Hinkley 1970).

    Args:
        values: Shape (n,), finite.
        first: Least number of values before it, at least 1.
        last: Greatest number, at most n - 1.
    """
    n = values.size
    before = np.cumsum(values - values.mean())[:-1]
    k = np.arange(1, n, dtype=np.float64)
    gains = before * before * (n / (k * (n - k)))
    return first + int(np.argmax(gains[first - 1 : last]))


def idle_flags(
    before: Samples, idle: Samples, *, line: bool, assumed: Levels = USUAL.levels
) -> list[Flag]:
    """Remarks on a stage without load.

    Args:
        before: Its usable readings.
        idle: Those of them that have settled.
        line: The level is the supply.
        assumed: Priors.
    """
    if len(idle) < 4:
        return []
    flags: list[Flag] = []
    here = level(idle.mv, idle.display_mv)
    if not line and floats(here.value, here.sd, assumed):
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
    k = best_split(values, BESIDE, values.size - BESIDE - 1)
    apart = np.concatenate([values[:k] - values[:k].mean(), values[k:] - values[k:].mean()])
    about = float(np.sqrt(apart @ apart / (values.size - 2)))
    noise = max(difference_sd(values), about, display_sd(stage.display_mv), 1e-6)
    before, after = values[k - BESIDE : k], values[k + 1 : k + 1 + BESIDE]
    step = float(values[k:].mean() - values[:k].mean())
    size = min(abs(step), abs(float(np.median(after) - np.median(before))))
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
