"""Runs a guided visit: a meter, the log, keys and screens around ``meterlink.visit.loop``.

One thread owns the visit: it takes what the meter's thread left, keys from terminal and page, and
what the thinking thread worked out, and carries out what the visit asks for. Signals only ask it to
stop: nothing is broken off half way, and ``ENDS_WITHIN_S`` later it is over in any case.
"""

import queue
import threading
from collections.abc import Callable, Sequence
from typing import Protocol

from drivers.address import Address, steady_s
from drivers.closing import Closing
from drivers.errors import CaptureError, DriverError
from drivers.readings import Function, Mark, Reading
from drivers.scpi_source import ScpiSource
from meterlink.circuit.job import Job
from meterlink.circuit.setup import Hookup
from meterlink.errors import LogError, UsageError
from meterlink.levels.visit_split import CompletedTest
from meterlink.live.dead_circuit import POLL_S, VisitSource, null_leads
from meterlink.live.session import LiveSession
from meterlink.live.terminal import StopSignals
from meterlink.live.visit_commands import VisitCommands
from meterlink.live.visit_recording import VisitLog, VisitRecording
from meterlink.page.hub import Hub, papers_of
from meterlink.plan.questions import Question
from meterlink.testlog.columns import TestRow
from meterlink.testlog.findings import read_findings
from meterlink.testlog.log import TestLog
from meterlink.visit.keyboard import Typed
from meterlink.visit.loop import Visit
from meterlink.visit.notices import Notice
from meterlink.visit.planning import Outlook, look_ahead
from meterlink.visit.state import (
    LetFlow,
    LogTest,
    Record,
    Request,
    SetMark,
    Think,
    TypedTest,
    Withdraw,
)
from meterlink.visit.view import Command


class Thinking:
    """Works things out in a thread of its own, which never holds the program's end up.

    Attributes:
        failed: Why things that were to be done were not, a sentence each.
    """

    def __init__(self) -> None:
        self.failed: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._asked: queue.SimpleQueue[Callable[[], Outlook | None]] = queue.SimpleQueue()
        self._found: queue.SimpleQueue[Outlook | Exception] = queue.SimpleQueue()
        self._waiting = 0
        threading.Thread(target=self._run, name="thinking", daemon=True).start()

    def ask(self, work: Callable[[], Outlook]) -> None:
        """Have something worked out; what was asked before is not waited for any more."""
        self._waiting += 1
        self._asked.put(work)

    def do(self, work: Callable[[], None]) -> None:
        """Have something done after what was asked; it has no answer, and ends nothing."""

        def tried() -> None:
            try:
                work()
            except Exception as error:  # noqa: BLE001 (the visit is worth more than its papers)
                self.failed.put(f"{type(error).__name__}: {error}")

        self._asked.put(tried)

    def answer(self) -> Outlook | None:
        """The answer to the last question, once, when it is there.

        Raises:
            MeterlinkError: It could not be worked out.
        """
        while not self._found.empty():
            found = self._found.get()
            self._waiting -= 1
            if isinstance(found, Exception):
                raise found
            if self._waiting == 0:
                return found
        return None

    def _run(self) -> None:
        while True:
            work = self._asked.get()
            try:
                found = work()
                if found is not None:
                    self._found.put(found)
            except Exception as error:  # noqa: BLE001 (raised again in the visit's thread)
                self._found.put(error)


ENDS_WITHIN_S = 1.0  # after a signal, whatever is still on its way
_LAST_LOOK_S = 0.3
_LOOK_AT_FILES_S = 1.0


class Surface(Protocol):
    """Where a person, or a script, sees the visit and answers."""

    def typed(self) -> Sequence[Typed]:
        """What was typed since the last call."""

    def show(self, visit: Visit) -> None:
        """The view may have changed."""

    def event(self, event: Reading | Mark | Notice) -> None:
        """Something came from the meter."""

    def row(self, row: TestRow) -> None:
        """A test was logged."""

    def outlook(self, outlook: Outlook) -> None:
        """The map and the next test were worked out."""

    def say(self, text: str) -> None:
        """A sentence for the person."""

    def command(self, command: Command, outlook: Outlook | None) -> None:
        """A report, the isolation check or the map was asked for."""


