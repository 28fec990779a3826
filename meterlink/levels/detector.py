"""Readings and taps of one test in, its measurement out; the same object live and in batch.

What a test says if it ended now is one assessment: changes of the trace, which of them are the
load, levels, drop, verdict. The row and the live progress are made of it, so that they cannot
disagree. ``TestDetector.assess`` is the whole way from a trace to a drop.

A jump that stands in the trace is never logged as "no jump": whatever speaks against it makes the
test unclear.
"""

from dataclasses import dataclass, replace

import numpy as np

from drivers.readings import Reading
from meterlink.assumptions import USUAL, Levels
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels import test_flags
from meterlink.levels.changes import FEW, ChangeFinder, without_strays
from meterlink.levels.drop import Drop, band_in_u, evaluate
from meterlink.levels.levels import LevelsFound, measure_stages
from meterlink.levels.line_drop import supply_levels
from meterlink.levels.progress import Progress, progress_of
from meterlink.levels.stages import (
    Explanation,
    Stages,
    explain,
    stages_of_runs,
    stages_of_taps,
)
from meterlink.levels.test_flags import Flag
from meterlink.levels.trace import Marks, Samples, Trace
from meterlink.levels.two_settings import LowSetting

FINER = 0.35  # of the usual least step: what counts where several taps tell of a sag
MOST_FOUND = 0.7  # part of these taps that must find theirs


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
        assumed: Priors.
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
        assumed: Levels = USUAL.levels,
    ) -> None:
        self._setup = setup
        self._signed = direct or hertz == 0
        self._others = direct and hertz != 0 and not setup.dead
        self._line = setup.hookup is Hookup.LINE_DROP and not direct
        self._smallest_drop_mv = (
            assumed.smallest_run_mohm * 10.0 if smallest_drop_mv is None else smallest_drop_mv
        )
        self._ratio = ratio
        self._assumed = assumed
        self._trace = Trace(direct=self._signed)
        self._finder = ChangeFinder(line=self._line, assumed=assumed)
        self._marks = Marks(started_s, started_s)

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
        last = self._trace.last
        taps = [*self._marks.on_s, *self._marks.off]
        now_s = max([last.t_s if last else self._marks.start_s, *taps])
        return progress_of(
            self.assess(now_s),
            last,
            line=self._line,
            wanted="DC volts" if self._signed else "AC volts",
            assumed=self._assumed,
        )

    def assess(self, t_s: float) -> Assessment:
        """What the test would say if it ended at a time. Cost is bounded by what is kept."""
        marks = replace(self._marks, now_s=max(t_s, self._marks.start_s))
        samples = self._trace.samples()
        samples = samples.where(
            (samples.t_s >= marks.start_s) & (samples.t_s <= marks.now_s + 1e-6)
        )
        usable = without_strays(samples.usable(), self._assumed)
        seen = self._explained(usable, marks)
        stages = tuple(
            stages_of_runs(samples, usable, seen, marks, line=self._line, assumed=self._assumed)
            if seen.runs
            else stages_of_taps(usable, marks, line=self._line, assumed=self._assumed)
        )
        levels = (supply_levels if self._line else measure_stages)(stages, self._assumed)
        if levels is not None and not seen.runs:
            levels = self._as_seen(levels, seen)
        setting = _setting(marks, levels)
        drop = None if levels is None else self._drop(levels, setting)
        flags = test_flags.flags_of(
            samples, seen, stages, levels, marks, line=self._line, assumed=self._assumed
        )
        ran = has_run(marks, usable, self._assumed)
        verdict = verdict_in(drop, samples, seen, marks, flags, ran=ran, assumed=self._assumed)
        flat = drop is not None and drop.verdict is Verdict.NOT_IN_PATH and not seen.runs
        if verdict is Verdict.UNCLEAR and flat and marks.on and not ran:
            flags = (*flags, Flag.LOAD_UNPROVEN)
        return Assessment(
            samples, usable, marks, seen, stages, levels, drop, verdict, flags, setting
        )

    def _explained(self, usable: Samples, marks: Marks, least: float = 1.0) -> Explanation:
        """What the changes mean.

        A sag that hardly stands out of the supply's wander by itself does by its repetition: where
        taps tell of several, smaller changes count if most of the taps find theirs.
        """
        seen = explain(
            self._finder.find(usable, least),
            marks,
            line=self._line,
            signed=self._signed,
            assumed=self._assumed,
        )
        wanted = len(marks.pairs())
        if not self._line or least < 1.0 or not len(seen.runs) < wanted > 1:
            return seen
        finer = self._explained(usable, marks, FINER)
        tapped = sum(run.tapped for run in finer.runs)
        return finer if tapped > max(len(seen.runs), MOST_FOUND * wanted) else seen

    def _as_seen(self, levels: LevelsFound, seen: Explanation) -> LevelsFound:
        """Levels of a test without a jump, no surer than what the search would have missed."""
        least = self._finder.least_step_mv(levels.base_mv, levels.base_mv, seen.noise_mv)
        missed = least / band_in_u(levels.u_mv, self._assumed)
        return replace(levels, u_mv=max(levels.u_mv, missed))

    def _drop(self, levels: LevelsFound, setting: str) -> Drop:
        u_mv = levels.u_mv
        low = None
        if setting == "low+high" and self._ratio and levels.low_mv is not None:
            low = LowSetting(levels.low_mv, levels.low_u_mv or u_mv, self._ratio)
        return evaluate(
            self._setup.hookup,
            levels.base_mv,
            levels.on.value,
            u_mv,
            signed=self._signed,
            directed=self._setup.dead,
            others=self._others,
            smallest_drop_mv=self._smallest_drop_mv,
            low=low,
            assumed=self._assumed,
        )


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


def _setting(marks: Marks, levels: LevelsFound | None) -> str:
    """The load's settings that the levels hold."""
    named = {setting for _, setting in marks.on if setting}
    if {"low", "high"} <= named:
        return "low+high" if levels is not None and levels.low_mv is not None else "high"
    return next(iter(named), "")
