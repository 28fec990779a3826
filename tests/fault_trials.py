"""One test with a fault injected at a random moment, through a real pseudo-terminal.

A trial is a whole test of the job: a simulated meter, idle, load on, load off, after. Time runs
``SPEED`` times faster than the wall clock for everything that has a clock. What came of it is held
against the truth, which only the trial knows.
"""

import os
import random
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from drivers.address import Address, Finder, parse_address, steady_s
from drivers.capture import CaptureReader, replay
from drivers.readings import Function, Mark, Reading, as_read_at
from drivers.simulated import Display, SimulatedMeter
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Verdict
from meterlink.levels.visit_split import CompletedTest, completed_tests
from meterlink.live.session import LiveSession
from meterlink.visit.notices import Notice, TestValidity

SPEED = 8.0
RATE_HZ = 4.0
CIRCUIT = Circuit("Trial", ("Desk",), volts=120.0, hertz=60.0, load_amps=10.0)
ON_S, OFF_S, END_S = 8.0, 20.0, 30.0
#: Whatever takes longer than this on the wall clock is a hang.
HANG_S = 5.0
#: What was sent so shortly before the link ended may still be in the system's buffers.
IN_FLIGHT_S = 0.25 * SPEED
_wall_s = time.time


@dataclass
class Outcome:
    """What came of a trial."""

    fault: str
    lost: int = 0
    damaged: int = 0
    hung: bool = False
    traceback: str = ""
    wrong: str = ""
    void: str = ""
    told: list[str] = field(default_factory=list)
    result: str = ""


class _Elsewhere(Finder):
    """Finds the port under the name that it has now."""

    def __init__(self, address: Address, port: Callable[[], str]) -> None:
        super().__init__(address)
        self._given, self._port = address, port

    def current(self) -> Address:
        return replace(self._given, port=self._port())


