"""The steps from one phase of a visit to the next, and the test that runs meanwhile.

Each step says what it asks of whoever runs it. What happened is looked at elsewhere: facts and keys
in ``loop``, typed readings in ``typed_levels``. On the dead circuit a direct source comes and goes:
a supply that is asked for each current in turn, and ends the test where it fails. No I/O.
"""

from meterlink.circuit.setup import Setup
from meterlink.levels.progress import Progress
from meterlink.levels.visit_split import CompletedTest
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
)
from meterlink.visit.view import Key, same_leads

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


def currents_of(setup: Setup, *, reverses: bool) -> tuple[int, ...]:
    """Directions in which the source is let on in a test, one standing after another.

    With ``0, +, -, +, 0`` offset and drift drop out twice over; a supply that cannot turn its
    current is switched on and off.
    """
    if setup.hookup.ohms:
        return ()
    return (0, 1, -1, 1, 0) if reverses else (0, 1, 0, 1, 0)


def begin_dead(steps: Steps, test: RunningTest, setup: Setup) -> None:
    """A test of the dead circuit begins: an ohmmeter needs no current, a supply is let on."""
    reverses = steps.state.source_reverses
    if setup.hookup.ohms:
        test.currents = ()
    elif setup.dead and reverses is not None:
        steps.ask(LetFlow(test.begin_with_source(currents_of(setup, reverses=reverses))))


def follow_source(steps: Steps, test: RunningTest) -> None:
    """Ask for the next current once the reading stood still, and end after the last."""
    try:
        sign = test.next_current(steps.state.now_s)
    except StopIteration:
        steps.end()
        return
    if sign is not None:
        steps.ask(LetFlow(sign))


def source_changed(steps: Steps, text: str, t_s: float) -> None:
    """A mark of the source came: its current flows now, or is on its way."""
    test = steps.state.test
    if test is not None and text != CHANGING:
        test.turned(t_s)


def source_failed(steps: Steps, reason: str) -> None:
    """The source limits, dropped out or is silent: the test that needs it is discarded."""
    state = steps.state
    state.void = reason
    if state.phase is Phase.RUNNING and state.test is not None:
        state.test.currents = ()  # nothing more is asked of it in this test
        steps.discard("the source failed", Phase.SET_UP)


def meter_lost(steps: Steps) -> None:
    """Nobody sees what a current does any more: it is switched off."""
    test = steps.state.test
    if test is not None and test.flows:
        steps.state.void = "The meter was lost while the source was on: it is switched off."
        steps.discard("the meter was lost", Phase.SET_UP)


def follow(steps: Steps, progress: Progress | None) -> None:
    """Look at the running test; a spoiled one waits for the person.

    Args:
        steps: Of the visit.
        progress: How the test stands, where something new came; ``None`` where nothing did.
    """
    state, test = steps.state, steps.state.test
    if test is None:
        return
    test.validity.time_passed(state.now_s)
    if test.validity.reason is not None:
        if test.flows:
            steps.discard(test.validity.reason, Phase.SET_UP)
        return
    test.progress = progress or test.progress
    if test.currents is not None:
        follow_source(steps, test)
    elif _was_on_already(test):
        steps.discard("the load was on when it began", Phase.BEGINNING)
    else:
        _follow_load(steps, test)


def _was_on_already(test: RunningTest) -> bool:
    """Whether the load was on when the test began, and went off."""
    progress = test.progress
    return progress is not None and progress.load_already_on and test.on_s is None


def _follow_load(steps: Steps, test: RunningTest) -> None:
    """Ring for what the load does, call out where that is wanted, go on to the next cycle, end."""
    state = steps.state
    for sound in test.look(state.now_s):
        state.ring(sound)
    if state.rhythm:
        _call(steps, test)
    if test.off_s is not None and test.cycle < test.cycles and test.is_seen_off:
        test.next_cycle()
    elif test.is_idle_again(state.now_s) and not test.must_be_confirmed:
        steps.end()


def _call(steps: Steps, test: RunningTest) -> None:
    """Call out the switching: on when the level is steady, off when it has told enough."""
    now_s = steps.state.now_s
    if test.on_s is None and test.ready_s is not None and now_s - test.ready_s > CALL_S:
        test.is_called = True
        steps.set_on("called out")
    elif test.is_called and test.on_s is not None and test.off_s is None:
        ran_s = now_s - test.on_s
        if test.is_certain or (ran_s > CALLED_ON_S and not test.is_seen):
            test.is_certain = True
            steps.set_off("called out")


def switched(steps: Steps, test: RunningTest, key: Key) -> None:
    """A person says what the load does."""
    state = steps.state
    if key is Key.NO_LOAD:
        state.void = "The load did not run. Check its plug and its own switch."
        steps.discard("the load did not run", Phase.SET_UP)
    elif key is Key.LOAD_ON:
        steps.set_on()
    elif test.off_s is None:
        test.is_confirmed = True
        steps.set_off()
    elif test.must_be_confirmed:
        test.is_confirmed, test.is_called = True, False
    elif test.is_still_on(state.now_s):  # said once more, although the reading stayed up
        steps.end()
    else:  # it was called out, and the person says so too
        test.is_confirmed = True


def begin_again(steps: Steps, key: Key) -> None:
    """The person gives the running test up: a void goes back to the leads."""
    is_on = steps.state.test is not None and steps.state.test.is_on
    if key is Key.VOID:
        steps.discard("the person discarded it", Phase.SET_UP)
    else:
        then = Phase.SET_UP if is_on else Phase.BEGINNING
        steps.discard("the person wanted to begin again", then)
