"""Runs a guided visit: a meter, the log, keys and screens around ``meterlink.visit.loop``.

One thread owns the visit: it takes what the meter's thread left, keys from terminal and page, and
what the thinking thread worked out, and carries out what the visit asks for. Signals only ask it to
stop: nothing is broken off half way, and ``ENDS_WITHIN_S`` later it is over in any case.
"""

import threading
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime
from typing import Protocol

from drivers.address import Address
from drivers.closing import Closing
from drivers.errors import CaptureError, DriverError
from drivers.events import Mark
from drivers.links import steady_s
from drivers.readings import Function, Reading
from drivers.scpi_source import ScpiSource
from meterlink.circuit.job import Job
from meterlink.circuit.setup import Hookup, made_setup
from meterlink.errors import LogError, UsageError
from meterlink.levels.steady import DeadDetector
from meterlink.levels.visit_split import CompletedTest
from meterlink.live.session import LiveSession
from meterlink.live.terminal import StopSignals
from meterlink.live.thinking import Thinking
from meterlink.live.visit_recording import VisitRecording
from meterlink.page.hub import Hub, Press, papers_of
from meterlink.plan.questions import Question
from meterlink.testlog.dead_rows import coarse_step
from meterlink.testlog.findings import read_findings, withdraw, withdrawn_tests
from meterlink.testlog.from_capture import measured_row
from meterlink.testlog.log import TestLog
from meterlink.testlog.rows import Source, TestRow
from meterlink.visit.keyboard import Typed, own_setup, places
from meterlink.visit.loop import Visit
from meterlink.visit.notices import Notice
from meterlink.visit.planning import Outlook, look_ahead
from meterlink.visit.state import (
    CHANGING,
    LetFlow,
    LogTest,
    Record,
    Request,
    SetMark,
    Think,
    TypedTest,
    Withdraw,
)
from meterlink.visit.typed_levels import typed_levels, typed_row
from meterlink.visit.view import Key, Word

