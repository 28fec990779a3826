"""Readings and taps of one test in, its measurement out; the same object live and in batch.

What a test says if it ended now is one assessment: changes of the trace, which of them are the
load, levels, drop, verdict. The row and the live progress are made of it, so that they cannot
disagree. ``TestDetector.assess`` is the whole way from a trace to a drop.

A jump that stands in the trace is never logged as "no jump": whatever speaks against it makes the
test unclear.
"""

import math
from dataclasses import dataclass, replace
from functools import partial

from drivers.readings import Reading
from meterlink.assumptions import USUAL, Assumptions, Levels
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels import test_flags
from meterlink.levels.drop import Drop, band_in_u, evaluate
from meterlink.levels.levels import LevelsFound, measure_stages
from meterlink.levels.line_drop import supply_levels
from meterlink.levels.progress import Progress, progress_of
from meterlink.levels.sag_pattern import (
    Cache,
    SagPattern,
    as_explained,
    find_pattern,
    stages_of_pattern,
)
from meterlink.levels.stages import Explanation, Stages, explain, stages_of_runs, stages_of_taps
from meterlink.levels.test_flags import Flag
from meterlink.levels.trace import (
    Marks,
    Samples,
    Trace,
    find_changes,
    least_step_mv,
    without_strays,
)
from meterlink.levels.two_settings import LowSetting

LOOK_AGAIN_S = 1.0  # for the cycles of a sag, while a test runs


