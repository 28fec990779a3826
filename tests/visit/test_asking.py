"""What is asked of a person in each phase of a visit: one sign, one short sentence, its keys."""

from dataclasses import replace

import pytest

from drivers.readings import Function, Mark, Reading
from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels.progress import Progress, Stage
from meterlink.visit.asking import Face, face_of
from meterlink.visit.notices import Faults, TestValidity
from meterlink.visit.state import (
    CYCLE_S,
    LATE_HAND_S,
    LONGEST_AFTER_S,
    LONGEST_ON_S,
    PATIENCE_S,
    Phase,
    RunningTest,
    State,
    TypedTest,
)
from meterlink.visit.view import Key, Sign, Sound, VisitStage

from ..tree.plain import NG, row

CIRCUIT = Circuit("Four", ("A", "B", "C", "D"), volts=120, hertz=60, load_amps=10.0)
SETUP = Setup(Hookup.NEUTRAL_NEUTRAL, "A", "B", "C")
READING = Reading(100.0, 0.008, Function.AC)
ROW = row(3, NG, "A", None, "A", 150.0)
KEYS_OF_A_TEST = {Key.REPEAT, Key.VOID, Key.NOTE, Key.STOP}


def state(phase: Phase, **more: object) -> State:
    known = {"setup": SETUP, "why": "It tells most.", "now_s": 100.0}
    return State(CIRCUIT, 4, Faults(Function.AC), phase=phase, **(known | more))


def running(test: RunningTest | None = None, **more: object) -> Face:
    return face_of(state(Phase.RUNNING, test=test or begun(), **more))


def begun(progress: Progress | None = None, **more: object) -> RunningTest:
    known = {"started_s": 95.0, "validity": TestValidity(95.0, Function.AC), "progress": progress}
    return RunningTest(**(known | more))


def progress(stage: Stage = Stage.IDLE, **more: object) -> Progress:
    return Progress(stage, READING, **more)


def keys(face: Face) -> set[Key]:
    return {key for key, _ in face.keys}


# between tests


@pytest.mark.parametrize(
    ("phase", "sign", "words"),
    [
        (Phase.HALTED, Sign.WAIT, "Opening the meter."),
        (Phase.THINKING, Sign.WAIT, "Working out the next test."),
        (Phase.SET_UP, Sign.SET_UP, "Place leads and heater, switched OFF."),
        (Phase.BEGINNING, Sign.WAIT, "One moment."),
        (Phase.ENDING, Sign.WAIT, "One moment."),
        (Phase.LOGGING, Sign.DONE, "Saving the test."),
        (Phase.SETTLED, Sign.SETTLED, "Nothing more to test."),
        (Phase.STOPPED, Sign.DONE, "The visit is over. All finished tests are saved."),
    ],
)
def test_each_phase_has_its_sign_and_sentence(phase: Phase, sign: Sign, words: str) -> None:
    face = face_of(state(phase))
    assert (face.sign, face.instruction) == (sign, words)


@pytest.mark.parametrize("phase", [phase for phase in Phase if phase is not Phase.STOPPED])
@pytest.mark.parametrize("is_typed", [False, True])
def test_stop_is_always_there_until_the_visit_is_over(phase: Phase, is_typed: bool) -> None:
    for setup in (SETUP, None):
        for test in (begun(), None):
            assert Key.STOP in keys(
                face_of(state(phase, is_typed=is_typed, setup=setup, test=test))
            )


def test_while_nothing_can_be_recorded_the_load_goes_off() -> None:
    face = face_of(state(Phase.HALTED, trouble="disk full"))
    assert face.sign is Sign.TROUBLE
    assert "Switch the load OFF" in face.instruction
    assert "goes on by itself" in face.detail


def test_a_row_that_cannot_be_saved_is_trouble() -> None:
    assert face_of(state(Phase.LOGGING, trouble="disk full")).sign is Sign.TROUBLE


