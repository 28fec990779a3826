"""A visit goes on by what the trace shows; what it cannot show, a person says."""

import pytest

from drivers.readings import Function, Reading
from meterlink.circuit.setup import Verdict
from meterlink.levels.visit_split import completed_tests
from meterlink.visit.view import Key, Sign, Sound

from .playing import AT_A, AT_A_LOAD_B, CIRCUIT, FROM_A_TO_B, PERIOD_S, Play


def replayed_verdicts(play: Play) -> list[Verdict]:
    return [done.measurement.verdict for done in completed_tests(play.events, CIRCUIT)]


def hands_without_a_tap(play: Play, drop_mv: float) -> None:
    play.until_sign(Sign.SWITCH_ON)
    play.wait(3.0)
    play.switch(on=True, drop_mv=drop_mv)
    play.until_sign(Sign.SWITCH_OFF)
    play.wait(2.0)
    play.switch(on=False, drop_mv=drop_mv)


@pytest.mark.parametrize("drop_mv", [30.0, 200.0, 1500.0])
def test_a_jump_takes_no_tap_but_that_the_leads_are_placed(drop_mv: float) -> None:
    play = Play(FROM_A_TO_B, AT_A, AT_A_LOAD_B)
    for tests in (1, 2, 3):
        if play.visit.view.sign is Sign.SET_UP:
            play.press(Key.READY)
        hands_without_a_tap(play, drop_mv)
        while len(play.rows) < tests:
            play.wait(PERIOD_S)
            assert play.now_s < 200
    assert play.marks == ["test", "end"] * 3
    assert [row.verdict for row in play.rows] == [Verdict.IN_PATH] * 3
    assert replayed_verdicts(play) == [row.verdict for row in play.rows]
    assert all(abs(row.drop_mv - drop_mv) < 4 * row.drop_u_mv for row in play.rows)


def test_without_a_tap_and_without_a_jump_nothing_is_said_and_nothing_ends() -> None:
    play = Play(FROM_A_TO_B)
    play.press(Key.READY)
    play.wait(200.0)
    assert play.visit.view.sign is Sign.SWITCH_ON
    assert play.marks == ["test"]


def test_where_no_jump_comes_a_person_says_that_the_load_ran() -> None:
    play = Play(FROM_A_TO_B)
    play.press(Key.READY)
    play.until_sign(Sign.SWITCH_ON)
    play.press(Key.LOAD_ON)
    play.until_sign(Sign.CONFIRM_LOAD)
    play.wait(100.0)
    assert play.visit.view.sign is Sign.CONFIRM_LOAD  # nothing ends it unasked
    assert play.visit.view.buttons[0].label == "It ran, and is OFF now"
    play.press(Key.LOAD_OFF)
    play.until_sign(Sign.SETTLED)
    assert play.rows[0].verdict is Verdict.NOT_IN_PATH
    assert replayed_verdicts(play) == [Verdict.NOT_IN_PATH]


def test_a_load_that_did_not_run_makes_no_row() -> None:
    play = Play(FROM_A_TO_B)
    play.press(Key.READY)
    play.until_sign(Sign.SWITCH_ON)
    play.press(Key.LOAD_ON)
    play.until_sign(Sign.CONFIRM_LOAD)
    play.press(Key.NO_LOAD)
    assert play.visit.view.sign is Sign.SET_UP
    assert any("did not run" in alert for alert in play.visit.view.alerts)
    assert play.rows == []
    assert replayed_verdicts(play) == []


def test_a_load_that_comes_long_after_its_tap_is_seen_all_the_same() -> None:
    play = Play(FROM_A_TO_B)
    play.press(Key.READY)
    play.until_sign(Sign.SWITCH_ON)
    play.press(Key.LOAD_ON)
    play.wait(10.0)
    play.switch(on=True)
    play.until_sign(Sign.SWITCH_OFF)
    play.switch(on=False)
    play.until_sign(Sign.SETTLED)
    assert play.rows[0].verdict is Verdict.IN_PATH


def test_a_load_that_is_said_to_be_off_and_is_not_is_asked_about() -> None:
    play = Play(FROM_A_TO_B)
    play.press(Key.READY)
    play.until_sign(Sign.SWITCH_ON)
    play.switch(on=True)
    play.until_sign(Sign.SWITCH_OFF)
    play.press(Key.LOAD_OFF)
    play.until_sign(Sign.SWITCH_OFF, most_s=30.0)
    assert "still up" in play.visit.view.instruction
    play.wait(60.0)
    assert play.rows == []
    play.switch(on=False)
    play.until_sign(Sign.SETTLED)
    assert play.rows[0].verdict is Verdict.IN_PATH


def test_a_load_that_is_on_already_is_said_at_once() -> None:
    play = Play(FROM_A_TO_B)
    play.level_mv = 208.0
    play.press(Key.READY)
    play.until_sign(Sign.TROUBLE, most_s=8.0)
    assert "ON already" in play.visit.view.instruction
    play.switch(on=False)
    hands_without_a_tap(play, 200.0)
    play.until_sign(Sign.SETTLED)
    assert play.rows[0].verdict is Verdict.IN_PATH
    assert play.marks == ["test", "void", "test", "end"]


def test_an_idle_level_of_volts_is_said_at_once() -> None:
    play = Play(FROM_A_TO_B)
    play.level_mv = 9000.0
    play.press(Key.READY)
    play.until_sign(Sign.TROUBLE, most_s=8.0)
    assert "Volts without load" in play.visit.view.instruction


