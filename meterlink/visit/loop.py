"""The guided visit as a state machine: facts and keys in, requests and a view out. No I/O.

Whoever runs it tells it what happened (``take``, ``press``, ``logged`` ...), calls ``advance`` with
the time, carries out the requests that it returns, and shows ``view``. A mark that is asked for
counts when it comes back among the readings, so that live use and a replay of the recording measure
the same test. A test that was done is asked to be logged until it is, and never twice.

The way of a test::

    THINKING -> SET_UP -> BEGINNING -> RUNNING -> ENDING -> LOGGING -> THINKING ... -> SETTLED
                  ^                       |          |
                  +---- repeat, void, fault ---------+
"""

from drivers.events import Mark
from drivers.readings import Function, Reading
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Setup
from meterlink.levels.progress import Progress
from meterlink.levels.visit_split import TestSplitter
from meterlink.testlog.rows import TestRow
from meterlink.visit.faults import Faults
from meterlink.visit.notices import Notice, NoticeKind
from meterlink.visit.phrases import same_leads
from meterlink.visit.planning import Outlook
from meterlink.visit.requests import LogTest, Record, Request, SetMark, Think, Withdraw
from meterlink.visit.showing import view_of
from meterlink.visit.state import Phase, RunningTest, State
from meterlink.visit.test_validity import TestValidity
from meterlink.visit.view import Key, Sound, VisitView

RETRY_S = 3.0  # between two tries to write what could not be written
MOST_NOTE = 500  # characters