def test_the_last_word_says_what_is_not_saved_and_where_it_is() -> None:
    left = state(Phase.STOPPED)
    left.unlogged.append(TypedTest(SETUP, 6.0, 815.0))
    assert "it is safe in the recording" in face_of(left).instruction
    left.is_typed = True
    assert "type it again next time" in face_of(left).instruction
    on = face_of(state(Phase.STOPPED, void="Switch it OFF."))
    assert on.sign is Sign.TROUBLE
    assert on.instruction.endswith("All finished tests are saved. Switch it OFF.")


def test_the_result_stays_in_sight_while_the_next_test_is_worked_out() -> None:
    face = face_of(state(Phase.THINKING, row=ROW))
    assert face.sign is Sign.DONE
    assert face.detail.startswith("Test 3: 150")


def test_the_test_before_can_be_repeated_and_undone_where_it_is_of_this_visit() -> None:
    assert dict(face_of(state(Phase.SET_UP)).keys).keys() == {Key.READY, Key.NOTE, Key.STOP}
    before = face_of(state(Phase.SET_UP, last=SETUP))
    assert dict(before.keys)[Key.REPEAT] == "Repeat test 3"
    assert Key.VOID not in keys(before)
    now = face_of(state(Phase.SET_UP, last=SETUP, row=ROW))
    assert dict(now.keys)[Key.VOID] == "Undo test 3"
    assert now.grave == (Key.VOID,)


def test_where_no_test_is_possible_the_reason_is_said() -> None:
    face = face_of(state(Phase.SET_UP, setup=None, why="Nothing can be reached."))
    assert (face.sign, face.detail) == (Sign.TROUBLE, "Nothing can be reached.")
    assert Key.READY not in keys(face)


def test_an_ohmmeter_needs_no_load_and_a_source_is_called_one() -> None:
    ohms = Setup(Hookup.PATH_RESISTANCE, "A", "B", "", "neutral")
    face = face_of(state(Phase.SET_UP, setup=ohms))
    assert face.instruction == "Dead circuit: place the leads of the ohmmeter."
    assert dict(face.keys)[Key.READY] == "Leads ready"
    direct = state(Phase.SET_UP)
    direct.circuit = replace(CIRCUIT, load_kind=LoadKind.DIRECT_SOURCE)
    assert face_of(direct).instruction == "Place leads and source, switched OFF."


# before the load


def test_an_unsteady_level_is_waited_for_with_its_reason_and_no_key_for_the_load() -> None:
    face = running(begun(progress(Stage.SETTLING, restless="It wanders.")))
    assert (face.sign, face.detail) == (Sign.WAIT, "It wanders.")
    assert keys(face) == KEYS_OF_A_TEST
    assert running(begun()).detail == "Waiting for the meter."
    assert running(begun(progress())).detail == "A few steady seconds are needed."


def test_after_some_patience_the_load_may_come_all_the_same() -> None:
    waited = begun(progress(Stage.SETTLING, restless="It wanders."), started_s=99.0 - PATIENCE_S)
    face = running(waited)
    assert face.sign is Sign.SWITCH_ON
    assert face.instruction.startswith("Not steady. Switch it ON at C all the same")
    assert Key.LOAD_ON in keys(face)


@pytest.mark.parametrize(("last", "verb"), [(None, "Switch"), (SETUP, "Switch")])
def test_a_steady_level_lets_the_load_come(last: Setup | None, verb: str) -> None:
    face = running(begun(progress(), ready_s=99.0), last=last)
    assert face.instruction == f"{verb} it ON at C."
    assert face.keys[0][0] is Key.LOAD_ON
    moved = running(begun(progress(), ready_s=99.0), last=replace(SETUP, load_at="D"))
    assert moved.instruction == "Plug it in and switch it ON at C."
    called = running(begun(progress(), ready_s=99.0), rhythm=True)
    assert called.instruction == "Get ready at C: ON when it is called."


