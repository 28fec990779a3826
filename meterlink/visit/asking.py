"""What a visit asks of the person now: one sign, one short sentence, and the keys for it."""

from dataclasses import dataclass, replace

from meterlink.circuit.setup import Setup
from meterlink.levels.progress import Stage
from meterlink.visit.state import PATIENCE_S, Phase, RunningTest, State
from meterlink.visit.typed_levels import level_text
from meterlink.visit.view import Key, Sign, VisitStage, load_word, meaning, result_text


@dataclass(frozen=True, slots=True)
class Face:
    """What is asked of the person now, before it is numbered and timed.

    Attributes:
        stage, sign, instruction, detail: As in the view.
        keys: The keys that mean something, with their labels; the most likely one first.
        grave: Those of them that are asked about once more.
    """

    stage: VisitStage
    sign: Sign
    instruction: str
    keys: tuple[tuple[Key, str], ...] = ()
    detail: str = ""
    grave: tuple[Key, ...] = ()


_STOP = ((Key.NOTE, "Note"), (Key.STOP, "Stop"))
_DISCARD = ((Key.REPEAT, "Start this test again"), (Key.VOID, "Discard this try"), *_STOP)
_GRAVE = (Key.REPEAT, Key.VOID, Key.STOP)


def face_of(state: State) -> Face:
    """What is asked, in whatever phase the visit is."""
    match state.phase:
        case Phase.HALTED:
            return _halted(state)
        case Phase.SET_UP if state.is_typed:
            return _typed(state)
        case Phase.SET_UP:
            return _set_up(state)
        case Phase.SETTLED:
            return _settled(state)
        case Phase.STOPPED:
            sign = Sign.TROUBLE if state.void else Sign.DONE
            return Face(VisitStage.STOPPED, sign, _last_word(state))
        case Phase.LOGGING:
            sign = Sign.TROUBLE if state.trouble else Sign.DONE
            return Face(VisitStage.BETWEEN, sign, "Saving the test.", _STOP[1:])
        case Phase.THINKING:
            last = result_text(state.row) if state.row else ""
            sign = Sign.DONE if state.row else Sign.WAIT
            return Face(VisitStage.BETWEEN, sign, "Working out the next test.", _STOP[1:], last)
        case Phase.RUNNING if state.test is not None and state.setup is not None:
            return _running(state, state.test, state.setup)
        case _:  # a mark is on its way: it takes a moment
            return Face(VisitStage.BETWEEN, Sign.WAIT, "One moment.", _STOP[1:])


def _last_word(state: State) -> str:
    if state.unlogged and state.is_typed:
        return "The visit is over. The last test could not be saved: type it again next time."
    if state.unlogged:
        return (
            "The visit is over. The last test could not be saved; it is safe in the recording, "
            "and the next visit logs it."
        )
    return " ".join(("The visit is over. All finished tests are saved.", state.void)).strip()


def _halted(state: State) -> Face:
    if not state.trouble:
        return Face(VisitStage.BETWEEN, Sign.WAIT, "Opening the meter.", _STOP[1:])
    return Face(
        VisitStage.BETWEEN,
        Sign.TROUBLE,
        "Nothing can be recorded. Switch the load OFF.",
        _STOP[1:],
        "It goes on by itself as soon as the recording can be written.",
    )


def _about_last(state: State) -> tuple[tuple[Key, str], ...]:
    """Keys for the test before: once more, or undone while it is that of this visit."""
    if state.last is None:
        return ()
    number = state.last_number
    repeat = ((Key.REPEAT, f"Repeat test {number}"),)
    return (*repeat, (Key.VOID, f"Undo test {number}")) if state.row is not None else repeat


def _set_up(state: State) -> Face:
    if state.setup is None:
        keys = (*_about_last(state), *_STOP)
        return Face(
            VisitStage.SET_UP, Sign.TROUBLE, "No test is possible.", keys, state.why, (Key.VOID,)
        )
    load = load_word(state.circuit)
    ready, text = f"Leads and {load} ready", f"Place leads and {load}, switched OFF."
    if state.setup.hookup.ohms:
        ready, text = "Leads ready", "Dead circuit: place the leads of the ohmmeter."
    keys = ((Key.READY, ready), *_about_last(state), *_STOP)
    return Face(
        VisitStage.SET_UP,
        Sign.SET_UP,
        text,
        keys,
        state.why,
        (Key.VOID,),
    )


