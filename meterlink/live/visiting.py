"""Runs a guided visit: a live meter, the log, keys and screens around ``meterlink.visit.loop``.

One thread owns the visit: it takes what the meter's thread left, keys from terminal and page, and
what the thinking thread worked out, and carries out what the visit asks for.
"""

import threading
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime
from typing import Protocol

from drivers.address import Address
from drivers.closing import Closing
from drivers.errors import CaptureError, DriverError
from drivers.events import Mark
from drivers.readings import Reading
from meterlink.circuit.job import Job
from meterlink.errors import LogError, UsageError
from meterlink.levels.visit_split import CompletedTest
from meterlink.live.session import LiveSession
from meterlink.live.visit_recording import VisitRecording
from meterlink.page.hub import Hub, Press
from meterlink.plan.next_test import Goal
from meterlink.testlog.findings import read_findings
from meterlink.testlog.log import TestLog
from meterlink.testlog.measured import measured_row
from meterlink.testlog.rows import Source, TestRow
from meterlink.testlog.withdrawn import withdraw, withdrawn_tests
from meterlink.visit.keyboard import Typed, own_setup, places
from meterlink.visit.loop import Visit
from meterlink.visit.notices import Notice
from meterlink.visit.planning import Outlook, look_ahead
from meterlink.visit.requests import LogTest, Record, Request, SetMark, Think, Withdraw
from meterlink.visit.view import Key, VisitStage, Word