@pytest.mark.parametrize(
    ("found", "words", "why"),
    [
        (progress(idle_of_volts=True, idle_mv=118_000.0), "Volts without load", "wrong contact"),
        (progress(idle_is_current=True, idle_mv=903.4), "903 mV without load", "something else"),
    ],
)
def test_a_large_idle_level_is_trouble_before_anything_is_switched(
    found: Progress, words: str, why: str
) -> None:
    face = running(begun(found))
    assert face.sign is Sign.TROUBLE
    assert words in face.instruction
    assert "Is the heater ON already? Switch it OFF." in face.instruction
    assert why in face.detail
    assert Key.LOAD_ON not in keys(face)
    # it is not said for ever, nor between the cycles of one test
    assert running(begun(found, started_s=99.0 - PATIENCE_S)).sign is not Sign.TROUBLE
    assert running(begun(found, cycle=2, cycles=3)).sign is not Sign.TROUBLE


# with the load


ON = progress(Stage.ON, verdict=Verdict.IN_PATH, idle_mv=8.0, jump_mv=150.0)


def test_a_jump_is_left_on_until_it_is_certain_with_what_it_means() -> None:
    face = running(begun(ON, on_s=98.0, is_seen=True))
    assert (face.sign, face.instruction) == (Sign.WAIT, "Leave it ON: measuring.")
    assert face.detail == "Current to C flows between A and B."
    face = running(begun(ON, on_s=98.0, is_seen=True, is_certain=True))
    assert (face.sign, face.instruction) == (Sign.SWITCH_OFF, "Switch it OFF.")


def test_where_no_jump_came_a_person_says_whether_the_load_ran() -> None:
    face = running(begun(progress(Stage.WAITING_FOR_LOAD), on_s=90.0, is_certain=True))
    assert face.sign is Sign.CONFIRM_LOAD
    assert face.instruction == "No jump. Switch it OFF. Did it run at C?"
    assert {Key.LOAD_OFF, Key.NO_LOAD} < keys(face)


def test_a_load_that_is_said_to_be_on_is_waited_for() -> None:
    face = running(begun(progress(Stage.WAITING_FOR_LOAD), on_s=99.0))
    assert face.instruction == "Waiting for the jump from C."
    called = running(begun(progress(Stage.WAITING_FOR_LOAD), on_s=99.0, is_called=True))
    assert called.instruction == "ON now! Waiting for the jump from C."
    assert called.sign is Sign.SWITCH_ON


# after the load


def off(**more: object) -> RunningTest:
    return begun(**({"on_s": 80.0, "off_s": 98.0, "is_seen": True} | more))


def test_after_the_load_the_level_is_measured_once_more() -> None:
    face = running(off(progress=progress(Stage.AFTER, verdict=Verdict.IN_PATH), is_seen_off=True))
    assert (face.stage, face.instruction) == (VisitStage.AFTER, "OFF: measuring once more.")
    assert face.detail == "Current to C flows between A and B."
    face = running(off(progress=progress(Stage.WAITING_FOR_OFF)))
    assert face.stage is VisitStage.WAITING_FOR_OFF


def test_a_reading_that_stays_up_asks_for_the_switch_again() -> None:
    up = progress(Stage.WAITING_FOR_OFF, flags=("load-stayed-on",))
    early = off(progress=up, off_s=99.0)
    assert running(early).instruction == "OFF: measuring once more."
    late = off(progress=up, off_s=99.0 - LATE_HAND_S)
    face = running(late)
    assert face.instruction == "The reading is still up. Switch it OFF."
    assert face.sign is Sign.SWITCH_OFF
    assert Key.LOAD_OFF in keys(face)


def test_a_called_out_switching_asks_what_the_trace_does_not_show() -> None:
    face = running(off(is_called=True, progress=ON))
    assert (face.sign, face.instruction) == (Sign.SWITCH_OFF, "OFF now!")
    face = running(off(is_called=True, is_seen=False, is_certain=True, progress=progress()))
    assert face.sign is Sign.CONFIRM_LOAD
    assert face.instruction == "OFF now. No jump. Did it run at C?"
    assert {Key.LOAD_OFF, Key.NO_LOAD} < keys(face)