def _typed(state: State) -> Face:
    if state.setup is None:
        return _set_up(state)
    rest = (*_about_last(state), (Key.STOP, "Stop"))
    if state.odd is not None:
        return _odd(state)
    if state.setup.hookup.ohms:
        text = "Dead circuit: place the leads and type the reading."
        return Face(VisitStage.SET_UP, Sign.SET_UP, text, rest, state.why, (Key.VOID,))
    if state.typed_idle is not None:
        idle = level_text(state.typed_idle, state.setup.hookup)
        keys = ((Key.JUMP, "Jump"), (Key.NO_JUMP, "No jump"), *rest)
        text = f"Switch it ON at {state.setup.load_at}; type the reading."
        detail = f"Without load: {idle}. Then switch it OFF."
        return Face(VisitStage.IDLE, Sign.SWITCH_ON, text, keys, detail, (Key.VOID,))
    keys = ((Key.JUMP, "Jump"), (Key.NO_JUMP, "No jump"), *rest)
    text = f"Place leads and {load_word(state.circuit)}; type the reading without load."
    return Face(VisitStage.SET_UP, Sign.SET_UP, text, keys, state.why, (Key.VOID,))


def _odd(state: State) -> Face:
    """A typed value that other tests make absurd."""
    if state.odd is None:
        return _set_up(state)
    typed, meant = state.odd
    hookup = typed.setup.hookup
    changed = "on" if typed.on != meant.on else "idle"
    was, should = (level_text(getattr(t, changed) or 0.0, hookup) for t in state.odd)
    keys = (
        (Key.CORRECT, f"{should} was meant"),
        (Key.KEEP, f"Keep {was}"),
        (Key.VOID, "Type it again"),
        (Key.STOP, "Stop"),
    )
    text = f"{was}, or {should}?"
    detail = f"As typed it makes a drop of {abs((typed.on or 0) - (typed.idle or 0)):g} mV: "
    return Face(VisitStage.SET_UP, Sign.TROUBLE, text, keys, f"{detail}{state.why_odd}.")


def _settled(state: State) -> Face:
    keys = ((Key.STOP, "Stop"), *_about_last(state), (Key.NOTE, "Note"))
    return Face(
        VisitStage.SETTLED,
        Sign.SETTLED,
        "Nothing more to test.",
        keys,
        "Check the answer with the power off.",
        (Key.VOID,),
    )


def _running(state: State, test: RunningTest, setup: Setup) -> Face:
    if test.validity.reason is not None:
        keys = ((Key.READY, "It is OFF: start again"), (Key.VOID, "Discard this try"), *_STOP)
        return Face(
            VisitStage.SET_UP,
            Sign.TROUBLE,
            "Switch it OFF; this test has to start again.",
            keys,
            test.validity.reason,
            (Key.VOID, Key.STOP),
        )
    if test.currents is not None:
        return replace(_dead(test, setup), grave=_GRAVE)
    if test.on_s is None:
        face = _before_load(state, test, setup)
    elif test.off_s is None:
        face = _with_load(test, setup)
    else:
        face = _after_load(state, test, setup)
    again = f"{test.cycle} of {test.cycles}: " if test.cycles > 1 else ""
    return replace(face, instruction=again + face.instruction, grave=_GRAVE)


def _dead(test: RunningTest, setup: Setup) -> Face:
    """A reading of the dead circuit: nothing is to be done but to leave the leads in place."""
    why = test.progress.restless if test.progress is not None else None
    if setup.hookup.ohms:
        text = "Hold the leads still: measuring."
    elif test.flows:
        text = "The current is ON: touch nothing."
    else:
        text = "The current is off: measuring."
    stage = VisitStage.ON if test.flows else VisitStage.IDLE
    return Face(stage, Sign.WAIT, text, _DISCARD, why or "A steady reading is needed.")


