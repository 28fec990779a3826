"""How a running test stands, for whoever waits in front of it.

A stage is over as soon as more readings would hardly better the answer. The odds of "drop" against
"no drop" are a likelihood ratio averaged over the drops and phases that could be, so stopping at
``certain`` odds either way is Wald's sequential ratio test with a weight function (Wald 1947,
Sequential Analysis, section 4.1; from memory): at whatever reading one stops, the chance of a wrong
answer is at most ``1 - certain``.
"""

import math
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

from drivers.readings import Reading
from meterlink.assumptions import Levels
from meterlink.circuit.setup import Verdict
from meterlink.levels import test_flags
from meterlink.levels.levels import LevelsFound
from meterlink.levels.stages import EDGE_S
from meterlink.levels.statistics import level, robust_center
from meterlink.levels.test_flags import Flag
from meterlink.levels.trace import FEW, Samples, settled

if TYPE_CHECKING:
    from meterlink.levels.detector import Assessment

IDLE_S = 3.5
RECENT_S = 8.0  # that show whether the idle level is quiet now
ON_U_SHARE = 0.01  # of the drop: waiting longer for the warm level is not worth anybody's time
LONG_ENOUGH_S = 3.5  # with the load on, for a plain jump
PLAIN_MV = 100.0
AFTER_READINGS = 4
AFTER_S = 10.0  # of waiting for a level after the load
NO_JUMP_AFTER_S = 2.0


class Stage(StrEnum):
    """Where a test stands."""

    SETTLING = "settling"
    IDLE = "idle"
    WAITING_FOR_LOAD = "waiting-for-load"
    ON = "on"
    WAITING_FOR_OFF = "waiting-for-off"
    AFTER = "after"


@dataclass(frozen=True, slots=True)
class Progress:
    """A test so far.

    Without any tap the trace moves a test on: ``stage`` goes from ``IDLE`` to ``ON`` when the load
    is seen to come (``load_seen_on``), and to ``AFTER`` when it is seen to go (``load_seen_off``);
    a test whose ``stage`` is ``AFTER`` and ``enough`` can be ended. Where no jump comes, somebody
    has to say that the load ran: taps for on and off, or an announced rhythm, whose times are
    given to the detector as taps.

    Attributes:
        stage: Where it stands.
        reading: The latest reading, ``None`` before the first.
        idle_mv, idle_sd_mv: Level and jitter without load, ``None`` until settled.
        jump_mv: On level minus idle level so far, ``None`` before the load.
        drop_mv, drop_u_mv: What that means for the drop.
        verdict: What the row would say if the test ended now, never more.
        enough: More readings would hardly better this stage: go on to the next.
        restless: Why the idle level is not quiet, as a sentence; ``None`` where it is.
        flags: What was noticed so far.
        load_seen_on: The trace shows the load coming on within this test, tap or not.
        load_seen_off: ... and going off again; the latest load is off.
        load_already_on: The test began with the load on; ``stage`` says whether it went off since:
            idle is measured from there.
        idle_of_volts: The idle level is volts: the load is on already, or a lead has no contact.
        idle_is_current: The idle level is larger than pickup: something else draws current.
        no_jump: The load should have come by its tap and did not show: ask whether it runs, then
            have it switched off. The verdict stays ``unclear`` until that is tapped.
    """

    stage: Stage
    reading: Reading | None
    idle_mv: float | None = None
    idle_sd_mv: float | None = None
    jump_mv: float | None = None
    drop_mv: float | None = None
    drop_u_mv: float | None = None
    verdict: Verdict = Verdict.UNCLEAR
    enough: bool = False
    restless: str | None = None
    flags: tuple[str, ...] = ()
    load_seen_on: bool = False
    load_seen_off: bool = False
    load_already_on: bool = False
    idle_of_volts: bool = False
    idle_is_current: bool = False
    no_jump: bool = False


def progress_of(
    found: "Assessment", reading: Reading | None, wanted: str, large_mv: float, assumed: Levels
) -> Progress:
    """How a test stands.

    Args:
        found: What it would say if it ended now.
        reading: The latest.
        wanted: What the meter has to measure.
        large_mv: An idle level above is a current, not pickup.
        assumed: Priors.
    """
    if not found.marks.on and not found.seen.runs:
        base = _without_load(found, reading, wanted, assumed)
    else:
        base = _with_load(found, reading, assumed)
    size = abs(base.idle_mv or 0.0)
    size = 0.0 if (base.idle_sd_mv or 0.0) > 0.1 * size or math.isinf(assumed.floating_mv) else size
    return replace(
        base,
        idle_of_volts=size > assumed.floating_mv,
        idle_is_current=large_mv < size <= assumed.floating_mv,
    )


def _without_load(
    found: "Assessment", reading: Reading | None, wanted: str, assumed: Levels
) -> Progress:
    """Before the load: no tap, and nothing seen."""
    samples, seen = found.samples, found.seen
    since_s = seen.plateaus[-1].first_s if seen.already_on else found.marks.start_s
    idle = settled(found.usable.between(since_s, float("inf")), assumed)
    from_s = max(float(samples.t_s[-1]) - RECENT_S, since_s) if len(samples) else 0.0
    recent = samples.between(from_s, float("inf"))
    why = restless(recent, wanted, assumed)
    base = Progress(
        Stage.SETTLING,
        reading,
        restless=why,
        flags=tuple(map(str, test_flags.refusals(samples))),
        load_already_on=seen.already_on,
    )
    if len(idle) < FEW:
        return base
    here = level(idle.mv, idle.display_mv)
    return replace(
        base,
        stage=Stage.IDLE,
        idle_mv=here.value,
        idle_sd_mv=here.sd,
        enough=why is None and float(idle.t_s[-1] - idle.t_s[0]) >= IDLE_S,
    )