POLL_S = 0.05
_LAST_LOOK_S = 0.3


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
    """A visit to a job with a live meter. Close it, or use it in a ``with`` statement.

    Args:
        job: The circuit and its folder.
        log: Its log, open.
        address: Of the meter.
        surface: Where a person sees and answers.
        rows: The log so far.
        goal: Order of all, or the first only.
        not_now: Receptacles that cannot be got at.
        hub: Of the page, where there is one.
        speed: How many times faster than the wall clock time runs; for simulated meters only.

    Attributes:
        visit: The state machine.
        rows: The log.
        latest: What was worked out last.

    Raises:
        DriverError: The meter cannot be opened, or the recording not be begun.
    """

    def __init__(
        self,
        job: Job,
        log: TestLog,
        address: Address,
        surface: Surface,
        *,
        rows: Sequence[TestRow] = (),
        goal: Goal = Goal.ORDER,
        not_now: frozenset[str] = frozenset(),
        hub: Hub | None = None,
        speed: float = 1.0,
    ) -> None:
        self._job = job
        self._log = log
        self._surface = surface
        self._goal = goal
        self._hub = hub
        self._thinker = ThreadPoolExecutor(1, "thinking")
        self._thought: Future[Outlook] | None = None
        self._made: dict[CompletedTest, TestRow] = {}
        self.rows = list(rows)
        self.latest: Outlook | None = None
        last = self.rows[-1].setup if self.rows else None
        self.visit = Visit(job.circuit, number=log.next_test, last=last, not_now=not_now)
        self._recording = VisitRecording(job, address, speed=speed)

    @property
    def session(self) -> LiveSession:
        """The meter in use, with its recording."""
        return self._recording.session

    def close(self) -> None:
        """Give the meter back and end the recording."""
        self._recording.close()
        self._thinker.shutdown(wait=True, cancel_futures=True)

    def run(self) -> bool:
        """Go on until the visit is stopped.

        Returns:
            Whether it was Ctrl-C, not a key, that stopped it.

        Raises:
            MeterlinkError: The log cannot be made sense of.
        """
        stopping = 0
        while self.visit.view.stage is not VisitStage.STOPPED:
            try:
                self._turn()
            except KeyboardInterrupt:
                stopping += 1
                self.visit.press(Key.STOP)
                if stopping > 1:
                    break
        if self._hub is not None:  # viewers are told before the server goes
            threading.Event().wait(_LAST_LOOK_S)
        return stopping > 0

    def _turn(self) -> None:
        """One turn of the loop: a twentieth of a second, or less when something comes."""
        for event in self.session.poll(POLL_S):
            self.visit.take(event)
            self._surface.event(event)
            self._trace(event)
        for typed in self._surface.typed():
            self._obey(typed)
        for press in self._hub.presses() if self._hub else ():
            self._answer(press)
        if self._thought is not None and self._thought.done():
            self.latest, self._thought = self._thought.result(), None
            self._surface.outlook(self.latest)
            self.visit.planned(self.latest)
        for request in self.visit.advance(self.session.now_s()):
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
        elif press.step == self.visit.view.step:
            self._obey(Typed(press.key, press.text), by_number=True)

    def _obey(self, typed: Typed, *, by_number: bool = False) -> None:
        """What was typed; with ``by_number`` receptacles are named by their numbers only."""
        names = self._job.circuit.receptacles
        try:
            match typed.what:
                case Word.CHOOSE:
                    if not self.visit.choose(own_setup(typed.text, names, by_number=by_number)):
                        self._surface.say("Another test can be chosen before the load is on.")
                case Word.NOT_NOW:
                    self._leave_out(places(typed.text, names, by_number=by_number))
                case Word():
                    self._surface.word(typed.what, self.latest)
                case Key():
                    self.visit.press(typed.what, typed.text)
        except UsageError as error:
            self._surface.say(str(error))

    def _leave_out(self, names: frozenset[str]) -> None:
        """Receptacles that cannot be got at, or can again."""
        away = self.visit.not_now ^ names
        if self.visit.leave_out(away):
            self._surface.say(f"Left out for now: {', '.join(sorted(away)) or 'none'}.")
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
                self._leave_withdrawn_out()
                self._thought = self._thinker.submit(
                    look_ahead,
                    self._job.circuit,
                    tuple(self.rows),
                    read_findings(self._job.folder, lambda _: None),
                    last=request.last,
                    goal=self._goal,
                    not_now=request.not_now,
                )
            case Record():
                self._record()

    def _mark(self, request: SetMark) -> None:
        try:
            self._recording.mark(request)
        except CaptureError as error:
            self.visit.recording_failed(str(error))

    def _append(self, done: CompletedTest) -> None:
        """Log a test; its row is made once, while its recording is the one that runs."""
        if done not in self._made:
            self._made[done] = measured_row(
                done,
                started=self.session.started,
                amps=self._job.circuit.load_amps,
                source=Source.LIVE,
                capture=self._recording.name,
            )
        try:
            row = self._log.append(self._made[done], digest=self._recording.digest(done.started_s))
        except LogError as error:
            self.visit.not_logged(str(error))
            return
        del self._made[done]
        self.rows.append(row)
        self._surface.row(row)
        self.visit.logged(row)

    def _leave_withdrawn_out(self) -> None:
        """Tests that were taken back meanwhile, by the same command elsewhere, count no more."""
        with suppress(LogError):
            away = withdrawn_tests(self._job.folder)
            for test in [row.test for row in self.rows if row.test in away]:
                self._surface.say(f"Test {test} was taken back elsewhere; it counts no more.")
            self.rows = [row for row in self.rows if row.test not in away]

    def _withdraw(self, test: int) -> None:
        try:
            withdraw(self._job.folder, test, datetime.now(UTC), "taken back in the visit")
        except LogError as error:
            self._surface.say(str(error))
            return
        self.rows = [row for row in self.rows if row.test != test]
        self._surface.say(f"Test {test} counts no more; it stays in the log.")
        self.visit.withdrawn(test)

    def _record(self) -> None:
        """Go on recording, or say why not."""
        before = self._recording.session
        try:
            self._recording.go_on()
        except DriverError as error:
            self.visit.recording_failed(str(error))
            return
        if self._recording.session is not before:
            self._surface.say(f"Recording to {self._recording.session.capture}.")
        self.visit.recording()
