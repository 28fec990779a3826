"""A visit to an invented circuit: a simulated meter on a real serial device, a simulated load.

Everything between the bytes and the log is what a real visit uses. Only time runs faster: the
bench, and the clock that readings are timed by, go ``speed`` times as fast as the wall clock.
"""

import threading
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from drivers.clock import steady_s
from drivers.errors import SilentError
from drivers.events import Mark
from drivers.readings import Reading
from drivers.simulated import Display, SimulatedMeter
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Setup
from meterlink.levels.detector import TestDetector
from meterlink.levels.progress import Progress
from meterlink.levels.visit_split import CompletedTest, smallest_drop_mv
from meterlink.live.notices import Notice
from meterlink.live.session import LiveSession
from meterlink.simulation.bench import SimulatedBench

SPEED = 10.0
READINGS_A_SECOND = 4.0  # of the visit's own time; a lively handheld meter
LAG_S = 0.3
NOISE_V = 0.3e-3
HAND_S = 0.8  # from the mark to the switch: a person's hand
MOST_S = 30.0  # of a stage that will not end
SILENT_S = 5.0  # of the wall clock


@dataclass(frozen=True, slots=True)
class Step:
    """Something to show: how the running test stands, or its end."""

    setup: Setup
    progress: Progress | None = None
    done: CompletedTest | None = None


class DemoVisit:
    """A simulated circuit, meter and load with the session that reads them.

    Attributes:
        session: The live session; its capture is written as it runs.
        address: Address of the simulated meter.
    """

    def __init__(
        self,
        bench: SimulatedBench,
        circuit: Circuit,
        capture: Path,
        *,
        header: Mapping[str, object],
        seed: int,
        speed: float,
    ) -> None:
        """Start the meter and open it.

        Args:
            bench: What the meter measures.
            circuit: What is known of the circuit.
            capture: File to record to.
            header: What its header says of the circuit.
            seed: Of the meter's noise.
            speed: How many times faster than the wall clock time runs.

        Raises:
            DriverError: The device cannot be opened, or the capture cannot be written.
        """
        self._bench = bench
        self._circuit = circuit
        self._lock = threading.Lock()
        self._speed = speed
        self._zero_s = steady_s()
        self._events: deque[Reading | Mark | Notice] = deque()
        display = Display(lag_s=LAG_S / speed, noise_v=NOISE_V, overloads=2)
        self._meter = SimulatedMeter(
            lambda _: self._volts(), rate_hz=READINGS_A_SECOND * speed, display=display, seed=seed
        )
        self.address = self._meter.address
        try:
            self.session = LiveSession(
                self._meter.address, capture, circuit=header, clock=lambda: speed * steady_s()
            )
        except BaseException:
            self._meter.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.session.close()
        self._meter.close()

    def test(self, setup: Setup) -> Iterator[Step]:
        """Do one test, each stage as long as its answer needs.

        Yields:
            The test's progress as readings come, and its result at the end.

        Raises:
            SilentError: The simulated meter gives nothing.
        """
        with self._lock:
            self._bench.connect(setup, self._bench_s())
        self._mark_test(setup)
        started_s, _ = self._until_mark("test")
        detector = TestDetector(
            setup,
            started_s,
            volts=self._circuit.volts,
            hertz=self._circuit.hertz,
            smallest_drop_mv=smallest_drop_mv(self._circuit),
        )
        yield from self._stage(setup, detector)
        with self._lock:
            self._bench.load_on(self._bench_s() + HAND_S)
        self._switch(detector, "load-on")
        yield from self._stage(setup, detector)
        with self._lock:
            self._bench.load_off()
        self._switch(detector, "load-off")
        yield from self._stage(setup, detector)
        self.session.mark("end")
        end_s, late = self._until_mark("end")
        for reading in late:
            detector.add(reading)
        yield Step(setup, done=CompletedTest(setup, started_s, detector.finish(end_s), ()))

    def _bench_s(self) -> float:
        return self._speed * (steady_s() - self._zero_s)

    def _volts(self) -> float:
        with self._lock:
            return self._bench.volts_at(self._bench_s())

    def _mark_test(self, setup: Setup) -> None:
        self.session.mark(
            "test",
            hookup=setup.hookup.value,
            lead_a=setup.lead_a,
            lead_b=setup.lead_b,
            load_at=setup.load_at,
        )

    def _switch(self, detector: TestDetector, kind: str) -> None:
        """Mark the load; readings that came before the mark belong before it."""
        self.session.mark(kind)
        mark_s, before = self._until_mark(kind)
        for reading in before:
            detector.add(reading)
        detector.mark(kind, mark_s)

    def _until_mark(self, kind: str) -> tuple[float, list[Reading]]:
        """Time of one's own mark when it comes back, and the readings before it."""
        readings: list[Reading] = []
        until_s = steady_s() + SILENT_S
        while steady_s() < until_s:
            if not self._events:
                self._events.extend(self.session.poll(0.05))
            while self._events:
                event = self._events.popleft()
                if isinstance(event, Reading):
                    readings.append(event)
                elif isinstance(event, Mark) and event.kind == kind:
                    return event.t_s, readings
        raise SilentError(f"The mark {kind!r} did not come back from the recording.")

    def _stage(self, setup: Setup, detector: TestDetector) -> Iterator[Step]:
        """Feed readings until the stage's answer is certain."""
        first_s = self.session.now_s()
        heard_s = steady_s()
        while self.session.now_s() < first_s + MOST_S:
            if steady_s() > heard_s + SILENT_S:
                raise SilentError("The simulated meter gives no readings. Try the demo again.")
            if not self._events:
                self._events.extend(self.session.poll(0.1))
            readings = [event for event in self._events if isinstance(event, Reading)]
            self._events.clear()
            for reading in readings:
                detector.add(reading)
            if readings:
                heard_s = steady_s()
                progress = detector.progress()
                yield Step(setup, progress=progress)
                if progress.enough:
                    return