def test_a_key_that_has_just_appeared_under_a_finger_is_dead_for_a_second() -> None:
    play = Play(FROM_A_TO_B)
    play.press(Key.READY)
    play.until_sign(Sign.SWITCH_ON)
    assert not play.visit.press(Key.LOAD_ON)
    play.wait(1.25)
    assert play.visit.press(Key.LOAD_ON)
    assert not play.visit.press(Key.LOAD_OFF)
    play.wait(1.25)
    assert play.visit.press(Key.LOAD_OFF)


def test_stop_and_discard_are_confirmed_while_readings_stream_and_signs_change() -> None:
    play = Play(FROM_A_TO_B)
    play.press(Key.READY)
    play.wait(1.5)
    asked = play.visit.view.step
    play.until_sign(Sign.SWITCH_ON)
    assert play.visit.view.step > asked
    assert play.visit.press(Key.VOID, step=asked)
    play.advance()
    assert play.marks == ["test", "void"]
    play.press(Key.READY)
    play.wait(3.0)
    assert not play.visit.press(Key.VOID, step=asked)  # that try is over
    assert play.visit.press(Key.STOP, step=asked)


def test_called_out_switching_needs_one_tap_where_no_jump_comes_and_none_where_one_comes() -> None:
    play = Play(FROM_A_TO_B, AT_A, rhythm=True)
    play.press(Key.READY)
    taps = 0
    for drop_mv in (200.0, 0.0):
        play.until_sign(Sign.SWITCH_ON)
        play.wait(1.0)
        play.switch(on=True, drop_mv=drop_mv)
        play.until_sign(Sign.SWITCH_OFF, Sign.CONFIRM_LOAD)
        assert play.marks[-1] == "load-off"
        assert "OFF now" in play.visit.view.instruction
        play.switch(on=False, drop_mv=drop_mv)
        play.until_sign(Sign.CONFIRM_LOAD, Sign.SET_UP, Sign.SETTLED)
        if play.visit.view.sign is Sign.CONFIRM_LOAD:
            taps += 1
            play.press(Key.LOAD_OFF)
            play.until_sign(Sign.SETTLED)
        else:
            play.press(Key.READY)
    assert [row.verdict for row in play.rows] == [Verdict.IN_PATH, Verdict.NOT_IN_PATH]
    assert taps == 1


def test_several_cycles_are_one_test() -> None:
    play = Play(AT_A, cycles=3)
    play.press(Key.READY)
    for cycle in (1, 2, 3):
        play.until_sign(Sign.SWITCH_ON)
        assert play.visit.view.instruction.startswith(f"{cycle} of 3: ")
        play.wait(1.0)
        play.switch(on=True)
        play.until_sign(Sign.SWITCH_OFF)
        play.switch(on=False)
        play.wait(2.0)
    play.until_sign(Sign.SETTLED)
    (row,) = play.rows
    assert (row.verdict, row.cycles) == (Verdict.IN_PATH, 3)


def test_each_switching_is_heard() -> None:
    play = Play(AT_A)
    play.press(Key.READY)
    hands_without_a_tap(play, 200.0)
    assert play.visit.view.cue is not None
    assert play.visit.view.cue.number == 2  # the jump, and that it may go off
    play.until_sign(Sign.SETTLED)
    assert play.visit.view.cue.sound is Sound.DONE


@pytest.mark.parametrize("marks", [0, 1, 2, 3])
def test_a_stop_in_whatever_phase_ends_the_visit_once_marks_are_back(marks: int) -> None:
    play = Play(AT_A)
    held = []
    carry_out = play.carry_out
    if marks:
        play.press(Key.READY)
    if marks > 1:
        play.until_sign(Sign.SWITCH_ON)
    if marks > 2:
        play.switch(on=True)
        play.until_sign(Sign.SWITCH_OFF)
    play.carry_out = held.append
    if marks > 1:
        play.visit.press(Key.REPEAT, blind=True)  # a void mark is on its way
        play.advance()
    play.visit.stop()
    play.advance()
    play.carry_out = carry_out
    for request in held:
        play.carry_out(request)
    play.advance()
    assert play.visit.is_stopped
    assert play.rows == []


def test_a_storm_of_keys_does_no_harm() -> None:
    play = Play(AT_A, FROM_A_TO_B)
    for _ in range(400):
        for key in (Key.READY, Key.LOAD_ON, Key.LOAD_OFF, Key.JUMP, Key.KEEP, Key.NO_JUMP):
            play.visit.press(key)
        play.wait(PERIOD_S)
    assert all(row.verdict is not Verdict.IN_PATH for row in play.rows)
    assert play.marks.count("end") == len(play.rows)


def test_a_meter_that_changes_its_function_spoils_a_test_with_the_load_on() -> None:
    play = Play(FROM_A_TO_B)
    play.press(Key.READY)
    play.until_sign(Sign.SWITCH_ON)
    play.press(Key.LOAD_ON)
    reading, play.reading = play.reading, lambda: Reading(play.now_s, 0.008, Function.DC)
    play.wait(7.0)
    assert play.visit.view.sign is Sign.TROUBLE
    assert "DC volts" in play.visit.view.detail
    play.reading = reading
    play.wait(20.0)
    assert play.visit.view.sign is Sign.TROUBLE
    assert play.rows == []


def test_a_test_of_an_hour_is_measured_like_a_short_one() -> None:
    play = Play(AT_A)
    play.press(Key.READY)
    play.wait(600.0)
    hands_without_a_tap(play, 200.0)
    play.until_sign(Sign.SETTLED)
    assert play.rows[0].verdict is Verdict.IN_PATH
