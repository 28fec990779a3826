"""What the readings of one test come to, before it is a row in a log."""

from dataclasses import dataclass

from meterlink.circuit.setup import Verdict
from meterlink.levels.drop import Drop
from meterlink.levels.levels import LevelsFound
from meterlink.levels.stages import Explanation, Marks, Stages
from meterlink.levels.test_flags import Flag
from meterlink.levels.trace import Samples


@dataclass(frozen=True, slots=True)
class Measurement:
    """Levels, drop and verdict of one test. Millivolts; ``None`` where it could not be measured.

    The fields are those of ``meterlink.testlog.rows.TestRow`` with the same names.

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
