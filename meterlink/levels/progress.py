"""How a test stands while it runs, from the same arithmetic that measures it in the end.

A stage is over as soon as its answer is certain. The odds of "drop" against "no drop" are a
likelihood ratio averaged over the drops and phases that could be, so stopping at ``CERTAIN`` odds
either way is Wald's sequential ratio test with a weight function (Wald 1947, Sequential Analysis,
section 4.1; from memory): at whatever reading one stops, the chance of a wrong answer is at most
``1 - CERTAIN``.
"""

from dataclasses import dataclass
from enum import StrEnum

from drivers.readings import Reading
from meterlink.circuit.setup import Verdict
from meterlink.levels.checks import refusals, restless
from meterlink.levels.cycle import CycleResult, measure_cycle
from meterlink.levels.flags import Flag
from meterlink.levels.pickup import DropEstimate
from meterlink.levels.row import estimate_drop, limit_mv, verdict_of
from meterlink.levels.settling import FEW, settled
from meterlink.levels.stages import LAG_S, Marks
from meterlink.levels.statistics import Level, level
from meterlink.levels.switching import LATE_S
from meterlink.levels.trace import Samples

IDLE_S = 5.0
ON_U_SHARE = 0.005  # of the drop: waiting longer for the warm level is not worth anybody's time
AFTER_READINGS = 6


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

    Attributes:
        stage: Where it stands.
        reading: The latest reading, ``None`` before the first.
        idle_mv, idle_sd_mv: Level and jitter without load, ``None`` until settled.
        jump_mv: On level minus idle level so far, ``None`` before the load's mark.
        drop_mv, drop_u_mv: What that means for the drop.
        verdict: What the test would say if it ended now.
        enough: The stage's answer is certain: go on to the next.
        restless: Why the idle level is not quiet, as a sentence; ``None`` where it is.
        flags: What was noticed so far.
        load_seen_on: The trace shows that the load came on, whatever was tapped.
        load_seen_off: It shows that the load went off again; with several cycles the latest one.
        load_already_on: It shows that the load was on when the test began, and still is.
        idle_of_volts: The level without load is of volts: the load is on, or a lead is misplaced.
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


def idle_progress(samples: Samples, reading: Reading | None, *, line: bool) -> Progress:
    """Before the load's mark."""
    idle = settled(samples.usable(), line)
    why = restless(samples.between(_recent(samples), _end(samples)), line=line)
    flags = tuple(str(flag) for flag in refusals(samples))
    if len(idle) < FEW:
        return Progress(Stage.SETTLING, reading, restless=why, flags=flags)
    here: Level = level(idle.mv, idle.display_mv)
    lasted_s = float(idle.t_s[-1] - idle.t_s[0])
    return Progress(
        stage=Stage.IDLE,
        reading=reading,
        idle_mv=here.value,
        idle_sd_mv=here.sd,
        enough=why is None and lasted_s >= IDLE_S,
        restless=why,
        flags=flags,
    )


def load_progress(
    samples: Samples,
    reading: Reading | None,
    marks: Marks,
    *,
    line: bool,
    signed: bool,
    smallest_drop_mv: float,
) -> Progress:
    """From the load's mark on."""
    result = measure_cycle(samples, marks, line=line)
    waited_s = marks.end_s - (marks.on_s if marks.off_s is None else marks.off_s)
    stage = _stage(result, marks, waited_s)
    if result is None:
        return Progress(stage, reading, flags=tuple(map(str, refusals(samples))))
    estimate = estimate_drop(result.base_mv, result.on.value, result.u_mv, line=line, signed=signed)
    limit = limit_mv(result.base_mv, result.u_mv, line=line, signed=signed)
    verdict = verdict_of(estimate.p_drop, limit, smallest_drop_mv)
    if marks.off_s is not None:
        enough = stage is Stage.AFTER and _after_is_enough(result, waited_s)
    else:
        enough = stage is Stage.ON and _on_is_enough(result, estimate, verdict, waited_s)
    return Progress(
        stage=stage,
        reading=reading,
        idle_mv=result.idle.value,
        idle_sd_mv=result.idle.sd,
        jump_mv=result.on.value - result.idle.value,
        drop_mv=estimate.drop_mv,
        drop_u_mv=estimate.drop_u_mv,
        verdict=verdict,
        enough=enough,
        flags=tuple(str(flag) for flag in result.flags if flag is not Flag.NO_AFTER),
    )


def _stage(result: CycleResult | None, marks: Marks, waited_s: float) -> Stage:
    """Waiting until the jump is seen or can come no more."""
    over = waited_s > LATE_S + LAG_S
    if marks.off_s is None:
        seen = result is not None and result.on_at_s is not None
        return Stage.ON if seen or over else Stage.WAITING_FOR_LOAD
    seen = result is not None and result.off_at_s is not None
    return Stage.AFTER if seen or over else Stage.WAITING_FOR_OFF


def _on_is_enough(
    result: CycleResult, estimate: DropEstimate, verdict: Verdict, waited_s: float
) -> bool:
    """Whether the verdict stands and more readings would hardly better the drop."""
    if verdict is Verdict.UNCLEAR or result.on.n < FEW:
        return False
    if verdict is Verdict.NOT_IN_PATH:
        return waited_s > LATE_S + LAG_S  # until then the load may still come
    return result.on.u <= max(ON_U_SHARE * abs(estimate.drop_mv), 0.5 * estimate.drop_u_mv)


def _after_is_enough(result: CycleResult, waited_s: float) -> bool:
    """Whether the level after the load is known, or will not be."""
    known = result.after is not None and result.after.n >= AFTER_READINGS
    return known or waited_s > 2.0 * LATE_S


def _recent(samples: Samples) -> float:
    """Start of the stretch that shows whether the idle level is quiet now."""
    return float(samples.t_s[-1]) - 2.0 * IDLE_S if len(samples) else 0.0


def _end(samples: Samples) -> float:
    """Just after the last sample."""
    return float(samples.t_s[-1]) + 1e-6 if len(samples) else 0.0
