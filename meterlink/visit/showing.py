"""From the state of a visit to what a person sees of it."""

from dataclasses import replace

from meterlink.circuit.setup import LIVE_HOOKUPS, Hookup
from meterlink.show.format import drop, leads_text, where
from meterlink.testlog.columns import TestRow
from meterlink.visit.asking import Face, face_of
from meterlink.visit.planning import Outlook
from meterlink.visit.state import Phase, State
from meterlink.visit.typed_levels import unit_of
from meterlink.visit.view import (
    VERDICTS,
    Button,
    Choices,
    Command,
    Key,
    PastTest,
    VisitStage,
    VisitView,
    Wanted,
    levels_text,
    reading_text,
    result_text,
)

DEAD_S = 1.0  # that a key is dead for when it has just appeared under a finger


def view_of(state: State, before: VisitView | None) -> VisitView:
    """Make the view; its step is that of the view before, or the next one."""
    face = face_of(state)
    test = state.test if state.phase is Phase.RUNNING else None
    setup = state.setup
    levels = levels_text(test.progress) if test is not None else {}
    last = (
        (f"test {state.row.test}", result_text(state.row).split(": ", 1)[1]) if state.row else None
    )
    outlook = state.outlook
    view = VisitView(
        step=1,
        stage=face.stage,
        sign=face.sign,
        title="Settled" if state.phase is Phase.SETTLED else f"Test {state.number}",
        instruction=face.instruction,
        why=face.detail,
        detail=face.detail,
        leads=leads_text(setup) if setup else "",
        load=setup.load_at if setup else "",
        reading="" if state.is_typed else reading_text(state.reading, state.now_s),
        levels=(*levels.items(), *((last,) if last and (test is None or not test.is_on) else ())),
        idle=levels.get("idle", ""),
        change=levels.get("change", ""),
        drop=levels.get("drop", ""),
        keys=tuple(key for key, _ in face.keys),
        certainty=outlook.certainty if outlook else "",
        map_rows=outlook.map_rows if outlook else (),
        map=outlook.map_rows if outlook else (),
        answer=outlook.answer if outlook and _is_answered(state, outlook) else None,
        alerts=_alerts(state),
        cue=state.cue,
        choices=_choices(state),
        history=_history(state),
        typed=_wanted(state),
        rhythm=state.rhythm,
    )
    if before is not None:
        same = _asked(view) == _asked(before)
        view = replace(view, step=before.step if same else before.step + 1)
    return replace(view, buttons=_buttons(face, view, before, state.now_s))


def _is_answered(state: State, outlook: Outlook) -> bool:
    """Whether the answer stands: nothing more to test, also when the visit is over after that."""
    return state.phase is Phase.SETTLED or (state.phase is Phase.STOPPED and outlook.settled)


def _asked(view: VisitView) -> tuple[object, ...]:
    """What a view asks of the person; figures that come with each reading are no new question."""
    to_place = (view.leads, view.load) if view.stage is VisitStage.SET_UP else ()
    return (view.stage, view.sign, view.keys, view.title, view.typed, to_place)


def _buttons(
    face: Face, view: VisitView, before: VisitView | None, now_s: float
) -> tuple[Button, ...]:
    """Each key keeps the step since which it has said the same; a new one is dead for a moment."""
    known = {(b.key, b.label): b for b in _kept(view, before)}
    found = []
    for key, label in face.keys:
        grave = key in face.grave
        old = known.get((key, label))
        shown_s = now_s if old is None else min(old.shown_s, now_s)
        live = before is None or now_s - shown_s >= DEAD_S or (old is not None and old.is_live)
        found.append(Button(key, label, old.since if old else view.step, live, grave, shown_s))
    return tuple(found)


def _kept(view: VisitView, before: VisitView | None) -> tuple[Button, ...]:
    """Buttons of the view before whose meaning can have stayed: the test is the same one."""
    if before is None:
        return ()
    same_place = (view.title, view.leads, view.load) == (before.title, before.leads, before.load)
    always = (Key.STOP, Key.NOTE)
    return tuple(b for b in before.buttons if same_place or b.key in always)


# -- besides the question ----------------------------------------------------------------------


def _choices(state: State) -> Choices:
    circuit = state.circuit
    live = tuple(h for h in LIVE_HOOKUPS if circuit.grounded or h is not Hookup.NEUTRAL_GROUND)
    possible = state.hookups or live
    if Hookup.PATH_RESISTANCE in possible:  # an ohmmeter reads loops as well; none is asked for
        possible = (*possible, Hookup.LOOP_RESISTANCE)
    words: tuple[Command, ...] = ()
    if state.phase in (Phase.SET_UP, Phase.SETTLED):
        words = (Command.CHOOSE, Command.NOT_NOW)
    elif state.phase is Phase.RUNNING and state.test is not None and state.test.on_s is None:
        words = (Command.CHOOSE,)
    return Choices(
        words,
        possible,
        circuit.receptacles,
        tuple(name for name in circuit.receptacles if name in state.not_now),
    )


def _alerts(state: State) -> tuple[str, ...]:
    trouble = (state.trouble,) if state.trouble else ()
    void = (state.void,) if state.void else ()
    return tuple(dict.fromkeys((*trouble, *void, *state.faults.texts)))


def _history(state: State) -> tuple[PastTest, ...]:
    removable = state.phase in (Phase.SET_UP, Phase.SETTLED)
    return tuple(
        _past(
            row, removable=removable and row.test not in state.away, removed=row.test in state.away
        )
        for row in reversed(state.rows)
    )


def _past(row: TestRow, *, removable: bool, removed: bool) -> PastTest:
    load = f", load at {row.setup.load_at}" if row.setup.load_at else ""
    gone = "removed: " if removed else ""
    words = f"{gone}{where(row.setup)}{load}: {drop(row)}"
    return PastTest(row.test, words, VERDICTS[row.verdict], removable, removed)


def _wanted(state: State) -> Wanted | None:
    if not (state.is_typed and state.phase is Phase.SET_UP and state.setup) or state.odd:
        return None
    hookup = state.setup.hookup
    if hookup.ohms:
        return Wanted(Command.ON, "Reading", unit_of(hookup))
    if state.typed_idle is None:
        return Wanted(Command.IDLE, "Reading without load", unit_of(hookup), instead=True)
    return Wanted(Command.ON, "Reading with the load on", unit_of(hookup))
