"""From the state of a visit to what a person sees of it."""

from dataclasses import replace

from meterlink.circuit.setup import LIVE_HOOKUPS, Hookup, Setup, Verdict
from meterlink.levels.flags import Flag
from meterlink.levels.progress import Progress, Stage
from meterlink.levels.stages import LAG_S
from meterlink.levels.switching import LATE_S
from meterlink.show.format import NBSP
from meterlink.visit.phrases import (
    leads_text,
    levels_text,
    load_on_text,
    meaning,
    reading_text,
    row_levels,
    set_up_text,
)
from meterlink.visit.state import Phase, RunningTest, State
from meterlink.visit.view import Button, Choices, Key, Sign, VisitStage, VisitView, Word

PATIENCE_S = 20.0  # after which the load may come although the idle level is not quiet

_IN_TEST = (Key.REPEAT, Key.VOID, Key.NOTE, Key.STOP)
_LOAD_STAGES = {
    Stage.WAITING_FOR_LOAD: VisitStage.WAITING_FOR_LOAD,
    Stage.ON: VisitStage.ON,
    Stage.WAITING_FOR_OFF: VisitStage.WAITING_FOR_OFF,
    Stage.AFTER: VisitStage.AFTER,
}


def view_of(state: State, before: VisitView | None) -> VisitView:
    """Make the view; its step is that of the view before, or the next one."""
    view = _running(state, state.test) if _is_running(state) else _beside(state)
    view = replace(
        view,
        reading=reading_text(state.reading, state.now_s),
        alerts=tuple(dict.fromkeys((*view.alerts, *_alerts(state)))),
        certainty=state.outlook.certainty if state.outlook else "",
        map_rows=state.outlook.map_rows if state.outlook else (),
        cue=state.cue,
        choices=_choices(state),
    )
    view = _with_signs(view, state)
    if before is None:
        return replace(view, step=1)
    same = _asked(view) == _asked(before)
    return replace(view, step=before.step if same else before.step + 1)


_SIGNS = {
    VisitStage.SET_UP: Sign.SET_UP,
    VisitStage.IDLE: Sign.SWITCH_ON,
    VisitStage.SETTLED: Sign.SETTLED,
    VisitStage.STOPPED: Sign.DONE,
}
_LABELS = {
    Key.READY: "Leads and heater ready",
    Key.LOAD_ON: "I switched it ON",
    Key.LOAD_OFF: "I switched it OFF",
    Key.REPEAT: "Repeat",
    Key.NOTE: "Note",
    Key.STOP: "Stop",
}


def _with_signs(view: VisitView, state: State) -> VisitView:
    """The same with what stands in the new fields."""
    setup = state.setup
    sign = _SIGNS.get(view.stage, Sign.WAIT)
    if state.test is not None and state.test.is_certain and state.test.off_s is None:
        sign = Sign.SWITCH_OFF
    levels = dict(view.levels)
    undo = f"Undo test {state.row.test}" if state.row and not _is_running(state) else ""
    return replace(
        view,
        sign=Sign.TROUBLE if state.trouble else sign,
        leads=leads_text(setup) if setup else "",
        load=setup.load_at if setup else "",
        detail=view.why,
        idle=levels.get("idle", ""),
        change=levels.get("change", ""),
        drop=levels.get("drop", ""),
        buttons=tuple(
            Button(
                key,
                _LABELS.get(key, undo or "Discard this try"),
                is_grave=key in (Key.STOP, Key.VOID),
            )
            for key in view.keys
        ),
        map=view.map_rows,
    )


def _asked(view: VisitView) -> tuple[object, ...]:
    """What a view asks of the person; figures that come with each reading are no new question."""
    to_place = view.instruction if view.stage is VisitStage.SET_UP else ""
    return (view.stage, view.keys, view.title, to_place)


def _choices(state: State) -> Choices:
    circuit = state.circuit
    words: tuple[Word, ...] = ()
    if state.phase in (Phase.SET_UP, Phase.SETTLED):
        words = (Word.CHOOSE, Word.NOT_NOW)
    elif _is_running(state) and state.test is not None and state.test.load_s is None:
        words = (Word.CHOOSE,)
    return Choices(
        words,
        tuple(h for h in LIVE_HOOKUPS if circuit.grounded or h is not Hookup.NEUTRAL_GROUND),
        circuit.receptacles,
        tuple(name for name in circuit.receptacles if name in state.not_now),
    )


def _is_running(state: State) -> bool:
    return state.phase is Phase.RUNNING and state.test is not None and state.setup is not None


def _alerts(state: State) -> tuple[str, ...]:
    trouble = (state.trouble,) if state.trouble else ()
    void = (state.void,) if state.void else ()
    return (*trouble, *void, *state.faults.texts)


def _beside(state: State) -> VisitView:
    """While no test runs."""
    match state.phase:
        case Phase.HALTED:
            return _halted(state)
        case Phase.SET_UP:
            return _set_up(state)
        case Phase.SETTLED:
            return _settled(state)
        case Phase.STOPPED:
            return _plain(state, VisitStage.STOPPED, _last_word(state))
        case Phase.LOGGING:
            return _plain(state, VisitStage.BETWEEN, "The test is being logged.", Key.STOP)
        case Phase.THINKING:
            return _plain(state, VisitStage.BETWEEN, "Working out the next test.", Key.STOP)
        case _:  # a mark is on its way: it takes a moment
            return _plain(state, VisitStage.BETWEEN, "One moment.")


def _plain(state: State, stage: VisitStage, instruction: str, *keys: Key) -> VisitView:
    levels = row_levels(state.row)
    return VisitView(0, stage, _title(state), instruction, levels=levels, keys=keys)


