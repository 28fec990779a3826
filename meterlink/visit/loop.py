"""The guided visit as a state machine: facts and keys in, requests and a view out. No I/O.

Whoever runs it tells it what happened (``take``, ``press``, ``logged`` ...), calls ``advance`` with
the time, carries out the requests that it returns, and shows ``view``. A mark that is asked for
counts when it comes back among the readings, so that live use and a replay of the recording measure
the same test. A test that was done is asked to be logged until it is, and never twice.

The way of a test::

    THINKING -> SET_UP -> BEGINNING -> RUNNING -> ENDING -> LOGGING -> THINKING ... -> SETTLED
                  ^                       |          |
                  +---- repeat, discard, fault ------+

The trace says when the load came on and went off; the keys for that are there for what it cannot
show. Where no jump comes, a person says that the load did run. Nothing but a person ends a test
that did not come to its answer. Where readings are typed there is no mark and no trace: SET_UP
leads to LOGGING, by one level or two.
"""

from collections.abc import Iterable

from drivers.readings import Function, Mark, Reading
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels.progress import Progress
from meterlink.levels.visit_split import TestSplitter
from meterlink.testlog.columns import TestRow
from meterlink.visit.notices import Faults, Notice, NoticeKind, TestValidity
from meterlink.visit.planning import Outlook
from meterlink.visit.showing import view_of
from meterlink.visit.state import (
    LogTest,
    Phase,
    Record,
    Request,
    RunningTest,
    State,
    TypedTest,
    Withdraw,
)
from meterlink.visit.steps import (
    Steps,
    begin_again,
    begin_dead,
    follow,
    meter_lost,
    source_changed,
    source_failed,
    switched,
)
from meterlink.visit.typed_levels import log_typed, take_typed
from meterlink.visit.view import Key, Sound, VisitView

_BLIND = (NoticeKind.LOST, NoticeKind.SILENT)  # nobody sees what a current does any more
OWN_CHOICE = "You picked this test."


