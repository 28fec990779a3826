"""What the readings of one test come to: its assessment, its verdict, and the row made of it.

A jump that stands in the trace is never logged as "no jump": whatever speaks against it makes the
test unclear.
"""

from dataclasses import dataclass

import numpy as np

from meterlink.assumptions import Levels
from meterlink.circuit.setup import Verdict
from meterlink.levels import test_flags
from meterlink.levels.changes import FEW
from meterlink.levels.drop import Drop
from meterlink.levels.levels import LevelsFound
from meterlink.levels.stages import Explanation, Stages
from meterlink.levels.test_flags import Flag
from meterlink.levels.trace import Marks, Samples


@dataclass(frozen=True, slots=True)
class Measurement:
    """Levels, drop and verdict of one test. Millivolts; ``None`` where it could not be measured.

    The fields are those of ``meterlink.testlog.columns.TestRow`` with the same names.

    Attributes:
        setting: Of the load: empty, ``low``, ``high`` or ``low+high``.
        level_u_mv: Standard uncertainty of ``on - base``, the phase of the idle reading apart.
        cycles: On/off cycles that were averaged.
        on_at_s, off_at_s: Monotonic times at which the load was seen to switch; ``None`` if unseen.
    """

    idle_mv: float | None
    idle_sd_mv: float | None
    on_mv: float | None
    on_sd_mv: float | None
    after_mv: float | None
    delta_mv: float | None
    drop_mv: float | None
    drop_u_mv: float | None
    limit_mv: float | None
    verdict: Verdict
    n_idle: int
    n_on: int
    flags: tuple[str, ...] = ()
    on_at_s: float | None = None
    off_at_s: float | None = None
    setting: str = ""
    level_u_mv: float | None = None
    cycles: int | None = None


@dataclass(frozen=True, slots=True)
class Assessment:
    """What a test would say if it ended now.

    Attributes:
        samples, usable: Everything of the test; what has a value, strays left out.
        marks: The taps so far.
        seen: What the changes in the trace mean.
        stages: Readings by stage, of each cycle.
        levels: Levels of all cycles; ``None`` where they cannot be had.
        drop: What they say; ``None`` likewise.
        verdict: What the row would say.
        flags: What was noticed.
        setting: Of the load.
    """

    samples: Samples
    usable: Samples
    marks: Marks
    seen: Explanation
    stages: tuple[Stages, ...]
    levels: LevelsFound | None
    drop: Drop | None
    verdict: Verdict
    flags: tuple[Flag, ...]
    setting: str


def measurement_of(found: Assessment) -> Measurement:
    """The row's figures."""
    flags = tuple(map(str, found.flags))
    levels, drop = found.levels, found.drop
    if levels is None or drop is None:
        return Measurement(
            None, None, None, None, None, None, None, None, None, Verdict.UNCLEAR,
            n_idle=found.usable.readings, n_on=0, flags=flags,
        )  # fmt: skip
    timed = [one for one in found.stages if one.on_at_s is not None]
    return Measurement(
        idle_mv=levels.idle.value,
        idle_sd_mv=levels.idle.sd,
        on_mv=levels.on.value,
        on_sd_mv=levels.on.sd,
        after_mv=None if levels.after is None else levels.after.value,
        delta_mv=levels.on.value - levels.idle.value,
        drop_mv=drop.drop_mv,
        drop_u_mv=drop.drop_u_mv,
        limit_mv=drop.limit_mv,
        verdict=found.verdict,
        n_idle=levels.idle.n,
        n_on=levels.on.n,
        flags=flags,
        on_at_s=timed[0].on_at_s if timed else None,
        off_at_s=timed[0].off_at_s if timed else None,
        setting=found.setting,
        level_u_mv=levels.u_mv,
        cycles=levels.cycles,
    )


def verdict_in(
    drop: Drop | None,
    samples: Samples,
    seen: Explanation,
    marks: Marks,
    flags: tuple[Flag, ...],
    *,
    ran: bool,
    assumed: Levels,
) -> Verdict:
    """The drop's verdict, unless something else in the trace speaks against it.

    Args:
        drop: What the levels say; ``None`` where there are none.
        samples: Everything of the test.
        seen: What its changes mean.
        marks: Its taps.
        flags: What was noticed.
        ran: The load must have been on while readings came.
        assumed: Priors.
    """
    if drop is None or drop.verdict is Verdict.UNCLEAR:
        return Verdict.UNCLEAR
    if drop.verdict is Verdict.IN_PATH:
        return Verdict.IN_PATH if _jump_counts(seen, marks, assumed) else Verdict.UNCLEAR
    first_s, last_s = _window(marks, assumed)
    spoilt = (
        not ran
        or Flag.FEW_READINGS in flags
        or Flag.FLOATING in flags
        or bool(seen.runs)
        or seen.already_on
        or any(first_s <= other_s <= last_s for other_s in seen.others)
        or test_flags.overloaded(samples.between(first_s, last_s), assumed)
    )
    return Verdict.UNCLEAR if spoilt else Verdict.NOT_IN_PATH


def _jump_counts(seen: Explanation, marks: Marks, assumed: Levels) -> bool:
    """Whether a jump may be taken for the load's."""
    if not seen.runs:
        first_s, last_s = _window(marks, assumed)
        return bool(marks.on) and not any(first_s <= t <= last_s for t in seen.others)
    if marks.on or marks.off:
        stayed = test_flags.stayed_on(seen, marks, assumed)
        return any(run.tapped for run in seen.runs) and not stayed
    return not seen.is_on or len(seen.runs) > 1


def _window(marks: Marks, assumed: Levels) -> tuple[float, float]:
    """The time in which the load may have been on, by its taps."""
    if not marks.on:
        return marks.start_s, marks.now_s
    first_s = marks.on[0][0] - assumed.tap_after_s
    last_s = marks.off[-1] + assumed.tap_before_s if marks.off else marks.now_s
    return first_s, last_s


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
    gaps = np.diff(np.concatenate([[on_s - margin_s], inside, [last_s]]))
    return inside.size >= FEW and bool(gaps.max() <= assumed.longest_gap_s)