def _last_word(state: State) -> str:
    if state.unlogged:
        return (
            "The visit is over. The last test could not be logged; it is safe in the recording, "
            "and the next visit logs it."
        )
    return "The visit is over. All tests are logged."


def _title(state: State) -> str:
    return f"Test {state.number}"


def _halted(state: State) -> VisitView:
    if not state.trouble:
        return _plain(state, VisitStage.BETWEEN, "Opening the meter.", Key.STOP)
    return _plain(
        state,
        VisitStage.BETWEEN,
        "Nothing can be recorded, so nothing is tested. If the load is on, switch it off. The "
        "visit goes on by itself as soon as the recording can be written.",
        Key.STOP,
    )


def _about_last(state: State) -> tuple[Key, ...]:
    """Keys for the test before: once more, or taken back while it is that of this visit."""
    repeat = (Key.REPEAT,) if state.last is not None else ()
    return (*repeat, Key.VOID) if state.row is not None else repeat


def _set_up(state: State) -> VisitView:
    repeat = _about_last(state)
    if state.setup is None:
        view = _plain(state, VisitStage.SET_UP, "No test is possible.", *repeat, Key.NOTE, Key.STOP)
        return replace(view, why=state.why)
    keys = (Key.READY, *repeat, Key.NOTE, Key.STOP)
    view = _plain(state, VisitStage.SET_UP, set_up_text(state.setup), *keys)
    return replace(view, why=state.why)


def _settled(state: State) -> VisitView:
    repeat = _about_last(state)
    view = _plain(
        state,
        VisitStage.SETTLED,
        "Nothing more has to be tested. Stop here, then check it with the power off.",
        Key.STOP,
        *repeat,
        Key.NOTE,
    )
    return replace(view, title="Settled")


def _running(state: State, test: RunningTest | None) -> VisitView:
    """While a test runs; ``_is_running`` has seen to it that there is one."""
    setup = state.setup
    if test is None or setup is None:
        return _plain(state, VisitStage.BETWEEN, "One moment.")
    is_idle = test.load_s is None
    view = _before_load(state, test, setup) if is_idle else _with_load(state, test, setup)
    return replace(
        view,
        title=f"{_title(state)}: {leads_text(setup)}, load at {setup.load_at}",
        levels=(*levels_text(test.progress), *(row_levels(state.row) if is_idle else ())),
    )


def _before_load(state: State, test: RunningTest, setup: Setup) -> VisitView:
    progress = test.progress
    why_not = progress.restless if progress is not None else "No reading has come yet."
    if test.is_quiet:
        return VisitView(
            0,
            VisitStage.IDLE,
            "",
            load_on_text(setup, state.last),
            why=state.why,
            keys=(Key.LOAD_ON, *_IN_TEST),
            alerts=(why_not,) if why_not else (),
        )
    waited = state.now_s - test.started_s > PATIENCE_S
    more = "The load may be switched on all the same; the result will be less certain."
    return VisitView(
        0,
        VisitStage.SETTLING,
        "",
        "Load off. Wait until the reading without load is quiet." + (f" {more}" if waited else ""),
        why=why_not or "A few quiet seconds are needed.",
        keys=((Key.LOAD_ON,) if waited else ()) + _IN_TEST,
    )


def _with_load(state: State, test: RunningTest, setup: Setup) -> VisitView:
    progress = test.progress
    stage = _LOAD_STAGES.get(progress.stage) if progress else None
    if test.off_s is None:
        # One reading after the switching says nothing yet, and no jump is none before the load
        # can have come.
        may_be_none = test.load_s is not None and state.now_s - test.load_s > LATE_S + LAG_S
        stage = stage or VisitStage.WAITING_FOR_LOAD
        return _on(test, progress, setup, stage, may_be_none=may_be_none)
    if stage not in (VisitStage.WAITING_FOR_OFF, VisitStage.AFTER):
        stage = VisitStage.WAITING_FOR_OFF
    text = (
        "Load off. Waiting for the reading to come back."
        if stage is VisitStage.WAITING_FOR_OFF
        else "Load off. A moment for the level after it."
    )
    flags = progress.flags if progress is not None else ()
    still_on = Flag.LOAD_STAYED_ON.value in flags
    alerts = ("The reading did not come back. See that the load is off.",) if still_on else ()
    why = meaning(setup, progress.verdict) if progress is not None else ""
    return VisitView(0, stage, "", text, why=why, keys=_IN_TEST, alerts=alerts)


def _on(
    test: RunningTest,
    progress: Progress | None,
    setup: Setup,
    stage: VisitStage,
    *,
    may_be_none: bool,
) -> VisitView:
    keys = (Key.LOAD_OFF, *_IN_TEST)
    jumped = progress is not None and progress.verdict is Verdict.IN_PATH
    if stage is not VisitStage.ON or progress is None or not (jumped or may_be_none):
        text = f"The load at {setup.load_at} is said to be on. Waiting for a jump."
        return VisitView(0, VisitStage.WAITING_FOR_LOAD, "", text, keys=keys)
    if progress.verdict is Verdict.IN_PATH and progress.jump_mv is not None:
        seen = f"A jump of {progress.jump_mv:+.0f}{NBSP}mV."
    else:
        seen = f"No jump. Does the load at {setup.load_at} run?"
    wait = "Switch the load off; say that it is off." if test.is_certain else "Leave the load on."
    why = meaning(setup, progress.verdict)
    return VisitView(0, VisitStage.ON, "", f"{seen} {wait}", why=why, keys=keys)
