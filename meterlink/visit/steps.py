"""The steps from one phase of a visit to the next, each with what it asks of whoever runs it.

What happened is looked at elsewhere: facts and keys in ``loop``, the test that runs in ``running``,
the source of a dead circuit in ``dead``, typed readings in ``typed_levels``. No I/O.
"""

from meterlink.circuit.setup import Setup
from meterlink.levels.visit_split import CompletedTest
from meterlink.visit.state import (
    LetFlow,
    LogTest,
    Phase,
    Record,
    Request,
    SetMark,
    State,
    Think,
    TypedTest,
)
from meterlink.visit.view import same_leads

RETRY_S = 3.0  # between two tries to write what could not be written
MOST_NOTE = 500  # characters


class Steps:
    """Changes what the visit knows, and collects what it asks for.

    Attributes:
        state: What the visit knows.
        requests: What is to be done, in order, and was not handed out yet.
        retry_s: When what could not be written is tried again.
    """

    def __init__(self, state: State) -> None:
        self.state = state
        self.requests: list[Request] = []
        self.retry_s = float("inf")
        self._after_void: Phase = Phase.SET_UP

    def ask(self, request: Request) -> None:
        """Ask whoever runs the visit for something."""
        self.requests.append(request)

    def handed_out(self) -> list[Request]:
        """What is to be done; each request is given once."""
        requests, self.requests = self.requests, []
        return requests

    def think(self) -> None:
        """Have it worked out what to test next."""
        state = self.state
        state.phase, state.setup, state.why = Phase.THINKING, None, ""
        state.typed_idle, state.odd = None, None
        self.ask(Think(state.last, state.not_now))

    def ask_for(self, setup: Setup, why: str) -> None:
        """Ask for a test; where the leads are in place already it begins at once."""
        state = self.state
        state.setup, state.why = setup, why
        state.phase = Phase.SET_UP
        state.typed_idle, state.odd = None, None
        if state.leads_placed and same_leads(setup, state.last) and not state.is_typed:
            self.begin()

    def begin(self) -> None:
        """Set the mark of the test that is asked for."""
        state = self.state
        if state.setup is not None:
            state.phase = Phase.BEGINNING
            self.ask(SetMark("test", setup=state.setup))

    def set_on(self, text: str = "") -> None:
        """Somebody said that the load is on, or it was called out."""
        test = self.state.test
        if test is not None:
            test.on_s, test.is_tapped = self.state.now_s, True
            self.ask(SetMark("load-on", text))

    def set_off(self, text: str = "") -> None:
        """The load is said to be off."""
        test = self.state.test
        if test is not None:
            test.off_s = self.state.now_s
            self.ask(SetMark("load-off", text))

    def end(self) -> None:
        """End the test that runs; it is logged when its mark comes back."""
        self.state.phase, self._after_void = Phase.ENDING, Phase.SET_UP
        self.ask(SetMark("end"))

    def ended(self) -> None:
        """The mark that ends the test came back."""
        state = self.state
        state.test = None
        if state.phase in (Phase.RUNNING, Phase.ENDING):
            state.phase = Phase.STOPPED if state.is_stopping else Phase.LOGGING

    def log(self, done: CompletedTest | TypedTest) -> None:
        """A test is over: have it logged, after those that wait already."""
        state = self.state
        state.unlogged.append(done)
        if len(state.unlogged) == 1:
            self.ask(LogTest(done))

    def discard(self, why: str, then: Phase) -> None:
        """Discard the open test; what comes after asks for the leads again, or for READY."""
        state = self.state
        if state.test is not None and state.test.flows:
            self.ask(LetFlow(0))
        if state.test is not None and state.test.is_on and not state.void:
            state.void = "The load was on when this try was broken off: switch it OFF."
        if then is not Phase.BEGINNING:
            state.leads_placed = False
        state.phase, self._after_void = Phase.ENDING, then
        self.ask(SetMark("void", why))

    def discarded(self) -> None:
        """The mark that discards the test came back."""
        state = self.state
        state.test = None
        if state.phase is not Phase.ENDING:
            return
        if state.is_stopping:
            state.phase = Phase.STOPPED
        elif self._after_void is Phase.BEGINNING:
            self.begin()
        else:
            state.phase = self._after_void

    def halt(self, reason: str) -> None:
        """The recording broke off: the open test is lost, and a new recording is asked for."""
        state = self.state
        flows = state.test is not None and state.test.flows
        if state.test is not None:
            state.void = "The recording broke off in this test: do it again."
            state.leads_placed = False
        state.test = None
        state.trouble = reason
        state.phase = Phase.STOPPED if state.is_stopping else Phase.HALTED
        gone = SetMark | Record | LetFlow
        kept: list[Request] = [r for r in self.requests if not isinstance(r, gone)]
        self.requests = [LetFlow(0), *kept] if flows else kept
        self.retry_later()

    def retry_later(self) -> None:
        """Something could not be written: try again after a while."""
        self.retry_s = self.state.now_s + RETRY_S

    def retry(self) -> None:
        """Ask once more for what could not be written, where it is time for that."""
        state = self.state
        if state.now_s < self.retry_s:
            return
        self.retry_s = float("inf")
        if state.phase is Phase.HALTED:
            self.ask(Record())
        if state.unlogged:
            self.ask(LogTest(state.unlogged[0]))

    def stop(self) -> None:
        """Stop now, unless a mark is on its way: it comes back among the readings."""
        state = self.state
        state.is_stopping = True
        if state.phase is Phase.RUNNING:
            self.discard("the person stopped", Phase.STOPPED)
        elif state.phase not in (Phase.BEGINNING, Phase.ENDING):
            state.phase = Phase.STOPPED

    def note(self, text: str) -> bool:
        """Put a note into the recording; returns whether there was anything to note."""
        note = text.strip()[:MOST_NOTE].encode("utf-8", "replace").decode("utf-8")
        if note:
            self.ask(SetMark("note", note))
        return bool(note)
