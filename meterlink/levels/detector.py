"""Readings and marks of one test in, its measurement out; the same object live and in batch."""

from dataclasses import replace

import numpy as np

from drivers.readings import Reading
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels.cycle import CycleResult, measure_cycle
from meterlink.levels.flags import Flag
from meterlink.levels.measurement import Measurement
from meterlink.levels.pickup import (
    CERTAIN,
    drop_from_difference,
    drop_from_magnitudes,
    limit_for_difference,
    limit_for_magnitudes,
)
from meterlink.levels.stages import Marks
from meterlink.levels.trace import Samples, State, Trace

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
        return self._measurement()

    def _close_cycle(self, end_s: float) -> None:
        """Measure the cycle that is open and forget what no later cycle needs."""
        if self._on_s is None:
            return
        marks = Marks(self._start_s, self._on_s, self._off_s, end_s)
        samples = self._trace.samples()
        result = measure_cycle(samples, marks, line=self._line, signed=self._signed)
        if result is None:
            self._unmeasured += why_nothing(samples)
        else:
            self._done.append(replace(result, flags=(*result.flags, *refusals(samples))))
        last_s = self._off_s if self._off_s is not None else end_s
        self._start_s = last_s + 6.0
        self._on_s = self._off_s = None
        self._trace.drop_before(last_s)

    def _measurement(self) -> Measurement:
        """Average the cycles into the row's figures."""
        done = self._done
        first, n = done[0], len(done)
        base = float(np.mean([cycle.base_mv for cycle in done]))
        on = float(np.mean([cycle.on.value for cycle in done]))
        u = float(np.sqrt(np.mean([cycle.u_mv**2 for cycle in done]) / n))
        if self._line:
            estimate = drop_from_difference(base - on, u)
        elif self._signed:
            estimate = drop_from_difference(abs(on - base), u)
        else:
            estimate = drop_from_magnitudes(base, on, u)
        plain = self._line or self._signed
        limit = limit_for_difference(u) if plain else limit_for_magnitudes(base, u)
        if estimate.p_drop >= CERTAIN:
            verdict = Verdict.IN_PATH
        elif limit <= self._smallest_drop_mv and estimate.p_drop <= 1.0 - CERTAIN:
            verdict = Verdict.NOT_IN_PATH
        else:
            verdict = Verdict.UNCLEAR
        flags = [flag for cycle in done for flag in cycle.flags]
        afters = [cycle.after.value for cycle in done if cycle.after is not None]
        idle = float(np.mean([cycle.idle.value for cycle in done]))
        return Measurement(
            idle_mv=idle,
            idle_sd_mv=first.idle.sd,
            on_mv=on,
            on_sd_mv=first.on.sd,
            after_mv=float(np.mean(afters)) if afters else None,
            delta_mv=on - idle,
            drop_mv=float(estimate.drop_mv),
            drop_u_mv=float(estimate.drop_u_mv),
            limit_mv=limit,
            verdict=verdict,
            n_idle=sum(cycle.idle.n for cycle in done),
            n_on=sum(cycle.on.n for cycle in done),
            flags=tuple(dict.fromkeys(str(flag) for flag in flags)),
            on_at_s=first.on_at_s,
            off_at_s=first.off_at_s,
        )


def refusals(samples: Samples) -> list[Flag]:
    """Flags of samples that could not be used."""
    named = {State.HOLD: Flag.HOLD, State.WRONG_FUNCTION: Flag.WRONG_FUNCTION}
    return [flag for state, flag in named.items() if (samples.state == state).any()]


def why_nothing(samples: Samples) -> list[Flag]:
    """Flags of a test that gave no measurement."""
    overload = samples.where(samples.state == State.OVERLOAD)
    flags = refusals(samples)
    if len(overload) > len(samples.usable()):
        flags.append(Flag.OVERLOAD)
    return [*flags, Flag.FEW_READINGS]


def _nothing(samples: Samples, flags: list[Flag]) -> Measurement:
    """Measurement of a test in which nothing could be measured."""
    return Measurement(
        None, None, None, None, None, None, None, None, None, Verdict.UNCLEAR,
        n_idle=samples.usable().readings, n_on=0, flags=tuple(dict.fromkeys(map(str, flags))),
    )  # fmt: skip