@dataclass(frozen=True, slots=True)
class Measurement:
    """Levels, drop and verdict of one test. Millivolts; ``None`` where it could not be measured.

    The fields are those of ``meterlink.testlog.columns.TestRow`` with the same names; they stand
    twice, because the log is above the levels and its rows begin with other fields.

    Attributes:
        setting: Of the load: empty, ``low``, ``high`` or ``low+high``.
        level_u_mv: Standard uncertainty of ``on - base``, the phase of the idle reading apart.
        cycles: On/off cycles that were averaged.
        on_at_s, off_at_s: Monotonic times at which the load was seen to switch; ``None`` if unseen.
    """

    idle_mv: float | None = None
    idle_sd_mv: float | None = None
    on_mv: float | None = None
    on_sd_mv: float | None = None
    after_mv: float | None = None
    delta_mv: float | None = None
    drop_mv: float | None = None
    drop_u_mv: float | None = None
    limit_mv: float | None = None
    verdict: Verdict = Verdict.UNCLEAR
    n_idle: int = 0
    n_on: int = 0
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
        setting: Of the load.
        drop: What the levels say; ``None`` likewise.
        flags: What was noticed.
        ran: The load must have been on while readings came.
        verdict: What the row would say.
    """

    samples: Samples
    usable: Samples
    marks: Marks
    seen: Explanation
    stages: tuple[Stages, ...]
    levels: LevelsFound | None
    setting: str
    drop: Drop | None
    flags: tuple[Flag, ...]
    ran: bool
    verdict: Verdict = Verdict.UNCLEAR


class TestDetector:
    """Measures one test, reading by reading.

    Args:
        setup: Hookup, leads and load.
        started_s: Monotonic time of the test's start.
        hertz: Of the supply; 0 means direct current, ``None`` is taken as alternating.
        smallest_drop_mv: What the load makes on the smallest run that could be there (about 1 m
            of cable). A test whose ``limit_mv`` is above it cannot say ``not-in-path``.
        direct: The load draws a direct current (half-wave, or a bench supply): DC volts are meant.
        ratio: Current of the load at its higher setting over that at the lower; ``None`` where
            it has one setting.
        assumptions: Priors.
    """

    __test__ = False  # keeps pytest from collecting the class by its name

    def __init__(
        self,
        setup: Setup,
        started_s: float,
        *,
        hertz: float | None,
        smallest_drop_mv: float | None = None,
        direct: bool = False,
        ratio: float | None = None,
        assumptions: Assumptions = USUAL,
    ) -> None:
        usual = assumptions.levels
        self._line = setup.hookup is Hookup.LINE_DROP and not direct
        self._assumed = one = usual.of_supply() if self._line else usual
        self._large_mv = assumptions.meter.large_idle_mv
        self._signed = signed = direct or hertz == 0
        self._against = (0.0, 0.0 if signed else one.falls)  # of steps up, and down
        if self._line and not signed:
            self._against = (one.rises, 0.0)
        if smallest_drop_mv is None:
            smallest_drop_mv = usual.smallest_run_mohm * 10.0
        self._ratio = ratio
        self._evaluate = partial(
            evaluate,
            setup.hookup,
            signed=signed,
            directed=setup.dead,
            others=direct and hertz != 0 and not setup.dead,
            smallest_drop_mv=smallest_drop_mv,
            assumed=one,
        )
        self._trace = Trace(direct=signed)
        self._marks = Marks(started_s, started_s)
        self._chunks: Cache = {}
        self._looked: tuple[float, int, SagPattern | None] = (-math.inf, 0, None)

    def add(self, reading: Reading) -> None:
        """Take the next reading, in time order."""
        self._trace.add(reading)

    def mark(self, kind: str, t_s: float, setting: str = "") -> None:
        """Take a tap: ``load-on`` (with the load's setting) or ``load-off``; others say nothing."""
        self._marks.add(kind, t_s, setting, self._assumed.double_tap_s)

    def finish(self, t_s: float) -> Measurement:
        """End the test and measure it."""
        return measurement_of(self.assess(t_s))

    def progress(self) -> Progress:
        """How the test stands after the latest reading or tap."""
        last, marks = self._trace.last, self._marks
        read_s = last.t_s if last else marks.start_s
        found = self.assess(max(read_s, *marks.on, *marks.off, marks.start_s), LOOK_AGAIN_S)
        wanted = "DC volts" if self._signed else "AC volts"
        return progress_of(found, last, wanted, self._large_mv, self._assumed)

    def assess(self, t_s: float, stale_s: float = 0.0) -> Assessment:
        """What the test would say if it ended at a time. Cost is bounded by what is kept.

        Args:
            t_s: That time.
            stale_s: The cycles of a sag may have been looked for so long before.
        """
        one = self._assumed
        marks = replace(self._marks, now_s=max(t_s, self._marks.start_s))
        samples = self._trace.samples().between(marks.start_s, marks.now_s + 2e-6)
        usable = without_strays(samples.usable(), one)
        seen = explain(find_changes(usable, one), marks, self._against, one)
        pattern = self._pattern(usable, marks, stale_s)
        if pattern is not None:
            seen = as_explained(pattern, usable, seen, marks, one)
            stages = stages_of_pattern(pattern, usable, marks, one)
        elif seen.runs:
            stages = stages_of_runs(samples, usable, seen, marks, one)
        else:
            stages = stages_of_taps(usable, marks, one)
        levels = (supply_levels if self._line else measure_stages)(stages, one)
        if levels is not None and pattern is not None:
            levels = replace(levels, u_mv=max(levels.u_mv, pattern.sag_u_mv))
        if levels is not None and not seen.runs:  # no surer than what the search would have missed
            least = least_step_mv(levels.base_mv, levels.base_mv, seen.noise_mv, one)
            missed = least / band_in_u(levels.u_mv, one)
            levels = replace(levels, u_mv=max(levels.u_mv, missed))
        setting = _setting(marks, levels)
        drop = None if levels is None else self._drop(levels, setting)
        flags = test_flags.flags_of(samples, seen, stages, levels, marks, one)
        ran = test_flags.has_run(marks, usable, one)
        parts = (samples, usable, marks, seen, tuple(stages), levels, setting, drop, flags, ran)
        found = Assessment(*parts)
        found = replace(found, verdict=verdict_in(found, one))
        flat = drop is not None and drop.verdict is Verdict.NOT_IN_PATH and not seen.runs
        if found.verdict is Verdict.UNCLEAR and flat and marks.on and not ran:
            found = replace(found, flags=(*flags, Flag.LOAD_UNPROVEN))
        return found

    def _pattern(self, usable: Samples, marks: Marks, stale_s: float) -> SagPattern | None:
        """The cycles of a sag, found together, where they stand out of the supply's wander."""
        if not self._line or any(marks.settings) or (stale_s and not marks.on):
            return None
        taps = len(marks.on) + len(marks.off)
        seen_s, seen_taps, found = self._looked
        if taps != seen_taps or not seen_s <= marks.now_s < seen_s + stale_s:
            found = find_pattern(usable, marks, self._assumed, self._chunks)
            self._looked = (marks.now_s, taps, found)
        return found if found is not None and found.is_certain(self._assumed) else None

    def _drop(self, levels: LevelsFound, setting: str) -> Drop:
        low = None
        if setting == "low+high" and self._ratio and levels.low:
            low = LowSetting(levels.low.value, levels.low.se, self._ratio)
        return self._evaluate(levels.base_mv, levels.on.value, levels.u_mv, low=low)


def measurement_of(found: Assessment) -> Measurement:
    """The row's figures."""
    flags, levels, drop = tuple(map(str, found.flags)), found.levels, found.drop
    if levels is None or drop is None:
        return Measurement(n_idle=found.usable.readings, flags=flags)
    timed = next((one for one in found.stages if one.on_at_s is not None), None)
    return Measurement(
        idle_mv=levels.idle.value,
        idle_sd_mv=levels.idle.sd,
        on_mv=levels.on.value,
        on_sd_mv=levels.on.sd,
        after_mv=levels.after.value if levels.after else None,
        delta_mv=levels.on.value - levels.idle.value,
        drop_mv=drop.drop_mv,
        drop_u_mv=drop.drop_u_mv,
        limit_mv=drop.limit_mv,
        verdict=found.verdict,
        n_idle=levels.idle.n,
        n_on=levels.on.n,
        flags=flags,
        on_at_s=timed.on_at_s if timed else None,
        off_at_s=timed.off_at_s if timed else None,
        setting=found.setting,
        level_u_mv=levels.u_mv,
        cycles=levels.cycles,
    )


def verdict_in(found: Assessment, assumed: Levels) -> Verdict:
    """The drop's verdict, unless something else in the trace speaks against it."""
    drop, seen, marks = found.drop, found.seen, found.marks
    if drop is None or drop.verdict is Verdict.UNCLEAR:
        return Verdict.UNCLEAR
    first_s, last_s = marks.start_s, marks.now_s  # in which the load may have been on, by its taps
    if marks.on:
        first_s = marks.on[0] - assumed.tap_after_s
        last_s = marks.off[-1] + assumed.tap_before_s if marks.off else marks.now_s
    others = any(first_s <= other_s <= last_s for other_s in seen.others)
    if drop.verdict is Verdict.IN_PATH:
        spoilt = not _jump_counts(seen, marks, assumed, others=others)
    else:
        spoilt = (
            not found.ran
            or others
            or bool(seen.runs)
            or seen.already_on
            or not {Flag.FEW_READINGS, Flag.FLOATING}.isdisjoint(found.flags)
            or test_flags.overloaded(found.samples.between(first_s, last_s), assumed)
        )
    return Verdict.UNCLEAR if spoilt else drop.verdict


def _jump_counts(seen: Explanation, marks: Marks, assumed: Levels, *, others: bool) -> bool:
    """Whether a jump may be taken for the load's."""
    if not seen.runs:
        return bool(marks.on) and not others
    if marks.on or marks.off:
        stayed = test_flags.stayed_on(seen, marks, assumed)
        return any(run.tapped for run in seen.runs) and not stayed
    return not seen.is_on or len(seen.runs) > 1


def _setting(marks: Marks, levels: LevelsFound | None) -> str:
    """The load's settings that the levels hold."""
    named = set(marks.settings) - {""}
    if {"low", "high"} <= named:
        return "low+high" if levels and levels.low else "high"
    return next(iter(named), "")
