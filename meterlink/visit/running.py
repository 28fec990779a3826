"""The test that runs: what its trace shows, what is called out, what a person says of the load.

On the dead circuit it is a direct source that comes and goes: a supply that is asked for each
current in turn, and ends the test where it fails. Pure.
"""

from meterlink.circuit.setup import Setup
from meterlink.levels.progress import Progress
from meterlink.visit.state import CALL_S, CALLED_ON_S, CHANGING, LetFlow, Phase, RunningTest
from meterlink.visit.steps import Steps
from meterlink.visit.view import Key


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
