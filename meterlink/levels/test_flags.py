"""What was noticed in a test: names, what each means and what to do about it, and the checks."""

from collections.abc import Sequence
from enum import StrEnum

import numpy as np

from meterlink.assumptions import USUAL, Levels
from meterlink.levels.levels import LevelsFound
from meterlink.levels.stages import Explanation, Stages
from meterlink.levels.statistics import Floats, level
from meterlink.levels.trace import FEW, Marks, Samples, State

RHYTHM = 1.5  # stretches of a rhythm are within this factor of their median
GAP_FACTOR = 10.0  # times the usual distance of readings
FROZEN_S = 6.0
FROZEN_READINGS = 12
STEP_SES = 6.0
BESIDE = 5  # readings that must be level on either side of a step


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


def idle_flags(before: Samples, idle: Samples, assumed: Levels = USUAL.levels) -> list[Flag]:
    """Remarks on a stage without load.

    Args:
        before: Its usable readings.
        idle: Those of them that have settled.
        assumed: Priors.
    """
    if len(idle) < 4:
        return []
    flags: list[Flag] = []
    here = level(idle.mv, idle.display_mv)
    if floats(here.value, here.sd, assumed):
        flags.append(Flag.FLOATING)
    least = assumed.idle_moves_share * abs(here.value)
    if step_mv(before, least) > 0.0:
        flags.append(Flag.OTHER_APPLIANCE)
    elif moves(idle, least):
        flags.append(Flag.IDLE_MOVES)
    if is_frozen(idle):
        flags.append(Flag.FROZEN)
    return flags


def on_flags(during: Samples, assumed: Levels = USUAL.levels) -> list[Flag]:
    """Remarks on the stage with the load on, the first seconds of sag left out."""
    if len(during) == 0:
        return []
    size = abs(float(np.median(during.mv)))
    least = assumed.step_on_share * size + assumed.least_step_mv
    flags = [Flag.OTHER_APPLIANCE] if step_mv(during, least) > 0.0 else []
    return [*flags, Flag.FROZEN] if is_frozen(during) else flags


def step_mv(stage: Samples, least_mv: float) -> float:
    """Size of a step that stays in a stage that should be level; 0 where there is none.

    A step counts if it is larger than ``least_mv``, stands out of the noise, and comes between
    readings that are level on both sides: slow changes are wander, or leads that settle.
    """
    values = stage.mv
    if values.size < 2 * BESIDE + 1:
        return 0.0
    k = best_split(values, BESIDE, values.size - BESIDE - 1)
    apart = np.concatenate([values[:k] - values[:k].mean(), values[k:] - values[k:].mean()])
    about = float(np.sqrt(apart @ apart / (values.size - 2)))
    noise = max(stage.noise_mv, about, 1e-6)
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
    return apart > max(least_mv, STEP_SES * stage.noise_mv / float(np.sqrt(third)))


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


def has_gap(
    samples: Samples, start_s: float, stop_s: float, assumed: Levels = USUAL.levels
) -> bool:
    """Whether no reading at all came for a while between two times."""
    times = samples.t_s[(samples.t_s >= start_s) & (samples.t_s < stop_s)]
    if times.size < 4:
        return stop_s - start_s > assumed.longest_gap_s
    steps = np.diff(np.concatenate([[start_s], times, [stop_s]]))
    usual = float(np.median(np.diff(times)))
    return bool(steps.max() > max(assumed.longest_gap_s, GAP_FACTOR * usual))


def refusals(samples: Samples) -> list[Flag]:
    """Flags of samples that were refused."""
    named = {State.HOLD: Flag.HOLD, State.WRONG_FUNCTION: Flag.WRONG_FUNCTION}
    return [flag for state, flag in named.items() if (samples.state == state).any()]


def mostly_overload(stage: Samples) -> bool:
    """Whether a stage holds more overload than usable readings."""
    over = int((stage.state == State.OVERLOAD).sum())
    return over > 3 and over > len(stage.usable())


def overloaded(samples: Samples, assumed: Levels = USUAL.levels) -> bool:
    """Whether overload lasted longer than a change of range."""
    over = samples.state == State.OVERLOAD
    if int(over.sum()) <= 3:
        return False
    edges = np.flatnonzero(np.diff(over.astype(np.int8), prepend=0, append=0))
    starts, stops = edges[::2], edges[1::2] - 1
    lasted = samples.t_s[stops] - samples.t_s[starts]
    return bool((lasted[stops - starts >= 3] > assumed.overloaded_s).any())


def stayed_on(seen: Explanation, marks: Marks, assumed: Levels) -> bool:
    """Whether readings with the load on came long after the tap for off."""
    return (
        seen.is_on and marks.ends_off and seen.plateaus[-1].last_s - marks.off[-1] > assumed.late_s
    )


