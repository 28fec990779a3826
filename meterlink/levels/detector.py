"""Readings and taps of one test in, its measurement out; the same object live and in batch.

What a test says if it ended now is one assessment: changes of the trace, which of them are the
load, levels, drop, verdict. The row and the live progress are made of it, so that they cannot
disagree. ``TestDetector.assess`` is the whole way from a trace to a drop.
"""

from dataclasses import replace

from drivers.readings import Reading
from meterlink.assumptions import USUAL, Levels
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels import test_flags
from meterlink.levels.changes import ChangeFinder, without_strays
from meterlink.levels.drop import Drop, evaluate
from meterlink.levels.levels import LevelsFound, measure_stages
from meterlink.levels.limit import band_in_u
from meterlink.levels.line_drop import supply_levels
from meterlink.levels.measurement import (
    Assessment,
    Measurement,
    has_run,
    measurement_of,
    verdict_in,
)
from meterlink.levels.progress import Progress, progress_of
from meterlink.levels.stages import (
    Explanation,
    explain,
    stages_of_runs,
    stages_of_taps,
)
from meterlink.levels.test_flags import Flag
from meterlink.levels.trace import Marks, Trace
from meterlink.levels.two_settings import LowSetting


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
        seen = explain(
            self._finder.find(usable),
            marks,
            line=self._line,
            signed=self._signed,
            assumed=self._assumed,
        )
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


def _setting(marks: Marks, levels: LevelsFound | None) -> str:
    """The load's settings that the levels hold."""
    named = {setting for _, setting in marks.on if setting}
    if {"low", "high"} <= named:
        return "low+high" if levels is not None and levels.low_mv is not None else "high"
    return next(iter(named), "")