POLL_S = 0.05
NULL_S = 60.0  # for a person to press the tips of the leads together
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

    def word(self, word: Word, outlook: Outlook | None) -> None:
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
        source: Lets a direct current on in tests of the dead circuit; it is closed by its owner.

    Attributes:
        visit: The state machine.
        rows: The log.
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
        question: Question = Question(),  # noqa: B008 (frozen)
        not_now: frozenset[str] = frozenset(),
        hub: Hub | None = None,
        speed: float = 1.0,
        rhythm: bool = False,
        hookups: Sequence[Hookup] | None = None,
        source: ScpiSource | None = None,
    ) -> None:
        self._hookups = hookups
        self._source = source
        self._source_seen_s = 0.0
        self._job = job
        self._log = log
        self._surface = surface
        self._question = question
        self._hub = hub
        self._thinking = Thinking()
        if hub is not None:
            hub.hurry(speed)
        self._made: dict[CompletedTest, TestRow] = {}
        self.was_interrupted = False
        self._looked_s = 0.0
        self._zero_s = steady_s()
        self.rows = list(rows)
        self.latest: Outlook | None = None
        ohms = bool(hookups) and all(hookup.ohms for hookup in hookups or ())
        wanted = Function.OHM if ohms else Function.DC if job.circuit.signed else Function.AC
        self._recording = (
            VisitRecording(job, address, speed=speed, wanted=wanted) if address else None
        )
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
        )

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
        self._null_leads()
        with StopSignals() as signals:
            while not self.visit.is_stopped and steady_s() < ends_s and signals.count < 2:
                if signals.count and ends_s == float("inf"):
                    ends_s = steady_s() + ENDS_WITHIN_S
                    self.visit.stop()
                self._turn()
            self.was_interrupted = signals.count > 0
            if self._hub is not None and not self.was_interrupted:  # told before it goes
                threading.Event().wait(_LAST_LOOK_S)
        return self.visit.is_whole

    def _null_leads(self) -> None:
        """Read the leads of a two-wire ohmmeter by themselves, so that they are taken off."""
        session = self.session
        if session is None or not self._nulls:
            return
        self._surface.say("Press the tips of the leads together: their resistance is read first.")
        session.mark("null")
        leads = DeadDetector(made_setup(Hookup.PATH_RESISTANCE, "the leads"), self.now_s())
        until_s = self.now_s() + NULL_S
        progress = leads.progress()
        while not progress.enough and self.now_s() < until_s:
            for event in session.poll(POLL_S):
                self.visit.take(event)
                if isinstance(event, Reading):
                    leads.add(event)
            progress = leads.progress()
        session.mark("end")
        if progress.enough and progress.idle_mv is not None:
            self._surface.say(f"The leads have {progress.idle_mv:.1f} mohm; it is taken off.")
        else:
            self._surface.say("No steady reading: null the leads at the meter.")
        step = leads.last.resolution_ohm if leads.last is not None else None
        if step and (coarse := coarse_step(step, self._job.circuit)):
            self._surface.say(coarse)

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
            self._obey(typed)
        for press in self._hub.presses() if self._hub else ():
            self._answer(press)
        outlook = self._thinking.answer()
        if outlook is not None:
            self.latest = outlook
            self._surface.outlook(outlook)
            self.visit.planned(outlook)
            self._hand_over(outlook)
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

    def _answer(self, press: Press) -> None:
        """A press on the page; one that comes late means nothing any more."""
        if isinstance(press.key, Key):
            self.visit.press(press.key, press.text, press.step)
        elif press.step == self.visit.view.step or press.key in (Word.UNDO, Word.RHYTHM):
            self._obey(Typed(press.key, press.text), by_number=True)

    def _obey(self, typed: Typed, *, by_number: bool = False) -> None:
        """What was typed; with ``by_number`` receptacles are named by their numbers only."""
        names = self._job.circuit.receptacles
        try:
            match typed.what:
                case Word.CHOOSE:
                    if not self.visit.choose(own_setup(typed.text, names, by_number=by_number)):
                        self._surface.say("Another test can be picked before the load is on.")
                case Word.NOT_NOW:
                    self._leave_out(places(typed.text, names, by_number=by_number))
                case Word.UNDO:
                    self._undo(typed.text)
                case Word.RHYTHM:
                    self.visit.set_rhythm(on=not self.visit.view.rhythm)
                case Word.IDLE | Word.ON | Word.LEVELS:
                    self._type(typed)
                case Word():
                    self._surface.word(typed.what, self.latest)
                case Key.STOP if typed.blind:
                    self.visit.stop()
                case Key():
                    self.visit.press(typed.what, typed.text, blind=typed.blind)
        except UsageError as error:
            self._surface.say(str(error))

    def _type(self, typed: Typed) -> None:
        """Levels that were typed: one of them, or both."""
        setup = self.visit.setup
        if setup is None or self.visit.view.typed is None:
            self._surface.say("No reading is wanted now.")
            return
        values = typed_levels(typed.text, setup.hookup)
        if typed.what is Word.LEVELS and len(values) == 2:
            meant = self.visit.type_levels(values[0], values[1])
        elif len(values) == 2:
            raise UsageError("One reading goes with that word.")
        elif typed.what is Word.ON or self.visit.view.typed.word is Word.ON:
            meant = self.visit.type_levels(None, values[0])
        else:
            meant = self.visit.type_levels(values[0], None)
        if not meant:
            self._surface.say("Type the reading without load first.")

    def _undo(self, text: str) -> None:
        digits = text.strip().removeprefix("#")
        if not (digits.isascii() and digits.isdigit()) or not self.visit.undo(int(digits[:9])):
            raise UsageError(f"Test {text[:20]!r} cannot be undone now: name one of the log.")

    def _hand_over(self, outlook: Outlook) -> None:
        """Give the phone map, report and label; they are made in a thread of their own."""
        if self._hub is not None and outlook.known is not None and self.rows:
            hub, known, rows = self._hub, outlook.known, tuple(self.rows)
            self._thinking.do(lambda: hub.keep(papers_of(self._job, rows, known)))

    def _leave_out(self, names: frozenset[str]) -> None:
        """Receptacles that cannot be reached, or can again."""
        away = self.visit.not_now ^ names
        if self.visit.leave_out(away):
            self._surface.say(f"Skipped for now: {', '.join(sorted(away)) or 'none'}.")
        else:
            self._surface.say("That can be said when the leads are asked for.")

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
        if self._source is None:
            return
        self._mark(SetMark("source", CHANGING))
        try:
            if sign:
                amps = self._source.on(sign).amps
            else:
                self._source.off()
                amps = 0.0
        except DriverError as error:
            self._source_failed(error)
            return
        self._source_seen_s = steady_s()
        self._mark(SetMark("source", f"{amps:.5f}"))

    def _look_at_source(self) -> None:
        """Once in a while: whether the source still gives what it should."""
        source = self._source
        is_due = steady_s() - self._source_seen_s > _LOOK_AT_FILES_S
        if source is None or not source.is_on or not is_due:
            return
        self._source_seen_s = steady_s()
        try:
            source.output()
        except DriverError as error:
            self._source_failed(error)

    def _source_failed(self, error: DriverError) -> None:
        self._surface.say(str(error))
        self.visit.source_failed(str(error))

    def _think(self, request: Think) -> None:
        circuit, rows, question = self._job.circuit, tuple(self.rows), self._question
        findings = read_findings(self._job.folder, lambda _: None)
        is_typed, hookups = self._recording is None, self._hookups
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
        """Log a test; its row is made once, while its recording is the one that runs."""
        try:
            row = self._typed(done) if isinstance(done, TypedTest) else self._measured(done)
        except UsageError as error:
            self.visit.refused(str(error))
            return
        except LogError as error:
            self.visit.not_logged(str(error))
            return
        self.rows.append(row)
        self._surface.row(row)
        self.visit.logged(row)

    def _typed(self, done: TypedTest) -> TestRow:
        return self._log.append(typed_row(done, self._job.circuit, datetime.now().astimezone()))

    def _measured(self, done: CompletedTest) -> TestRow:
        recording = self._recording
        if recording is None:
            raise LogError("No recording runs.")
        if done not in self._made:
            self._made[done] = measured_row(
                done,
                started=recording.session.started,
                amps=self._job.circuit.load_amps,
                source=Source.LIVE,
                capture=recording.name,
            )
        row = self._log.append(self._made[done], digest=recording.digest(done.started_s))
        del self._made[done]
        return row

    def _look_at_files(self) -> None:
        """Once in a while: what another terminal took back."""
        now_s = steady_s()
        if now_s - self._looked_s > _LOOK_AT_FILES_S:
            self._looked_s = now_s
            self._look_at_withdrawn()

    def _look_at_withdrawn(self) -> None:
        """Tests that were undone meanwhile, by another command, count no more."""
        with suppress(LogError):
            away = withdrawn_tests(self._job.folder)
            gone = [row.test for row in self.rows if row.test in away]
            self.rows = [row for row in self.rows if row.test not in away]
            for test in gone:
                self._surface.say(f"Test {test} was removed elsewhere; it does not count.")
                self.visit.withdrawn(test)

    def _withdraw(self, test: int) -> None:
        try:
            withdraw(self._job.folder, test, datetime.now(UTC), "taken back in the visit")
        except LogError as error:
            self._surface.say(str(error))
            return
        self.rows = [row for row in self.rows if row.test != test]
        self._surface.say(f"Test {test} is removed; it stays in the log and does not count.")
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