def has_run(marks: Marks, usable: Samples, assumed: Levels) -> bool:
    """Whether the load must have been on while readings came.

    Both taps say that it was: on before the second, whatever they lag. One tap says so after the
    longest lag. Readings must have come all the while.
    """
    pairs = marks.pairs()
    if not pairs:
        return False
    on_s, off_s = max(pairs, key=lambda pair: pair[1] - pair[0])
    margin_s, long_enough, last_s = assumed.after_off_s, False, marks.now_s
    if marks.off and off_s < marks.now_s:
        last_s = off_s + margin_s
        long_enough = off_s - on_s >= assumed.shortest_marked_s and marks.now_s >= last_s
    lagged_s = on_s + assumed.tap_before_s + assumed.shortest_load_s
    if not long_enough and marks.now_s < lagged_s:
        return False
    inside = usable.between(on_s - margin_s, last_s + 1e-6).t_s
    gaps = np.diff([on_s - margin_s, *inside, last_s])
    return inside.size >= FEW and bool(gaps.max() <= assumed.longest_gap_s)


def cut_out(seen: Explanation, stages: Sequence[Stages], marks: Marks) -> bool:
    """Whether the load went off and on by itself rather than in cycles that somebody meant.

    A person who was asked for several cycles switches in a rhythm, as long on as off, and taps
    the first of them at most. A thermostat's cycles are uneven, and stay within what was tapped as
    one: there, two runs are too few to be a rhythm.

    Args:
        seen: What the changes of the test mean.
        stages: Of its runs.
        marks: Its taps.
    """
    pairs = marks.pairs()
    if len(seen.runs) <= max(len(pairs), 1):
        return False
    times = [t for one in stages for t in (one.on_at_s, one.off_at_s) if t is not None]
    stretches = np.diff(times)
    middle = float(np.median(stretches))
    if not (middle / RHYTHM <= stretches.min() and stretches.max() <= middle * RHYTHM):
        return True
    within = [
        sum(a.on_at_s < off_s and (a.off_at_s or off_s) > on_s for a in stages if a.on_at_s)
        for on_s, off_s in pairs
        if off_s in marks.off
    ]
    return 2 in within


def flags_of(
    samples: Samples,
    seen: Explanation,
    stages: Sequence[Stages],
    levels: LevelsFound | None,
    marks: Marks,
    assumed: Levels,
) -> tuple[Flag, ...]:
    """Everything noticed in a test, in the order of the log."""
    switched = bool(marks.on or seen.runs)
    stayed = stayed_on(seen, marks, assumed)
    found = {
        Flag.NO_LOAD_MARK: not switched,
        Flag.FEW_READINGS: levels is None and switched,
        Flag.OVERLOAD: overloaded(samples, assumed),
        Flag.GAP: has_gap(samples, marks.start_s, marks.now_s, assumed),
        Flag.OTHER_APPLIANCE: bool(seen.others),
        Flag.LOAD_ALREADY_ON: seen.already_on,
        Flag.LOAD_CUT_OUT: cut_out(seen, stages, marks),
        Flag.LOAD_STAYED_ON: stayed,
    }
    flags = refusals(samples) + [flag for flag, is_so in found.items() if is_so]
    for one in stages:
        if len(one.idle) < FEW or len(one.on) < FEW:
            flags.append(Flag.FEW_READINGS)
        flags += idle_flags(one.before, one.idle, assumed)
        flags += on_flags(one.during, assumed)
        flags += _timing_flags(one, marks, assumed)
    if levels is not None:
        if seen.runs and levels.idle.sd < 0.02 * abs(levels.idle.value):
            flags = [flag for flag in flags if flag is not Flag.FLOATING]  # it follows the load
        about = {
            Flag.RESTLESS_JOINT: levels.restless,
            Flag.NO_AFTER: levels.after is None and not stayed,
            Flag.AFTER_DIFFERS: levels.after_differs,
            Flag.CYCLES_DIFFER: levels.differ,
        }
        flags += [flag for flag, is_so in about.items() if is_so]
    return tuple(dict.fromkeys(flags))


def _timing_flags(stages: Stages, marks: Marks, assumed: Levels) -> list[Flag]:
    """Flags of a load that came or went well outside the usual time about its tap."""
    found = []
    for at_s, taps in ((stages.on_at_s, marks.on), (stages.off_at_s, marks.off)):
        if at_s is None or not taps:
            continue
        lag_s = at_s - min(taps, key=lambda tap: abs(at_s - tap))
        if lag_s < -assumed.early_s - 1.0:
            found.append(Flag.LOAD_EARLY)
        elif lag_s > assumed.late_s + 1.0:
            found.append(Flag.LOAD_LATE)
    return found