def _before_load(state: State, test: RunningTest, setup: Setup) -> Face:
    progress = test.progress
    load = load_word(state.circuit)
    keys = ((Key.LOAD_ON, "I switched it ON"), *_DISCARD)
    why_not = progress.restless if progress is not None else "Waiting for the meter."
    waited = state.now_s - test.started_s > PATIENCE_S
    current = progress is not None and progress.idle_is_current
    volts = progress is not None and progress.idle_of_volts
    if (volts or current) and not waited and test.cycle == 1:
        size = "Volts" if volts else f"{progress.idle_mv or 0:.0f} mV" if progress else ""
        text = f"{size} without load. Is the {load} ON already? Switch it OFF."
        other = "a lead is in the wrong contact, or has none" if volts else "something else runs"
        return Face(
            VisitStage.SETTLING,
            Sign.TROUBLE,
            text,
            _DISCARD,
            f"Or {other}. {why_not or ''}".strip(),
        )
    if state.rhythm and test.ready_s is not None:
        text = f"Get ready at {setup.load_at}: ON when it is called."
        return Face(VisitStage.IDLE, Sign.WAIT, text, keys, state.why)
    if test.ready_s is not None:
        moved = state.last is not None and state.last.load_at != setup.load_at
        text = f"{'Plug it in and switch' if moved else 'Switch'} it ON at {setup.load_at}."
        return Face(VisitStage.IDLE, Sign.SWITCH_ON, text, keys, why_not or state.why)
    if waited:
        text = f"Not steady. Switch it ON at {setup.load_at} all the same, or check the leads."
        return Face(VisitStage.SETTLING, Sign.SWITCH_ON, text, keys, why_not or "")
    detail = why_not or "A few steady seconds are needed."
    return Face(VisitStage.SETTLING, Sign.WAIT, "Leave it OFF: measuring.", _DISCARD, detail)


def _with_load(test: RunningTest, setup: Setup) -> Face:
    progress = test.progress
    off = ((Key.LOAD_OFF, "I switched it OFF"), *_DISCARD)
    seen = meaning(setup, progress.verdict) if progress is not None and test.is_seen else ""
    if test.is_seen:
        if test.is_certain:
            return Face(VisitStage.ON, Sign.SWITCH_OFF, "Switch it OFF.", off, seen)
        return Face(VisitStage.ON, Sign.WAIT, "Leave it ON: measuring.", off, seen)
    if test.is_certain:
        keys = (
            (Key.LOAD_OFF, "It ran, and is OFF now"),
            (Key.NO_LOAD, "It did not run"),
            *_DISCARD,
        )
        text = f"No jump. Switch it OFF. Did it run at {setup.load_at}?"
        return Face(VisitStage.ON, Sign.CONFIRM_LOAD, text, keys)
    text = f"{'ON now! ' if test.is_called else ''}Waiting for the jump from {setup.load_at}."
    sign = Sign.SWITCH_ON if test.is_called else Sign.WAIT
    return Face(VisitStage.WAITING_FOR_LOAD, sign, text, off, "Leave it ON.")


def _after_load(state: State, test: RunningTest, setup: Setup) -> Face:
    progress = test.progress
    if test.must_be_confirmed:
        said = ((Key.LOAD_OFF, "It ran, and is OFF now"), (Key.NO_LOAD, "It did not run"))
        text = f"OFF now. No jump. Did it run at {setup.load_at}?"
        return Face(VisitStage.WAITING_FOR_OFF, Sign.CONFIRM_LOAD, text, (*said, *_DISCARD))
    if test.is_called and test.is_seen and not test.is_seen_off:
        off = ((Key.LOAD_OFF, "It is OFF"), *_DISCARD)
        return Face(VisitStage.WAITING_FOR_OFF, Sign.SWITCH_OFF, "OFF now!", off)
    if test.is_still_on(state.now_s):
        text = "The reading is still up. Switch it OFF."
        return Face(
            VisitStage.WAITING_FOR_OFF,
            Sign.SWITCH_OFF,
            text,
            ((Key.LOAD_OFF, "It is OFF"), *_DISCARD),
        )
    is_after = progress is not None and progress.stage is Stage.AFTER
    stage = VisitStage.AFTER if is_after else VisitStage.WAITING_FOR_OFF
    seen = meaning(setup, progress.verdict) if progress is not None else ""
    return Face(stage, Sign.WAIT, "OFF: measuring once more.", _DISCARD, seen)
