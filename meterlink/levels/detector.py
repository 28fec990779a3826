"""Readings and marks of one test in, its measurement out; the same object live and in batch."""

from drivers.readings import Reading
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels.checks import mostly_overload, refusals
from meterlink.levels.cycle import CycleResult, measure_cycle
from meterlink.levels.flags import Flag
from meterlink.levels.measurement import Measurement
from meterlink.levels.progress import Progress, idle_progress, load_progress
from meterlink.levels.row import measurement_of
from meterlink.levels.stages import LAG_S, Marks
from meterlink.levels.switching import LATE_S
from meterlink.levels.trace import Samples, Trace

SMALLEST_RUN_MOHM = 8.0  # 1 m of 14 AWG copper is 8.3 mohm (ASTM B258 at 20 degrees C)
DEFAULT_AMPS = 10.0


class TestDetector:
    """Measures one test, reading by reading.

    Args:
        setup: Hookup, leads and load.
        started_s: Monotonic time of the test's start.
        volts: Nominal supply, ``None`` where not known.
        hertz: Its frequency; 0 means a direct-current supply, ``None`` is taken as alternating.
        smallest_drop_mv: What the load makes on the smallest run that could be there (about 1 m
            of cable). A test whose ``limit_mv`` is above it cannot say ``not-in-path``.
    """

    __test__ = False  # keeps pytest from collecting the class by its name

    def __init__(
        self,
        setup: Setup,
        started_s: float,
        *,
        volts: float | None,
        hertz: float | None,
        smallest_drop_mv: float = SMALLEST_RUN_MOHM * DEFAULT_AMPS,
    ) -> None:
        self._setup = setup
        self._volts = volts
        self._signed = hertz == 0
        self._line = setup.hookup is Hookup.LINE_DROP
        self._smallest_drop_mv = smallest_drop_mv
        self._trace = Trace(direct=self._signed)
        self._start_s = started_s
        self._on_s: float | None = None
        self._off_s: float | None = None
        self._done: list[CycleResult] = []
        self._unmeasured: list[Flag] = []

    def add(self, reading: Reading) -> None:
        """Take the next reading, in time order."""
        self._trace.add(reading)

    def mark(self, kind: str, t_s: float) -> None:
        """Take the operator's mark: ``load-on`` or ``load-off``; others say nothing here."""
        if kind == "load-on":
            if self._on_s is not None and self._off_s is not None:
                self._close_cycle(t_s)
            if self._on_s is None:
                self._on_s = t_s
                self._trace.begin_stage(t_s)
        elif kind == "load-off" and self._on_s is not None and self._off_s is None:
            self._off_s = t_s
            self._trace.begin_stage(t_s)

    def finish(self, t_s: float) -> Measurement:
        """End the test and measure it."""
        samples = self._trace.samples()
        if self._on_s is not None:
            self._close_cycle(t_s)
        if not self._done:
            return _nothing(samples, self._unmeasured or [Flag.NO_LOAD_MARK])
        return measurement_of(
            self._done,
            line=self._line,
            signed=self._signed,
            smallest_drop_mv=self._smallest_drop_mv,
        )

    def progress(self) -> Progress:
        """How the test stands. Looks at the samples kept, so its cost is bounded."""
        samples = self._trace.samples()
        reading = self._trace.last
        if self._on_s is None:
            return idle_progress(
                samples.between(self._start_s, float("inf")), reading, line=self._line
            )
        now_s = max(reading.t_s if reading else 0.0, self._off_s or self._on_s)
        return load_progress(
            samples,
            reading,
            Marks(self._start_s, self._on_s, self._off_s, now_s + 1e-6),
            line=self._line,
            signed=self._signed,
            smallest_drop_mv=self._smallest_drop_mv,
        )

    def _close_cycle(self, end_s: float) -> None:
        """Measure the cycle that is open and forget what no later cycle needs."""
        if self._on_s is None:
            return
        marks = Marks(self._start_s, self._on_s, self._off_s, end_s)
        samples = self._trace.samples()
        result = measure_cycle(samples, marks, line=self._line)
        if result is None:
            self._unmeasured += why_nothing(samples)
        else:
            self._done.append(result)
        last_s = self._off_s if self._off_s is not None else end_s
        self._start_s = last_s + LATE_S + LAG_S
        self._on_s = self._off_s = None
        self._trace.drop_before(last_s)


def why_nothing(samples: Samples) -> list[Flag]:
    """Flags of a test that gave no measurement."""
    flags = refusals(samples)
    if mostly_overload(samples):
        flags.append(Flag.OVERLOAD)
    return [*flags, Flag.FEW_READINGS]


def _nothing(samples: Samples, flags: list[Flag]) -> Measurement:
    """Measurement of a test in which nothing could be measured."""
    return Measurement(
        None, None, None, None, None, None, None, None, None, Verdict.UNCLEAR,
        n_idle=samples.usable().readings, n_on=0, flags=tuple(dict.fromkeys(map(str, flags))),
    )  # fmt: skip