class Visit:
    """One visit to a circuit.

    Args:
        circuit: What is known of it.
        number: Of the next row in the log.
        rows: What is in the log.
        last: Setup of the last test that was logged; leads may have been moved since.
        not_now: Receptacles that nobody can reach.
        is_typed: Readings are typed; nothing is recorded.
        rhythm: Call out when to switch.
        wanted: Function that the meter should be on; by default the one of the circuit's load.
        source_reverses: A supply lets the current on by itself, and can turn it or not; ``None``
            where there is none.
        four_wire: The ohmmeter has four wires.
        hookups: Those that can be done; by default all that the live circuit allows.

    Attributes:
        view: What to show.
    """

    def __init__(
        self,
        circuit: Circuit,
        *,
        number: int,
        rows: Iterable[TestRow] = (),
        last: Setup | None = None,
        not_now: frozenset[str] = frozenset(),
        is_typed: bool = False,
        rhythm: bool = False,
        wanted: Function | None = None,
        source_reverses: bool | None = None,
        four_wire: bool = False,
        hookups: tuple[Hookup, ...] = (),
    ) -> None:
        self._wanted = wanted or (Function.DC if circuit.signed else Function.AC)
        self._splitter = TestSplitter(circuit, four_wire=four_wire)
        self._state = State(
            circuit,
            number,
            Faults(self._wanted),
            is_typed=is_typed,
            last=last,
            not_now=not_now,
            rows=list(rows),
            rhythm=rhythm,
            source_reverses=source_reverses,
            hookups=hookups,
        )
        self._steps = Steps(self._state)
        self._is_new = False
        if is_typed:
            self._steps.think()
        else:
            self._steps.ask(Record())
        self.view: VisitView = view_of(self._state, None)

    @property
    def setup(self) -> Setup | None:
        """Setup of the test that is asked for or runs."""
        return self._state.setup

    @property
    def number(self) -> int:
        """Number that the test which is asked for, or runs, gets in the log."""
        return self._state.number

    @property
    def progress(self) -> Progress | None:
        """How the test that runs stands."""
        return self._state.test.progress if self._state.test is not None else None

    @property
    def is_certain(self) -> bool:
        """The load has told what it can: it may go off."""
        return self._state.test is not None and self._state.test.is_certain

    @property
    def is_stopped(self) -> bool:
        """The visit is over."""
        return self._state.phase is Phase.STOPPED

    @property
    def is_whole(self) -> bool:
        """Everything that was done is in the log, and could be recorded."""
        return not self._state.unlogged and not self._state.trouble

    @property
    def not_now(self) -> frozenset[str]:
        """Receptacles that cannot be reached."""
        return self._state.not_now

    # -- facts --------------------------------------------------------------------------------

    def recording(self) -> None:
        """A recording runs, the first or a new one; its time begins at zero."""
        state = self._state
        if state.phase is Phase.HALTED:
            state.trouble = ""
            state.faults.begin()
            state.reading, state.now_s = None, 0.0
            self._steps.think()

    def recording_failed(self, reason: str) -> None:
        """The recording cannot be written, or not be begun. The open test is lost to it.

        The meter goes on; the visit asks for a new recording until it gets one.
        """
        state = self._state
        if state.phase is Phase.STOPPED:
            return
        self._splitter.take(Mark(state.now_s, "void"))
        self._steps.halt(reason)

    def take(self, event: Reading | Mark | Notice) -> None:
        """An event of the session, in its order."""
        state = self._state
        state.now_s = max(state.now_s, event.t_s)
        if state.test is not None:
            state.test.validity.take(event)
        if isinstance(event, Notice):
            self._take_notice(event)
            return
        done = self._splitter.take(event)
        if done is not None:
            self._steps.log(done)
        if isinstance(event, Reading):
            state.reading, self._is_new = event, True
            state.faults.reading(event)
        else:
            self._take_mark(event)

    def planned(self, outlook: Outlook) -> None:
        """The answer to ``Think``."""
        state = self._state
        state.outlook = outlook
        if state.phase is not Phase.THINKING:
            return
        if outlook.settled:
            state.phase, state.setup = Phase.SETTLED, None
            state.ring(Sound.DONE)
        elif outlook.setup is None:
            state.phase, state.setup, state.why = Phase.SET_UP, None, outlook.why
        else:
            self._steps.ask_for(outlook.setup, outlook.why)

    def logged(self, row: TestRow) -> None:
        """The answer to ``LogTest``: the row is on the disk."""
        state = self._state
        if not state.unlogged:
            return
        state.unlogged.popleft()
        state.rows.append(row)
        state.row, state.last, state.number = row, row.setup, row.test + 1
        state.trouble = "" if state.phase is not Phase.HALTED else state.trouble
        if state.unlogged:
            self._steps.ask(LogTest(state.unlogged[0]))
        elif state.phase is Phase.LOGGING:
            state.leads_placed = True
            state.ring(Sound.DONE)
            self._steps.think()

    def not_logged(self, reason: str) -> None:
        """The answer to ``LogTest``: it could not be written. It is asked for again."""
        self._state.trouble = reason
        self._steps.retry_later()

    def source_failed(self, reason: str) -> None:
        """The answer to ``LetFlow``, or news: the source limits, dropped out, is silent."""
        source_failed(self._steps, reason)

    def refused(self, reason: str) -> None:
        """The answer to ``LogTest`` where what was typed makes no sense: it is asked for again."""
        state = self._state
        state.unlogged.popleft()
        state.void = reason
        if state.phase is Phase.LOGGING:
            state.phase = Phase.SET_UP

    def withdrawn(self, test: int) -> None:
        """A test does not count, whoever removed it: the answer to ``Withdraw``, or news."""
        state = self._state
        if test in state.away:
            return
        state.away.add(test)
        if state.row is not None and state.row.test == test:
            state.row = None
            state.leads_placed = False  # they may be what was wrong
        if state.phase in (Phase.SET_UP, Phase.SETTLED, Phase.THINKING):
            self._steps.think()

    # -- answers ------------------------------------------------------------------------------

    def press(
        self, key: Key, text: str = "", step: int | None = None, *, blind: bool = False
    ) -> bool:
        """A key was pressed.

        Args:
            key: Which.
            text: Of a note.
            step: That it answers, where that is known.
            blind: It was named, not hit: no finger can have slipped (a script).

        Returns:
            Whether the key meant something.
        """
        if not self.view.takes(key, step, blind=blind):
            return False
        if key is Key.NOTE:
            return self._steps.note(text)
        self._press(key)
        self._refresh()  # the step is over: a second press of the same key means nothing
        return True

    def stop(self) -> None:
        """End the visit as soon as no mark is on its way; a test that runs is discarded."""
        self._steps.stop()
        self._refresh()

    def choose(self, setup: Setup) -> bool:
        """The person wants another test than the one asked for.

        Returns:
            Whether that is possible now.
        """
        state = self._state
        if state.phase in (Phase.SET_UP, Phase.SETTLED):
            self._steps.ask_for(setup, OWN_CHOICE)
        elif state.phase is Phase.RUNNING and (state.test is None or state.test.on_s is None):
            state.setup, state.why = setup, OWN_CHOICE
            self._steps.discard("another test was chosen", Phase.SET_UP)
        else:
            return False
        self._refresh()
        return True

    def leave_out(self, names: frozenset[str]) -> bool:
        """Receptacles that cannot be reached from now on; returns whether that is possible now."""
        state = self._state
        if state.phase not in (Phase.SET_UP, Phase.SETTLED):
            return False
        state.not_now = names
        self._steps.think()
        self._refresh()
        return True

    def undo(self, test: int) -> bool:
        """Remove a test of the log; returns whether there is such a one, and it can be now."""
        state = self._state
        there = any(row.test == test for row in state.rows) and test not in state.away
        if not there or state.phase not in (Phase.SET_UP, Phase.SETTLED, Phase.THINKING):
            return False
        self._steps.ask(Withdraw(test))
        return True

    def set_rhythm(self, *, on: bool) -> None:
        """Call out when to switch, or stop doing so."""
        self._state.rhythm = on
        self._refresh()

    def type_levels(self, idle: float | None, on: float | None, step: float | None = None) -> bool:
        """Typed readings, in mV or ohm; returns whether they mean something now.

        The level without load stays until the one with it comes. ``step`` is the weight in ohm of
        the last digit that was typed.
        """
        is_taken = take_typed(self._steps, idle, on, step)
        self._refresh()
        return is_taken

    def advance(self, now_s: float) -> list[Request]:
        """It is ``now_s`` (seconds of the recording): decide what follows from what happened.

        Returns:
            What is to be done, in order.
        """
        state = self._state
        state.now_s = max(state.now_s, now_s)
        if state.is_stopping:
            self._steps.stop()
        elif state.phase is Phase.RUNNING:
            follow(self._steps, self._news())
        self._steps.retry()
        self._refresh()
        return self._steps.handed_out()

    def _news(self) -> Progress | None:
        """How the test that runs stands, where something came since it was last asked for."""
        if not self._is_new or self._splitter.detector is None:
            return None
        self._is_new = False
        return self._splitter.detector.progress()

    def _press(self, key: Key) -> None:
        state = self._state
        match key:
            case Key.STOP:
                self._steps.stop()
            case Key.READY if state.phase is Phase.RUNNING:  # a fault spoiled the test
                self._steps.discard("a fault spoiled it", Phase.BEGINNING)
                state.void = ""
            case Key.READY:
                state.void = ""
                self._steps.begin()
            case Key.REPEAT | Key.VOID if state.phase is Phase.RUNNING:
                begin_again(self._steps, key)
            case Key.REPEAT if state.last is not None:
                self._steps.ask_for(state.last, f"Repeating test {state.last_number}.")
            case Key.VOID if state.odd is not None:
                state.odd = None
            case Key.VOID if state.row is not None:
                self._steps.ask(Withdraw(state.row.test))
            case Key.LOAD_ON | Key.LOAD_OFF | Key.NO_LOAD if state.test is not None:
                switched(self._steps, state.test, key)
            case Key.JUMP | Key.NO_JUMP if state.setup is not None:
                verdict = Verdict.IN_PATH if key is Key.JUMP else Verdict.NOT_IN_PATH
                log_typed(self._steps, TypedTest(state.setup, verdict=verdict))
            case Key.KEEP | Key.CORRECT if state.odd is not None:
                log_typed(self._steps, state.odd[key is Key.CORRECT])
            case _:
                return

    def _take_mark(self, mark: Mark) -> None:
        state = self._state
        if state.phase is Phase.HALTED:  # it was on its way when the recording broke off
            return
        if mark.kind == "test" and self._splitter.setup is not None:
            self._begun(mark, self._splitter.setup)
        elif mark.kind == "source":
            source_changed(self._steps, mark.text, mark.t_s)
        elif mark.kind == "void":
            self._steps.discarded()
        elif mark.kind == "end":
            self._steps.ended()
        self._is_new = True

    def _begun(self, mark: Mark, setup: Setup) -> None:
        """The mark of a test came back: it runs."""
        state = self._state
        cycles = state.outlook.cycles if state.outlook is not None else 1
        validity = TestValidity(mark.t_s, self._wanted)
        state.test = RunningTest(mark.t_s, validity, cycles, stands_s=mark.t_s)
        begin_dead(self._steps, state.test, setup)
        state.setup, state.void = setup, ""
        state.faults.begin()
        if state.phase is not Phase.STOPPED:
            state.phase, state.leads_placed = Phase.RUNNING, True

    def _take_notice(self, notice: Notice) -> None:
        if notice.kind is NoticeKind.RECORDING:
            self.recording_failed(notice.text)
        self._state.faults.notice(notice)
        if notice.kind in _BLIND:
            meter_lost(self._steps)

    def _refresh(self) -> None:
        self.view = view_of(self._state, self.view)