def test_a_spoiled_test_says_why_and_starts_again_with_the_load_off() -> None:
    test = begun(ON, on_s=98.0)
    test.validity.take(Mark(96.0, "load-on"))
    test.validity.time_passed(200.0)
    assert test.validity.reason is not None
    face = running(test)
    assert (face.sign, face.detail) == (Sign.TROUBLE, test.validity.reason)
    assert face.keys[0] == (Key.READY, "It is OFF: start again")
    assert face.instruction.startswith("Switch it OFF")


@pytest.mark.parametrize(("cycles", "begins"), [(1, "Switch it ON"), (3, "2 of 3: Switch it ON")])
def test_a_test_of_several_cycles_counts_them(cycles: int, begins: str) -> None:
    test = begun(progress(), ready_s=99.0, cycles=cycles, cycle=min(2, cycles))
    assert running(test).instruction.startswith(begins)


def test_in_a_test_what_throws_it_away_is_asked_about_once_more() -> None:
    for test in (begun(), begun(ON, on_s=98.0), off(progress=ON), begun(currents=(1, 0))):
        assert running(test).grave == (Key.REPEAT, Key.VOID, Key.STOP)


# the dead circuit


def test_on_the_dead_circuit_nothing_is_to_be_done_but_to_leave_it_alone() -> None:
    flows = running(begun(currents=(1, 0)))
    assert (flows.sign, flows.instruction) == (Sign.WAIT, "The current is ON: touch nothing.")
    assert running(begun(currents=(0, 1))).instruction == "The current is off: measuring."
    ohms = Setup(Hookup.PATH_RESISTANCE, "A", "B", "", "neutral")
    face = running(begun(currents=()), setup=ohms)
    assert face.instruction == "Hold the leads still: measuring."
    assert face.detail == "A steady reading is needed."


# typed readings


def typed(**more: object) -> Face:
    return face_of(state(Phase.SET_UP, is_typed=True, **more))


def test_typed_readings_are_asked_for_one_after_the_other() -> None:
    first = typed()
    assert first.instruction == "Place leads and heater; type the reading without load."
    assert {Key.JUMP, Key.NO_JUMP} < keys(first)
    second = typed(typed_idle=6.0)
    assert second.instruction == "Switch it ON at C; type the reading."
    assert second.detail.replace("\u00a0", " ") == "Without load: 6 mV. Then switch it OFF."
    ohms = typed(setup=Setup(Hookup.PATH_RESISTANCE, "A", "B", "", "neutral"))
    assert ohms.instruction == "Dead circuit: place the leads and type the reading."
    assert not {Key.JUMP, Key.NO_JUMP} & keys(ohms)


@pytest.mark.parametrize(
    ("meant", "label"), [((6.0, 815.0), "815 mV"), ((0.006, 0.815), "0.006 mV")]
)
def test_an_odd_value_is_asked_about_with_what_was_probably_meant(meant, label: str) -> None:
    as_typed = TypedTest(SETUP, 6.0, 0.815)
    face = typed(odd=(as_typed, TypedTest(SETUP, *meant)), why_odd="others say 800 mV")
    assert face.sign is Sign.TROUBLE
    assert dict(face.keys)[Key.CORRECT].replace("\u00a0", " ") == f"{label} was meant"
    assert set(dict(face.keys)) == {Key.CORRECT, Key.KEEP, Key.VOID, Key.STOP}
    assert face.detail.endswith("others say 800 mV.")


# the running test itself