def _with_load(found: "Assessment", reading: Reading | None, assumed: Levels) -> Progress:
    """From the load's tap on, or from when it was seen."""
    marks, seen = found.marks, found.seen
    seen_on = bool(seen.runs)
    tapped_off = marks.ends_off
    since_on_s = marks.now_s - marks.on[-1] if marks.on else 0.0
    since_off_s = marks.now_s - marks.off[-1] if tapped_off else 0.0
    over = since_on_s > assumed.late_s + assumed.meter_lag_s
    stage = _stage(found, assumed, tapped_off=tapped_off, over=over, since_off_s=since_off_s)
    levels, drop = found.levels, found.drop
    base = Progress(
        stage=stage,
        reading=reading,
        verdict=found.verdict,
        flags=tuple(str(flag) for flag in found.flags if flag is not Flag.NO_AFTER),
        load_seen_on=seen_on,
        load_seen_off=seen_on and not seen.is_on,
        load_already_on=seen.already_on,
        no_jump=not seen_on and over,
    )
    if levels is None or drop is None:
        return base
    if stage is Stage.AFTER:
        waited_s = since_off_s if tapped_off else marks.now_s - (found.stages[-1].off_at_s or 0.0)
        enough = _after_is_enough(found, levels, waited_s)
    else:
        enough = stage is Stage.ON and _on_is_enough(found, levels, over=over)
    return replace(
        base,
        idle_mv=levels.idle.value,
        idle_sd_mv=levels.idle.sd,
        jump_mv=levels.on.value - levels.idle.value,
        drop_mv=drop.drop_mv,
        drop_u_mv=drop.drop_u_mv,
        enough=enough,
    )


def _stage(
    found: "Assessment", assumed: Levels, *, tapped_off: bool, over: bool, since_off_s: float
) -> Stage:
    """Waiting until the jump is seen or can come no more."""
    seen = found.seen
    if seen.runs and not seen.is_on and not _waits_for_next(found):
        return Stage.AFTER
    if tapped_off:
        late = since_off_s > (assumed.late_s + assumed.meter_lag_s if seen.is_on else 0.0)
        return Stage.AFTER if late else Stage.WAITING_FOR_OFF
    return Stage.ON if seen.is_on or over else Stage.WAITING_FOR_LOAD


def _waits_for_next(found: "Assessment") -> bool:
    """Whether a tap says that the load comes on once more after it was seen to go."""
    off_s = found.stages[-1].off_at_s if found.stages else None
    marks = found.marks
    if off_s is None or not marks.on or len(marks.pairs()) <= len(found.seen.runs):
        return False
    return marks.on[-1] > off_s and not marks.ends_off


def _on_is_enough(found: "Assessment", levels: LevelsFound, *, over: bool) -> bool:
    """Whether more readings would hardly better the drop."""
    drop, stages = found.drop, found.stages[-1]
    if drop is None or levels.on.n < FEW:
        return False
    if not found.seen.runs:
        return over
    within = stages.on.t_s < stages.on.t_s.max(initial=-math.inf) - EDGE_S
    if stages.on.where(within).readings < FEW:
        return False  # those at the edge are no longer counted once the load is off
    if drop.verdict is not Verdict.IN_PATH:
        return False
    lasted_s = found.marks.now_s - (stages.on_at_s or found.marks.now_s)
    if abs(drop.drop_mv) > PLAIN_MV and lasted_s >= LONG_ENOUGH_S:
        return True
    return levels.on.se <= max(ON_U_SHARE * abs(drop.drop_mv), 0.5 * drop.drop_u_mv)


def _after_is_enough(found: "Assessment", levels: LevelsFound, waited_s: float) -> bool:
    """Whether the level after the load is known, or will not be."""
    if not found.seen.runs:
        return waited_s > NO_JUMP_AFTER_S
    after = found.stages[-1].after
    known = levels.after is not None and after.readings >= AFTER_READINGS
    return known or waited_s > AFTER_S


def restless(stage: Samples, wanted: str, assumed: Levels) -> str | None:
    """Why the idle level is not quiet, as a sentence; ``None`` where it is."""
    usable = stage.usable()
    if test_flags.refusals(stage):
        return f"The meter is not on {wanted}, or its hold key is pressed."
    if test_flags.mostly_overload(stage):
        return "The meter shows overload: its range is too low."
    if len(usable) < 4:
        return "Waiting for the meter."
    flags = test_flags.idle_flags(usable, usable, assumed)
    if Flag.FLOATING in flags:
        return (
            "The reading is of volts, or restless: the load is on already, a lead has no contact, "
            "or there is no ground."
        )
    if Flag.OTHER_APPLIANCE in flags:
        return "The reading jumped. Did you switch the heater, or does something else run?"
    if Flag.IDLE_MOVES in flags:
        return "The level still moves."
    center, spread = robust_center(usable.mv)
    if spread > max(0.5 * abs(center), 5.0):
        return "The reading is restless: check that the leads sit firmly."
    return None