class VisitRun(Closing):
    """A visit to a job, with a live meter or with typed readings. Close it, or use ``with``.

    Args:
        job: The circuit and its folder.
        log: Its log, open.
        address: Of the meter; ``None`` where readings are typed.
        surface: Where a person sees and answers.
        rows: The log so far.
        question: What the person wants to know.
        not_now: Receptacles that cannot be reached.
        hub: Of the page, where there is one.
        speed: How many times faster than the wall clock time runs; for simulated meters only.
        rhythm: Call out when to switch.
        hookups: Those that can be done; by default all that the circuit allows.
        side: Conductor to measure on the dead circuit.
        source: Lets a direct current on in tests of the dead circuit; it is closed by its owner.

    Attributes:
        visit: The state machine.
        latest: What was worked out last.
        was_interrupted: A signal, not a key, stopped the visit.

    Raises:
        DriverError: The meter cannot be opened, or the recording not be begun.
    """

    def __init__(
        self,
        job: Job,
        log: TestLog,
        address: Address | None,
        surface: Surface,
        *,
        rows: Sequence[TestRow] = (),
        question: Question = Question(),
        not_now: frozenset[str] = frozenset(),
        hub: Hub | None = None,
        speed: float = 1.0,
        rhythm: bool = False,
        hookups: Sequence[Hookup] | None = None,
        side: str = "neutral",
        source: ScpiSource | None = None,
    ) -> None:
        self._hookups = hookups
        self._side = side
        self._source = VisitSource(source, self._mark) if source else None
        self._job = job
        self._surface = surface
        self._question = question
        self._hub = hub
        self._thinking = Thinking()
        if hub is not None:
            hub.hurry(speed)
        self.was_interrupted = False
        self._looked_s = 0.0
        self._zero_s = steady_s()
        self.latest: Outlook | None = None
        ohms = bool(hookups) and all(hookup.ohms for hookup in hookups or ())
        wanted = Function.OHM if ohms else Function.DC if job.circuit.signed else Function.AC
        self._recording = (
            VisitRecording(job, address, speed=speed, wanted=wanted) if address else None
        )
        self._kept = VisitLog(job, log, rows, self._recording)
        settings = self._recording.session.meter.settings if self._recording else {}
        self._nulls = ohms and settings.get("wires") != 4
        self.visit = Visit(
            job.circuit,
            number=log.next_test,
            rows=self.rows,
            last=self.rows[-1].setup if self.rows else None,
            not_now=not_now,
            is_typed=address is None,
            rhythm=rhythm,
            wanted=wanted,
            source_reverses=source.reverses if source else None,
            four_wire=settings.get("wires") == 4,
            hookups=tuple(hookups or ()),
        )
        self._commands = VisitCommands(
            self.visit,
            job.circuit,
            surface.say,
            lambda command: surface.command(command, self.latest),
        )

    @property
    def rows(self) -> list[TestRow]:
        """The tests of the log that count."""
        return self._kept.rows

    @property
    def session(self) -> LiveSession | None:
        """The meter in use, with its recording; ``None`` where readings are typed."""
        return self._recording.session if self._recording else None

    def close(self) -> None:
        """Give the meter back and end the recording."""
        if self._recording is not None:
            self._recording.close()

    def run(self) -> bool:
        """Go on until the visit is stopped, by a key or a signal.

        Returns:
            Whether everything that was done is recorded and in the log.

        Raises:
            MeterlinkError: The log cannot be made sense of.
        """
        ends_s = float("inf")
        with StopSignals() as signals:
            if self.session is not None and self._nulls:
                circuit, say = self._job.circuit, self._surface.say
                null_leads(self.session, self.visit, circuit, say, lambda: signals.count > 0)
            while not self.visit.is_stopped and steady_s() < ends_s and signals.count < 2:
                if signals.count and ends_s == float("inf"):
                    ends_s = steady_s() + ENDS_WITHIN_S
                    self.visit.stop()
                self._turn()
            self.was_interrupted = signals.count > 0
            if self._hub is not None and not self.was_interrupted:  # told before it goes
                threading.Event().wait(_LAST_LOOK_S)
        return self.visit.is_whole

    def now_s(self) -> float:
        """Seconds of the recording, or of the visit where there is none."""
        session = self.session
        return session.now_s() if session is not None else steady_s() - self._zero_s

    def _turn(self) -> None:
        """One turn of the loop: a twentieth of a second, or less when something comes."""
        session = self.session
        if session is None:
            threading.Event().wait(POLL_S)
        for event in session.poll(POLL_S) if session else ():
            self.visit.take(event)
            self._surface.event(event)
            self._trace(event)
        for typed in self._surface.typed():
            self._commands.typed(typed)
        for press in self._hub.presses() if self._hub else ():
            self._commands.pressed(press)
        outlook = self._thinking.answer()
        if outlook is not None:
            self.latest = outlook
            self._surface.outlook(outlook)
            self.visit.planned(outlook)
            self._hand_over(outlook)
        while not self._thinking.failed.empty():
            why = self._thinking.failed.get()
            self._surface.say(f"Map and report could not be made for the phone: {why}.")
        self._look_at_files()
        self._look_at_source()
        for request in self.visit.advance(self.now_s()):
            self._carry_out(request)
        self._surface.show(self.visit)
        if self._hub is not None:
            self._hub.show(self.visit.view)

    def _trace(self, event: Reading | Mark | Notice) -> None:
        if self._hub is not None and isinstance(event, Reading) and event.volts is not None:
            self._hub.trace(event.t_s, 1e3 * event.volts)

    def _hand_over(self, outlook: Outlook) -> None:
        """Give the phone map, report and label; they are made in a thread of their own."""
        if self._hub is not None and outlook.known is not None and self.rows:
            hub, known, rows = self._hub, outlook.known, tuple(self.rows)
            self._thinking.do(lambda: hub.keep(papers_of(self._job, rows, known)))

    def _carry_out(self, request: Request) -> None:
        match request:
            case SetMark():
                self._mark(request)
            case LogTest():
                self._append(request.done)
            case Withdraw():
                self._withdraw(request.test)
            case Think():
                self._look_at_withdrawn()
                self._think(request)
            case Record():
                self._record()
            case LetFlow():
                self._let_flow(request.sign)

    def _let_flow(self, sign: int) -> None:
        """Have the source give a current, or none; what goes wrong leaves it off, and is said."""
        try:
            if self._source is not None:
                self._source.let_flow(sign)
        except DriverError as error:
            self._source_failed(error)

    def _look_at_source(self) -> None:
        try:
            if self._source is not None:
                self._source.look()
        except DriverError as error:
            self._source_failed(error)

    def _source_failed(self, error: DriverError) -> None:
        self._surface.say(str(error))
        self.visit.source_failed(str(error))

    def _think(self, request: Think) -> None:
        circuit, rows, question = self._job.circuit, tuple(self.rows), self._question
        findings = read_findings(self._job.folder, lambda _: None)
        is_typed, hookups, side = self._recording is None, self._hookups, self._side
        self._thinking.ask(
            lambda: look_ahead(
                circuit,
                rows,
                findings,
                last=request.last,
                question=question,
                not_now=request.not_now,
                is_typed=is_typed,
                hookups=hookups,
                side=side,
            )
        )

    def _mark(self, request: SetMark) -> None:
        if self._recording is None:  # a note, where nothing is recorded
            return
        try:
            self._recording.mark(request)
        except CaptureError as error:
            self.visit.recording_failed(str(error))

    def _append(self, done: CompletedTest | TypedTest) -> None:
        try:
            row = self._kept.append(done)
        except UsageError as error:
            self.visit.refused(str(error))
        except LogError as error:
            self.visit.not_logged(str(error))
        else:
            self._surface.row(row)
            self.visit.logged(row)

    def _look_at_files(self) -> None:
        """Once in a while: what another terminal removed."""
        now_s = steady_s()
        if now_s - self._looked_s > _LOOK_AT_FILES_S:
            self._looked_s = now_s
            self._look_at_withdrawn()

    def _look_at_withdrawn(self) -> None:
        """Tests that another command removed meanwhile do not count."""
        for test in self._kept.undone_elsewhere():
            self._surface.say(f"Test {test} was undone elsewhere; it does not count.")
            self.visit.withdrawn(test)

    def _withdraw(self, test: int) -> None:
        try:
            self._kept.remove(test)
        except LogError as error:
            self._surface.say(str(error))
            return
        self._surface.say(f"Test {test} is undone; it stays in the log and does not count.")
        self.visit.withdrawn(test)

    def _record(self) -> None:
        """Go on recording, or say why not."""
        if self._recording is None:
            return
        before = self._recording.session
        try:
            self._recording.go_on()
        except DriverError as error:
            self.visit.recording_failed(str(error))
            return
        if self._recording.session is not before:
            self._surface.say(f"Recording to {self._recording.session.capture}.")
        self.visit.recording()