def test_the_trace_moves_a_test_on_without_a_tap_and_may_think_better_of_it() -> None:
    test = begun(progress())
    list(test.look(100.0))
    assert test.on_s is None
    test.progress = progress(Stage.ON, load_seen_on=True)
    assert list(test.look(101.0)) == [Sound.JUMP]
    assert (test.on_s, test.is_seen) == (101.0, True)
    test.progress = progress(Stage.AFTER, load_seen_on=True, load_seen_off=True)
    assert list(test.look(105.0)) == [Sound.DONE]
    assert test.off_s == 105.0
    test.progress = progress(Stage.ON, load_seen_on=True)  # a thermostat: it is on again
    list(test.look(106.0))
    assert (test.off_s, test.is_seen_off) == (None, False)
    test.progress = progress(Stage.IDLE)  # and it was none, with more readings
    list(test.look(107.0))
    assert (test.on_s, test.is_seen) == (None, False)


def test_what_a_person_said_stays_said_where_the_trace_changes_its_mind() -> None:
    test = begun(progress(Stage.ON, load_seen_on=True), on_s=99.0, is_tapped=True)
    list(test.look(100.0))
    test.progress = progress(Stage.WAITING_FOR_LOAD)
    list(test.look(101.0))
    assert (test.on_s, test.is_seen) == (99.0, False)


def test_a_load_that_stays_uncertain_is_waited_for_so_long_and_no_longer() -> None:
    test = begun(progress(Stage.ON, load_seen_on=True), on_s=100.0, is_tapped=True)
    assert list(test.look(100.5)) == [Sound.JUMP]
    assert list(test.look(100.0 + LONGEST_ON_S)) == []
    assert list(test.look(100.1 + LONGEST_ON_S)) == [Sound.DONE]
    assert test.is_certain


def test_between_two_cycles_the_load_is_off_for_some_seconds() -> None:
    test = begun(progress(), on_s=90.0, off_s=99.0, cycles=2, is_seen=True, is_seen_off=True)
    test.next_cycle()
    assert (test.cycle, test.on_s, test.off_s, test.is_seen) == (2, None, None, False)
    test.progress = progress(Stage.AFTER, enough=True)
    list(test.look(99.0 + CYCLE_S - 0.1))
    assert test.ready_s is None
    list(test.look(99.0 + CYCLE_S))
    assert test.ready_s == 99.0 + CYCLE_S


def test_the_level_after_the_load_is_not_waited_for_for_ever() -> None:
    assert not begun(on_s=90.0).is_idle_again(200.0)
    silent = begun(on_s=80.0, off_s=90.0)
    assert not silent.is_idle_again(90.0 + LONGEST_AFTER_S)
    assert silent.is_idle_again(90.1 + LONGEST_AFTER_S)
    quiet = off(progress=progress(Stage.AFTER, enough=True), is_seen_off=True)
    assert quiet.is_idle_again(100.0)
    unsteady = off(progress=progress(Stage.AFTER), is_seen_off=True)
    assert not unsteady.is_idle_again(100.0)
    old = off(progress=Progress(Stage.AFTER, replace_time(READING, 50.0), enough=True))
    assert not old.is_idle_again(100.0)  # no reading since: the level is not known


def replace_time(reading: Reading, t_s: float) -> Reading:
    return reading._replace(t_s=t_s)


def test_the_currents_of_a_source_come_one_after_another_each_when_it_was_read() -> None:
    test = begun(currents=None)
    assert test.begin_with_source((1, -1, 0)) == 1
    assert test.flows
    assert test.next_current(96.0) is None  # the first is on its way
    test.turned(96.0)
    assert test.next_current(97.0) is None  # not read yet
    test.progress = progress(enough=True)
    assert test.next_current(98.0) == -1
    assert test.next_current(98.0) is None
    test.turned(99.0)
    assert test.progress is None
    assert test.next_current(99.1 + LONGEST_ON_S) == 0  # nothing steady: not waited for for ever
    test.turned(150.0)
    assert not test.flows
    test.progress = progress(enough=True)
    with pytest.raises(StopIteration):
        test.next_current(151.0)