class Visit:
    """One visit to a circuit.

    Args:
        circuit: What is known of it.
        number: Of the next row in the log.
        last: Setup of the last test that was logged; leads may have been moved since.
        not_now: Receptacles that nobody can get at.

    Attributes:
        view: What to show.
    """

    def __init__(
        self,
        circuit: Circuit,
        *,
        number: int,
        last: Setup | None = None,
        not_now: frozenset[str] = frozenset(),
    ) -> None:
        self._wanted = Function.DC if circuit.hertz == 0 else Function.AC
        self._splitter = TestSplitter(circuit)
        self._state = State(circuit, number, Faults(self._wanted), last=last, not_now=not_now)
        self._requests: list[Request] = [Record()]
        self._retry_s = float("inf")
        self._after_void: Phase = Phase.SET_UP
        self._is_new = False
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
    def not_now(self) -> frozenset[str]:
        """Receptacles that cannot be got at."""
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
        if state.test is not None:
            state.void = "The recording broke off in this test: do it again."
            state.leads_placed = False
        self._splitter.take(Mark(state.now_s, "void"))
        state.test = None
        state.trouble = reason
        stopping = state.phase is Phase.ENDING and self._after_void is Phase.STOPPED
        state.phase = Phase.STOPPED if stopping else Phase.HALTED
        self._requests = [r for r in self._requests if not isinstance(r, SetMark | Record)]
        self._retry_s = state.now_s + RETRY_S

    def take(self, event: Reading | Mark | Notice) -> None:
        """An event of the session, in its order."""
        state = self._state
        state.now_s = max(state.now_s, event.t_s)
        if state.test is not None:
            state.test.guard.take(event)
        if isinstance(event, Notice):
            self._take_notice(event)
            return
        done = self._splitter.take(event)
        if done is not None:
            state.unlogged.append(done)
            if len(state.unlogged) == 1:
                self._requests.append(LogTest(done))
        if isinstance(event, Reading):
            self._take_reading(event)
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

    def withdrawn(self, test: int) -> None:
        """The answer to ``Withdraw``: the test counts no more."""
        state = self._state
        if state.row is not None and state.row.test == test:
            state.row = None
            state.leads_placed = False  # they may be what was wrong
        if state.phase in (Phase.SET_UP, Phase.SETTLED):
            self._think()

    def press(self, key: Key, text: str = "", step: int | None = None) -> bool:
        """A key was pressed; ``step`` is the one it answers, where that is known.

        Returns:
            Whether the key meant something.
        """
        if key not in self.view.keys or step not in (None, self.view.step):
            return False
        if key is Key.NOTE:
            note = text.strip()[:MOST_NOTE].encode("utf-8", "replace").decode("utf-8")
            if note:
                self._requests.append(SetMark("note", note))
            return bool(note)
        self._press(key)
        self._refresh()  # the step is over: a second press of the same key means nothing
        return True

    def choose(self, setup: Setup) -> bool:
        """The person wants another test than the one asked for.

        Returns:
            Whether that is possible now.
        """
        state = self._state
        if state.phase in (Phase.SET_UP, Phase.SETTLED):
            self._ask_for(setup, "Your own choice.")
        elif state.phase is Phase.RUNNING:
            state.setup, state.why = setup, "Your own choice."
            self._void("another test was chosen", Phase.SET_UP)
        else:
            return False
        self._refresh()
        return True

    def leave_out(self, names: frozenset[str]) -> bool:
        """Receptacles that cannot be got at from now on; returns whether that is possible now."""
        state = self._state
        if state.phase not in (Phase.SET_UP, Phase.SETTLED):
            return False
        state.not_now = names
        self._think()
        self._refresh()
        return True

    def advance(self, now_s: float) -> list[Request]:
        """It is ``now_s`` (seconds of the recording): decide what follows from what happened.

        Returns:
            What is to be done, in order.
        """
        state = self._state
        state.now_s = max(state.now_s, now_s)
        if state.phase is Phase.RUNNING:
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
        self._requests.append(Think(state.last, state.not_now))

    def _ask_for(self, setup: Setup, why: str) -> None:
        """Ask for a test; where the leads are in place already it begins at once."""
        state = self._state
        state.setup, state.why = setup, why
        state.phase = Phase.SET_UP
        if state.leads_placed and same_leads(setup, state.last):
            self._begin()

    def _begin(self) -> None:
        state = self._state
        if state.setup is not None:
            state.phase = Phase.BEGINNING
            self._requests.append(SetMark("test", setup=state.setup))

    def _load_is_on(self) -> bool:
        """Whether the load was said to be on and not to be off."""
        test = self._state.test
        return test is not None and test.load_s is not None and test.off_s is None

    def _void(self, why: str, then: Phase) -> None:
        """Take the open test back; what comes after asks for the leads again, or for READY."""
        state = self._state
        if self._load_is_on() and not state.void:
            state.void = "The load was on when the test was broken off: switch it off."
        if then is not Phase.BEGINNING:
            state.leads_placed = False
        state.phase, self._after_void = Phase.ENDING, then
        self._requests.append(SetMark("void", why))

    def _press(self, key: Key) -> None:
        state = self._state
        running = state.phase is Phase.RUNNING
        match key:
            case Key.STOP if running:
                self._void("the person stopped", Phase.STOPPED)
            case Key.STOP:
                state.phase = Phase.STOPPED
            case Key.READY:
                state.void = ""
                self._begin()
            case Key.REPEAT if running and not self._load_is_on():
                self._void("the person wanted to begin again", Phase.BEGINNING)
            case Key.REPEAT if running:
                self._void("the person wanted to begin again", Phase.SET_UP)
            case Key.REPEAT if state.last is not None:
                self._ask_for(state.last, "Once more, as you wished.")
            case Key.VOID if not running and state.row is not None:
                self._requests.append(Withdraw(state.row.test))
            case Key.VOID:
                self._void("the person took it back", Phase.SET_UP)
            case Key.LOAD_ON if state.test is not None:
                state.test.load_s = state.now_s
                self._requests.append(SetMark("load-on"))
            case Key.LOAD_OFF if state.test is not None:
                state.test.off_s = state.now_s
                self._requests.append(SetMark("load-off"))
            case _:
                return

    def _take_reading(self, reading: Reading) -> None:
        state = self._state
        state.reading, self._is_new = reading, True
        state.faults.reading(reading)

    def _take_mark(self, mark: Mark) -> None:
        state = self._state
        if mark.kind == "test" and self._splitter.setup is not None:
            state.test = RunningTest(mark.t_s, TestValidity(mark.t_s, self._wanted))
            state.setup, state.void = self._splitter.setup, ""
            state.faults.begin()
            if state.phase is not Phase.STOPPED:
                state.phase, state.leads_placed = Phase.RUNNING, True
        elif mark.kind == "void":
            self._voided()
        elif mark.kind == "end":
            state.test = None
            if state.phase in (Phase.RUNNING, Phase.ENDING):
                state.phase = Phase.LOGGING
        self._is_new = True

    def _voided(self) -> None:
        state = self._state
        state.test = None
        if state.phase is not Phase.ENDING:
            return
        if self._after_void is Phase.BEGINNING:
            self._begin()
        else:
            state.phase = self._after_void

    def _take_notice(self, notice: Notice) -> None:
        if notice.kind is NoticeKind.RECORDING:
            self.recording_failed(notice.text)
        self._state.faults.notice(notice)

    def _follow(self) -> None:
        """Look at the running test."""
        state, test = self._state, self._state.test
        if test is None:
            return
        test.guard.time_passed(state.now_s)
        if test.guard.reason is not None:
            state.void = test.guard.reason
            self._void(test.guard.reason, Phase.SET_UP)
            return
        if self._is_new and self._splitter.detector is not None:
            test.progress, self._is_new = self._splitter.detector.progress(), False
        for sound in test.look(state.now_s):
            state.ring(sound)
        if test.is_over(state.now_s):
            state.phase, self._after_void = Phase.ENDING, Phase.SET_UP
            self._requests.append(SetMark("end"))

    def _refresh(self) -> None:
        self.view = view_of(self._state, self.view)