class Trial:
    """A meter, a load, hands, and a fault."""

    def __init__(self, fault: str, driver: str, seed: int) -> None:
        self.rng = random.Random(seed)
        self.fault = fault
        self.driver = driver
        self.drop_v = self.rng.choice((0.0, 0.02, 0.05, 0.15, 0.4))
        self.idle_v = self.rng.uniform(0.002, 0.012)
        self.load = False
        self.jump_s = 0.0
        self.sent: list[tuple[float, bytes]] = []
        self.outcome = Outcome(fault)
        self.windows: list[list[float]] = []
        self.spared: list[tuple[float, float]] = []
        rate_hz = {"ten thousand a second": 10_000.0 / SPEED, "one in five seconds": 0.2}
        self.meter = SimulatedMeter(
            lambda _: self.idle_v + (self.drop_v if self.load else 0.0),
            driver=driver,
            rate_hz=rate_hz.get(fault, RATE_HZ) * SPEED,
            display=Display(
                lag_s=0.3 / SPEED,
                noise_v=3e-4,
                overloads=12 if fault == "range changes" else 1,
                function=Function.AC,
            ),
            seed=seed,
            on_sent=lambda data: self.sent.append((self.now_s(), data)),
        )
        self.session: LiveSession | None = None

    def now_s(self) -> float:
        """Time of the trial."""
        return SPEED * steady_s() + self.jump_s

    # What happens, by name: a beginning, and an end where there is one.

    def begin(self) -> None:
        meter = self.meter
        match self.fault:
            case "cable pulled, same name" | "cable pulled, other name" | "cable pulled for good":
                self.close_window()
                meter.unplug()
            case "garbage":
                for _ in range(5):
                    meter.send(self.rng.randbytes(self.rng.randrange(1, 60)))
                self.spare_next()
            case "wrong speed":
                meter.garble(lambda data: as_read_at(data, sent_baud=2400, read_baud=9600))
            case "half frames":
                meter.garble(lambda data: data[: self.rng.randrange(1, len(data))])
            case "meter sleeps" | "meter off for good":
                meter.sleep()
            case "function changed":
                meter.display.function, meter.display.quantity = Function.OHM, "ohm"
                meter.instrument.function = Function.DC
            case "hold pressed":
                meter.display.held = True
            case "another program":
                self.intrude()
            case "suspend and resume":
                meter.sleep()
                self.jump_s += 60.0
            case "wall clock set":
                time.time = lambda: _wall_s() + 86_400.0

    def finish(self) -> None:
        meter = self.meter
        match self.fault:
            case "cable pulled, same name" | "cable pulled, other name":
                meter.plug()
                self.link()
            case "wrong speed" | "half frames":
                meter.garble(None)
                self.spare_next()
            case "wall clock set":
                time.time = _wall_s
            case "meter sleeps" | "suspend and resume":
                meter.wake()
            case "function changed":
                meter.display.function, meter.display.quantity = Function.AC, "V"
                meter.instrument.function = Function.AC
            case "hold pressed":
                meter.display.held = False

    def intrude(self) -> None:
        """Another program opens the port, ignoring locks, and takes some bytes."""
        try:
            other = os.open(self.meter.port, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
        except OSError:
            return  # refused: the port is opened for one program alone
        try:
            os.read(other, 1000)
        except OSError:
            pass
        finally:
            os.close(other)

    # The port has the same name each time it comes back, or another one.

    def link(self) -> None:
        if self.fault == "cable pulled, other name":
            self.name = self.folder / f"meter-{self.rng.random()}"
        self.name.unlink(missing_ok=True)
        self.name.symlink_to(self.meter.port)

    def address(self) -> Address:
        found = parse_address(self.meter.address)
        return replace(found, port=str(self.name))

    def spare_next(self) -> None:
        """The next reading runs into rubbish without a line end: the fault has it too."""
        self.spared.append((self.now_s() - 0.05, self.now_s() + 1.5 / RATE_HZ))

    def close_window(self) -> None:
        """From here on, what is sent is not expected to arrive."""
        if self.windows and len(self.windows[-1]) == 1:
            self.windows[-1].append(self.now_s())

    def run(self) -> Outcome:
        """Do the test; everything that went wrong is in the outcome."""
        with tempfile.TemporaryDirectory() as folder:
            self.folder = Path(folder)
            self.name = self.folder / "meter"
            self.link()
            try:
                self._run(self.folder / "visit.jsonl")
            except Exception as error:  # noqa: BLE001 (a trial records whatever happens)
                self.outcome.traceback = repr(error)
            finally:
                self._close()
        return self.outcome

    def _close(self) -> None:
        begin_s = time.monotonic()
        if self.session is not None:
            self.session.close()
        self.meter.close()
        self.outcome.hung |= time.monotonic() - begin_s > HANG_S

    def _run(self, capture: Path) -> None:
        address = self.address()
        finder = _Elsewhere(address, lambda: str(self.name))
        self.session = LiveSession(address, capture, clock=self.now_s, finder=finder)
        zero_s = self.now_s() - self.session.now_s()
        events = self._do_test(self.session, zero_s)
        self.close_window()
        self._close()
        events += [event for event in self.session.poll(0) if not isinstance(event, Notice)]
        self._judge(capture, events, zero_s)

    def _do_test(self, session: LiveSession, zero_s: float) -> list[Reading | Mark]:
        rng = self.rng
        session.mark("test", hookup="neutral-ground", lead_a="Desk", load_at="Desk")
        guard = TestValidity(session.now_s())
        fault_s = rng.uniform(1.0, OFF_S)
        over_s = fault_s + rng.choice((1.0, 3.0, 8.0))
        steps: list[tuple[float, Callable[[], None]]] = [
            (ON_S, lambda: session.mark("load-on")),
            (ON_S + rng.uniform(-0.5, 2.5), lambda: setattr(self, "load", True)),
            (OFF_S, lambda: session.mark("load-off")),
            (OFF_S + rng.uniform(-0.5, 2.5), lambda: setattr(self, "load", False)),
            (END_S, lambda: session.mark("end")),
            (fault_s, self.begin),
            (over_s, self.finish),
        ]
        steps.sort(key=lambda step: step[0])
        events: list[Reading | Mark] = []
        began_s = session.now_s()
        while steps:
            while steps and session.now_s() - self.jump_s - began_s >= steps[0][0]:
                steps.pop(0)[1]()
            called_s = time.monotonic()
            found = session.poll(0.02)
            self.outcome.hung |= time.monotonic() - called_s > HANG_S
            for event in found:
                guard.take(event)
                if isinstance(event, Notice):
                    self.outcome.told.append(str(event.kind))
                else:
                    events.append(event)
                    self._follow_link(event, zero_s)
            guard.time_passed(session.now_s())
            if guard.reason is not None and not self.outcome.void:
                self.outcome.void = guard.reason
                session.mark("void", guard.reason)
                steps = []
        return events

    def _follow_link(self, event: Reading | Mark, zero_s: float) -> None:
        if not isinstance(event, Mark):
            return
        if event.kind == "link-open":
            # The first line after opening may be half a line; it is passed over.
            self.windows.append([zero_s + event.t_s + 0.25 + 1.5 / RATE_HZ])
        elif event.kind == "link-lost":
            self.close_window()

    def _judge(self, capture: Path, events: list[Reading | Mark], zero_s: float) -> None:
        del zero_s
        outcome = self.outcome
        with CaptureReader(capture) as reader:
            again = list(replay(reader))
        outcome.damaged = reader.damaged_count + len(reader.warnings)
        if again != events:
            outcome.damaged += 1
        outcome.lost = self._lost(events)
        live, replayed = (list(completed_tests(iter(e), CIRCUIT)) for e in (events, again))
        if live != replayed:
            outcome.wrong = "live and replay differ"
        outcome.result = "void" if outcome.void else "none"
        for test in live:
            outcome.result = str(test.measurement.verdict)
            outcome.wrong = outcome.wrong or self._wrong(test)

    def _lost(self, events: list[Reading | Mark]) -> int:
        if self.fault == "another program":
            return 0  # bytes that another program took were never this one's
        expected: Counter[bytes] = Counter()
        for window in self.windows:
            start_s, stop_s = window[0], window[1] if len(window) > 1 else window[0]
            expected.update(
                data.strip(b"\r\n")
                for at_s, data in self.sent
                if start_s <= at_s < stop_s - IN_FLIGHT_S and not self._is_spared(at_s)
            )
        came = Counter(event.raw for event in events if isinstance(event, Reading))
        return (expected - came).total()

    def _is_spared(self, at_s: float) -> bool:
        return any(first <= at_s < last for first, last in self.spared)

    def _wrong(self, test: CompletedTest) -> str:
        """Whether the row says something that is not so."""
        row, drop_mv = test.measurement, self.drop_v * 1e3
        if row.verdict is Verdict.IN_PATH and drop_mv == 0:
            return f"in-path without a drop: {row}"
        if row.verdict is Verdict.NOT_IN_PATH and drop_mv > 0:
            return f"not-in-path with {drop_mv} mV: {row}"
        if row.verdict is not Verdict.IN_PATH or row.drop_mv is None or row.drop_u_mv is None:
            return ""
        if abs(row.drop_mv - drop_mv) > 4 * row.drop_u_mv:
            return f"drop {row.drop_mv} ± {row.drop_u_mv} instead of {drop_mv}: {row}"
        return ""


FAULTS = (
    "none",
    "cable pulled, same name",
    "cable pulled, other name",
    "cable pulled for good",
    "garbage",
    "wrong speed",
    "half frames",
    "meter sleeps",
    "meter off for good",
    "function changed",
    "range changes",
    "hold pressed",
    "another program",
    "suspend and resume",
    "wall clock set",
    "ten thousand a second",
    "one in five seconds",
)
DRIVERS = ("lines", "segments", "scpi")


def run_trial(fault: str, driver: str, seed: int) -> Outcome:
    """Do one trial; also what goes wrong in another thread is recorded."""
    return Trial(fault, driver, seed).run()


def run_trials(trials: list[tuple[str, str, int]], workers: int = 4) -> list[Outcome]:
    """Do trials side by side."""
    from concurrent.futures import ThreadPoolExecutor

    loose: list[str] = []
    before = threading.excepthook
    threading.excepthook = lambda args: loose.append(f"{args.exc_type}: {args.exc_value}")
    try:
        with ThreadPoolExecutor(workers) as pool:
            outcomes = list(pool.map(lambda trial: run_trial(*trial), trials))
    finally:
        threading.excepthook = before
    if loose:
        outcomes.append(Outcome("in a thread", traceback="; ".join(loose)))
    return outcomes
