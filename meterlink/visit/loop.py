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

from drivers.events import Mark
from drivers.readings import Function, Reading
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Setup, Verdict
from meterlink.levels.progress import Progress
from meterlink.levels.visit_split import CompletedTest, TestSplitter
from meterlink.testlog.rows import TestRow
from meterlink.visit.dead import currents_of
from meterlink.visit.notices import Faults, Notice, NoticeKind, TestValidity
from meterlink.visit.phrases import same_leads
from meterlink.visit.planning import Outlook
from meterlink.visit.showing import view_of
from meterlink.visit.state import (
    CALL_S,
    CALLED_ON_S,
    CHANGING,
    LetFlow,
    LogTest,
    Phase,
    Record,
    Request,
    RunningTest,
    SetMark,
    State,
    Think,
    TypedTest,
    Withdraw,
)
from meterlink.visit.typed_levels import odd_value
from meterlink.visit.view import Key, Sound, VisitView

_BLIND = (NoticeKind.LOST, NoticeKind.SILENT)  # nobody sees what a current does any more
RETRY_S = 3.0  # between two tries to write what could not be written
MOST_NOTE = 500  # characters
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
        )
        self._requests: list[Request] = [] if is_typed else [Record()]
        self._retry_s = float("inf")
        self._after_void: Phase = Phase.SET_UP
        self._is_new = False
        if is_typed:
            self._think()
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
            self._think()

    def recording_failed(self, reason: str) -> None:
        """The recording cannot be written, or not be begun. The open test is lost to it.

        The meter goes on; the visit asks for a new recording until it gets one.
        """
        state = self._state
        if state.phase is Phase.STOPPED:
            return
        flows = state.test is not None and state.test.flows
        if state.test is not None:
            state.void = "The recording broke off in this test: do it again."
            state.leads_placed = False
        self._splitter.take(Mark(state.now_s, "void"))
        state.test = None
        state.trouble = reason
        state.phase = Phase.STOPPED if state.is_stopping else Phase.HALTED
        gone = SetMark | Record | LetFlow
        kept: list[Request] = [r for r in self._requests if not isinstance(r, gone)]
        self._requests = [LetFlow(0), *kept] if flows else kept
        self._retry_s = state.now_s + RETRY_S

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
            self._done(done)
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
            self._ask_for(outlook.setup, outlook.why)

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
            self._requests.append(LogTest(state.unlogged[0]))
        elif state.phase is Phase.LOGGING:
            state.leads_placed = True
            state.ring(Sound.DONE)
            self._think()

    def not_logged(self, reason: str) -> None:
        """The answer to ``LogTest``: it could not be written. It is asked for again."""
        self._state.trouble = reason
        self._retry_s = self._state.now_s + RETRY_S

    def source_failed(self, reason: str) -> None:
        """The answer to ``LetFlow``, or news: the source limits, dropped out, is silent."""
        state = self._state
        state.void = reason
        if state.phase is Phase.RUNNING and state.test is not None:
            state.test.currents = ()  # nothing more is asked of it in this test
            self._void("the source failed", Phase.SET_UP)

    def refused(self, reason: str) -> None:
        """The answer to ``LogTest`` where what was typed makes no sense: it is asked for again."""
        state = self._state
        state.unlogged.popleft()
        state.void = reason
        if state.phase is Phase.LOGGING:
            state.phase = Phase.SET_UP

    def withdrawn(self, test: int) -> None:
        """A test counts no more, whoever took it back: the answer to ``Withdraw``, or news."""
        state = self._state
        if test in state.away:
            return
        state.away.add(test)
        if state.row is not None and state.row.test == test:
            state.row = None
            state.leads_placed = False  # they may be what was wrong
        if state.phase in (Phase.SET_UP, Phase.SETTLED, Phase.THINKING):
            self._think()

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
            return self._note(text)
        self._press(key)
        self._refresh()  # the step is over: a second press of the same key means nothing
        return True

    def stop(self) -> None:
        """End the visit as soon as no mark is on its way; a test that runs is discarded."""
        self._state.is_stopping = True
        self._try_to_stop()
        self._refresh()

    def choose(self, setup: Setup) -> bool:
        """The person wants another test than the one asked for.

        Returns:
            Whether that is possible now.
        """
        state = self._state
        if state.phase in (Phase.SET_UP, Phase.SETTLED):
            self._ask_for(setup, OWN_CHOICE)
        elif state.phase is Phase.RUNNING:
            state.setup, state.why = setup, OWN_CHOICE
            self._void("another test was chosen", Phase.SET_UP)
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
        self._think()
        self._refresh()
        return True

    def undo(self, test: int) -> bool:
        """Take back a test of the log; returns whether there is such a one, and it can be now."""
        state = self._state
        there = any(row.test == test for row in state.rows) and test not in state.away
        if not there or state.phase not in (Phase.SET_UP, Phase.SETTLED, Phase.THINKING):
            return False
        self._requests.append(Withdraw(test))
        return True

    def set_rhythm(self, *, on: bool) -> None:
        """Call out when to switch, or stop doing so."""
        self._state.rhythm = on
        self._refresh()

    def type_levels(self, idle: float | None, on: float | None) -> bool:
        """Typed readings, in mV or ohm; returns whether they mean something now.

        The level without load stays until the one with it comes.
        """
        state = self._state
        if not (state.is_typed and state.phase is Phase.SET_UP and state.setup and not state.odd):
            return False
        if idle is not None:
            state.typed_idle = idle
        if on is not None and (state.typed_idle is not None or state.setup.hookup.ohms):
            self._typed(TypedTest(state.setup, state.typed_idle, on))
        elif on is not None:
            return False
        self._refresh()
        return True

    def advance(self, now_s: float) -> list[Request]:
        """It is ``now_s`` (seconds of the recording): decide what follows from what happened.

        Returns:
            What is to be done, in order.
        """
        state = self._state
        state.now_s = max(state.now_s, now_s)
        if state.is_stopping:
            self._try_to_stop()
        elif state.phase is Phase.RUNNING:
            self._follow()
        if state.now_s >= self._retry_s:
            self._retry_s = float("inf")
            if state.phase is Phase.HALTED:
                self._requests.append(Record())
            if state.unlogged:
                self._requests.append(LogTest(state.unlogged[0]))
        self._refresh()
        requests, self._requests = self._requests, []
        return requests

    # -- the way of a test --------------------------------------------------------------------

    def _think(self) -> None:
        state = self._state
        state.phase, state.setup, state.why = Phase.THINKING, None, ""
        state.typed_idle, state.odd = None, None
        self._requests.append(Think(state.last, state.not_now))

    def _ask_for(self, setup: Setup, why: str) -> None:
        """Ask for a test; where the leads are in place already it begins at once."""
        state = self._state
        state.setup, state.why = setup, why
        state.phase = Phase.SET_UP
        state.typed_idle, state.odd = None, None
        if state.leads_placed and same_leads(setup, state.last) and not state.is_typed:
            self._begin()

    def _begin(self) -> None:
        state = self._state
        if state.setup is not None:
            state.phase = Phase.BEGINNING
            self._requests.append(SetMark("test", setup=state.setup))

    def _done(self, done: CompletedTest | TypedTest) -> None:
        """A test is over: have it logged, after those that wait already."""
        state = self._state
        state.unlogged.append(done)
        if len(state.unlogged) == 1:
            self._requests.append(LogTest(done))

    def _void(self, why: str, then: Phase) -> None:
        """Take the open test back; what comes after asks for the leads again, or for READY."""
        state = self._state
        if state.test is not None and state.test.flows:
            self._requests.append(LetFlow(0))
        if state.test is not None and state.test.is_on and not state.void:
            state.void = "The load was on when this try was broken off: switch it OFF."
        if then is not Phase.BEGINNING:
            state.leads_placed = False
        state.phase, self._after_void = Phase.ENDING, then
        self._requests.append(SetMark("void", why))

    def _try_to_stop(self) -> None:
        """Stop now, unless a mark is on its way: it comes back among the readings."""
        state = self._state
        if state.phase is Phase.RUNNING:
            self._void("the person stopped", Phase.STOPPED)
        elif state.phase not in (Phase.BEGINNING, Phase.ENDING):
            state.phase = Phase.STOPPED

    def _note(self, text: str) -> bool:
        note = text.strip()[:MOST_NOTE].encode("utf-8", "replace").decode("utf-8")
        if note:
            self._requests.append(SetMark("note", note))
        return bool(note)

    def _press(self, key: Key) -> None:
        state = self._state
        match key:
            case Key.STOP:
                state.is_stopping = True
                self._try_to_stop()
            case Key.READY if state.phase is Phase.RUNNING:  # a fault spoiled the test
                self._void("a fault spoiled it", Phase.BEGINNING)
                state.void = ""
            case Key.READY:
                state.void = ""
                self._begin()
            case Key.REPEAT | Key.VOID if state.phase is Phase.RUNNING:
                self._again(key)
            case Key.REPEAT if state.last is not None:
                number = state.row.test if state.row else state.number - 1
                self._ask_for(state.last, f"Repeating test {number}.")
            case Key.VOID if state.odd is not None:
                state.odd = None
            case Key.VOID if state.row is not None:
                self._requests.append(Withdraw(state.row.test))
            case Key.LOAD_ON | Key.LOAD_OFF | Key.NO_LOAD if state.test is not None:
                self._switched(state.test, key)
            case Key.JUMP | Key.NO_JUMP if state.setup is not None:
                verdict = Verdict.IN_PATH if key is Key.JUMP else Verdict.NOT_IN_PATH
                self._log_typed(TypedTest(state.setup, verdict=verdict))
            case Key.KEEP | Key.CORRECT if state.odd is not None:
                self._log_typed(state.odd[key is Key.CORRECT])
            case _:
                return

    def _again(self, key: Key) -> None:
        """The person gives the running test up."""
        is_on = self._state.test is not None and self._state.test.is_on
        if key is Key.VOID:
            self._void("the person took it back", Phase.SET_UP)
        else:
            then = Phase.SET_UP if is_on else Phase.BEGINNING
            self._void("the person wanted to begin again", then)

    def _switched(self, test: RunningTest, key: Key) -> None:
        """A person says what the load does."""
        state = self._state
        if key is Key.NO_LOAD:
            state.void = "The load did not run. Check its plug and its own switch."
            self._void("the load did not run", Phase.SET_UP)
        elif key is Key.LOAD_ON:
            self._set_on()
        elif test.off_s is None:
            test.is_confirmed = True
            self._set_off()
        elif test.must_be_confirmed:
            test.is_confirmed, test.is_called = True, False
        elif test.is_still_on(state.now_s):  # said once more, although the reading stayed up
            self._end()
        else:  # it was called out, and the person says so too
            test.is_confirmed = True

    def _set_on(self, text: str = "") -> None:
        test = self._state.test
        if test is not None:
            test.on_s, test.is_tapped = self._state.now_s, True
            self._requests.append(SetMark("load-on", text))

    def _set_off(self, text: str = "") -> None:
        test = self._state.test
        if test is not None:
            test.off_s = self._state.now_s
            self._requests.append(SetMark("load-off", text))

    def _end(self) -> None:
        self._state.phase, self._after_void = Phase.ENDING, Phase.SET_UP
        self._requests.append(SetMark("end"))

    def _take_mark(self, mark: Mark) -> None:
        state = self._state
        if state.phase is Phase.HALTED:  # it was on its way when the recording broke off
            return
        if mark.kind == "test" and self._splitter.setup is not None:
            cycles = state.outlook.cycles if state.outlook is not None else 1
            validity = TestValidity(mark.t_s, self._wanted)
            state.test = RunningTest(mark.t_s, validity, cycles, stands_s=mark.t_s)
            if self._splitter.setup.hookup.ohms:
                state.test.currents = ()
            elif self._splitter.setup.dead and state.source_reverses is not None:
                currents = currents_of(self._splitter.setup, reverses=state.source_reverses)
                self._requests.append(LetFlow(state.test.begin_with_source(currents)))
            state.setup, state.void = self._splitter.setup, ""
            state.faults.begin()
            if state.phase is not Phase.STOPPED:
                state.phase, state.leads_placed = Phase.RUNNING, True
        elif mark.kind == "source" and state.test is not None and mark.text != CHANGING:
            state.test.turned(mark.t_s)
        elif mark.kind == "void":
            self._voided()
        elif mark.kind == "end":
            state.test = None
            if state.phase in (Phase.RUNNING, Phase.ENDING):
                state.phase = Phase.STOPPED if state.is_stopping else Phase.LOGGING
        self._is_new = True

    def _voided(self) -> None:
        state = self._state
        state.test = None
        if state.phase is not Phase.ENDING:
            return
        if state.is_stopping:
            state.phase = Phase.STOPPED
        elif self._after_void is Phase.BEGINNING:
            self._begin()
        else:
            state.phase = self._after_void

    def _take_notice(self, notice: Notice) -> None:
        if notice.kind is NoticeKind.RECORDING:
            self.recording_failed(notice.text)
        self._state.faults.notice(notice)
        test = self._state.test
        if notice.kind in _BLIND and test is not None and test.flows:
            self._state.void = "The meter was lost while the source was on: it is switched off."
            self._void("the meter was lost", Phase.SET_UP)

    def _follow(self) -> None:
        """Look at the running test; a spoiled one waits for the person."""
        state, test = self._state, self._state.test
        if test is None:
            return
        test.validity.time_passed(state.now_s)
        if test.validity.reason is not None:
            if test.flows:
                self._void(test.validity.reason, Phase.SET_UP)
            return
        if self._is_new and self._splitter.detector is not None:
            test.progress, self._is_new = self._splitter.detector.progress(), False
        if test.currents is not None:
            self._follow_source(test)
            return
        if self._was_on_already(test):
            return
        for sound in test.look(state.now_s):
            state.ring(sound)
        if state.rhythm:
            self._call(test)
        if test.off_s is not None and test.cycle < test.cycles and test.is_seen_off:
            test.next_cycle()
        elif test.is_idle_again(state.now_s) and not test.must_be_confirmed:
            self._end()

    def _was_on_already(self, test: RunningTest) -> bool:
        """Begin again where the load was on when the test began, and went off."""
        progress = test.progress
        if progress is None or not progress.load_already_on or test.on_s is not None:
            return False
        self._void("the load was on when it began", Phase.BEGINNING)
        return True

    def _follow_source(self, test: RunningTest) -> None:
        """Ask for the next current once the reading stood still, and end after the last."""
        try:
            sign = test.next_current(self._state.now_s)
        except StopIteration:
            self._end()
            return
        if sign is not None:
            self._requests.append(LetFlow(sign))

    def _call(self, test: RunningTest) -> None:
        """Call out the switching: on when the level is steady, off when it has told enough."""
        now_s = self._state.now_s
        if test.on_s is None and test.ready_s is not None and now_s - test.ready_s > CALL_S:
            test.is_called = True
            self._set_on("called out")
        elif test.is_called and test.on_s is not None and test.off_s is None:
            ran_s = now_s - test.on_s
            if test.is_certain or (ran_s > CALLED_ON_S and not test.is_seen):
                test.is_certain = True
                self._set_off("called out")

    # -- typed readings -----------------------------------------------------------------------

    def _typed(self, test: TypedTest) -> None:
        """Log a typed test, or ask where other tests make it absurd."""
        state = self._state
        expected = state.outlook.expected if state.outlook is not None else None
        asked_for = state.outlook.setup if state.outlook is not None else None
        found = odd_value(test, expected if test.setup == asked_for else None, state.circuit)
        if found is None:
            self._log_typed(test)
        else:
            meant, state.why_odd = found
            state.odd = (test, meant)

    def _log_typed(self, test: TypedTest) -> None:
        state = self._state
        state.phase, state.typed_idle, state.odd, state.void = Phase.LOGGING, None, None, ""
        self._done(test)

    def _refresh(self) -> None:
        self.view = view_of(self._state, self.view)
