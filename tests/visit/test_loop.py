"""The guided visit without I/O: what it asks, what it shows, what it never loses."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.readings import Function, Reading
from meterlink.circuit.setup import LIVE_HOOKUPS, Hookup, Verdict
from meterlink.levels.visit_split import completed_tests
from meterlink.testlog.columns import Source
from meterlink.testlog.rows import measured_row
from meterlink.visit.loop import Visit
from meterlink.visit.notices import NoticeKind
from meterlink.visit.planning import Outlook
from meterlink.visit.state import LogTest, Record
from meterlink.visit.view import Answer, Choices, Command, Key, Sign, Sound, VisitStage

from .playing import AT_A, AT_A_LOAD_B, CIRCUIT, FROM_A_TO_B, STARTED, Play


def test_a_visit_begins_with_where_the_leads_go_and_why() -> None:
    play = Play(FROM_A_TO_B)
    view = play.visit.view
    assert view.stage is VisitStage.SET_UP
    assert view.sign is Sign.SET_UP
    assert (view.leads, view.load) == ("neutral of A to neutral of B", "C")
    assert view.why == "To know."
    assert view.keys[0] is Key.READY


def test_a_test_with_a_jump_goes_from_quiet_to_logged_and_says_what_it_means() -> None:
    play = Play(FROM_A_TO_B)
    play.press(Key.READY)
    assert play.stage is VisitStage.SETTLING
    play.until(VisitStage.IDLE)
    play.load(on=True)
    play.until(VisitStage.ON)
    assert "Leave it ON" in play.visit.view.instruction
    assert play.visit.view.detail == "Current to C flows between A and B."
    assert float(play.visit.view.change.split()[0]) > 100
    assert play.visit.view.cue is not None
    assert play.visit.view.cue.sound is Sound.JUMP
    play.until_says("Switch it OFF")
    play.load(on=False)
    play.until(VisitStage.SETTLED)
    (row,) = play.rows
    assert row.verdict is Verdict.IN_PATH
    assert play.marks == ["test", "load-on", "load-off", "end"]


def test_a_test_without_a_jump_waits_until_the_load_can_come_no_more() -> None:
    play = Play(AT_A_LOAD_B)
    play.press(Key.READY)
    play.until(VisitStage.IDLE)
    play.load(on=True, drop_mv=0.0)
    began_s = play.now_s
    play.until(VisitStage.ON)
    assert play.now_s - began_s > 5.0
    assert "No jump" in play.visit.view.instruction
    play.until_says("Switch it OFF")
    play.load(on=False, drop_mv=0.0)
    play.until(VisitStage.SETTLED)
    assert play.rows[0].verdict is Verdict.NOT_IN_PATH


def test_the_rows_are_those_of_a_replay_of_the_recording() -> None:
    play = Play(AT_A, AT_A_LOAD_B, FROM_A_TO_B)
    for drop_mv in (150.0, 0.0, 40.0):
        play.whole_test(drop_mv)
    again = [
        measured_row(done, started=STARTED, amps=10.0, source=Source.LIVE, capture="x")
        for done in completed_tests(play.events, CIRCUIT)
    ]
    assert [row.test for row in play.rows] == [1, 2, 3]
    assert [(r.time, r.setup, r.drop_mv, r.drop_u_mv, r.flags) for r in play.rows] == [
        (r.time, r.setup, r.drop_mv, r.drop_u_mv, r.flags) for r in again
    ]


def test_where_only_the_load_moves_the_next_test_begins_without_asking() -> None:
    play = Play(AT_A, AT_A_LOAD_B)
    play.whole_test()
    assert play.stage is VisitStage.SETTLING
    play.until(VisitStage.IDLE)
    assert "Plug it in and switch it ON at B" in play.visit.view.instruction


def test_a_load_that_was_on_all_the_time_is_not_waited_for_for_ever() -> None:
    play = Play(AT_A)
    play.level_mv = 300.0
    play.press(Key.READY)
    play.until(VisitStage.IDLE)
    play.load(on=True, drop_mv=0.0)
    play.until_says("Switch it OFF")
    play.load(on=False, drop_mv=292.0)
    play.until(VisitStage.SETTLED)
    assert play.rows[0].verdict is Verdict.UNCLEAR


def test_a_restless_reading_says_why_and_lets_the_load_come_in_the_end() -> None:
    play = Play(AT_A)
    play.press(Key.READY)
    rng = np.random.default_rng(4)
    for _ in range(100):
        play.level_mv = float(rng.uniform(500.0, 1500.0))
        play.wait(0.25)
        if play.now_s < 15:
            assert Key.LOAD_ON not in play.visit.view.keys
    view = play.visit.view
    assert view.stage is VisitStage.SETTLING
    assert "restless" in view.why
    assert Key.LOAD_ON in view.keys


@pytest.mark.parametrize(
    ("reading", "words"),
    [
        (lambda t: Reading(t, 0.008, Function.DC), "AC volts"),
        (lambda t: Reading(t, 0.008, Function.AC, hold=True), "hold"),
        (lambda t: Reading(t, None, Function.AC, overload=True), "overload"),
    ],
)
def test_readings_that_cannot_be_used_say_why_the_load_has_to_wait(
    reading: Callable[[float], Reading], words: str
) -> None:
    play = Play(AT_A)
    play.reading = lambda: reading(play.now_s)
    play.press(Key.READY)
    play.wait(4.0)
    assert play.stage is VisitStage.SETTLING
    assert words in play.visit.view.why


def test_repeat_before_the_load_begins_the_same_test_again_at_once() -> None:
    play = Play(AT_A)
    play.press(Key.READY)
    play.until(VisitStage.IDLE)
    play.press(Key.REPEAT)
    assert play.marks == ["test", "void", "test"]
    assert play.stage is VisitStage.SETTLING


def test_the_last_word_of_a_visit_that_stops_with_the_load_on_is_to_switch_it_off() -> None:
    play = Play(AT_A)
    play.until_on()
    play.wait(2.0)
    play.visit.stop()
    play.wait(1.0)
    view = play.visit.view
    assert view.stage is VisitStage.STOPPED
    assert (view.sign, view.instruction.endswith("switch it OFF.")) == (Sign.TROUBLE, True)


def test_repeat_with_the_load_on_asks_for_it_to_be_off_first() -> None:
    play = Play(AT_A)
    play.until_on()
    play.wait(2.0)
    play.press(Key.REPEAT)
    assert play.stage is VisitStage.SET_UP
    assert any("switch it OFF" in alert for alert in play.visit.view.alerts)
    play.level_mv -= 200.0
    play.whole_test()
    assert len(play.rows) == 1


def test_void_takes_the_test_back_and_asks_for_the_leads_again() -> None:
    play = Play(AT_A)
    play.press(Key.READY)
    play.until(VisitStage.IDLE)
    play.press(Key.VOID)
    assert play.stage is VisitStage.SET_UP
    assert play.rows == []
    assert list(completed_tests(play.events, CIRCUIT)) == []


def test_repeat_after_a_logged_test_asks_for_it_once_more() -> None:
    play = Play(AT_A, FROM_A_TO_B)
    play.whole_test()
    assert play.stage is VisitStage.SET_UP
    play.press(Key.REPEAT)
    play.whole_test()
    assert [row.setup for row in play.rows] == [AT_A, AT_A]


def test_void_after_a_logged_test_takes_that_one_back_and_thinks_again() -> None:
    play = Play(AT_A, FROM_A_TO_B)
    play.whole_test()
    assert play.stage is VisitStage.SET_UP
    thoughts = len(play.thoughts)
    play.press(Key.VOID)
    assert play.withdrawn == [1]
    assert len(play.thoughts) == thoughts + 1
    assert play.stage is VisitStage.SET_UP
    assert Key.VOID not in play.visit.view.keys


@pytest.mark.parametrize("moment", ["before", "idle", "settled"])
def test_a_test_of_ones_own_can_be_chosen(moment: str) -> None:
    play = Play(AT_A) if moment != "settled" else Play()
    if moment == "idle":
        play.press(Key.READY)
        play.until(VisitStage.IDLE)
    assert play.visit.choose(FROM_A_TO_B)
    play.advance()
    play.whole_test()
    assert [row.setup for row in play.rows] == [FROM_A_TO_B]


def test_with_the_load_on_no_other_test_is_begun() -> None:
    play = Play(AT_A)
    play.press(Key.READY)
    play.until(VisitStage.IDLE)
    play.press(Key.LOAD_ON)
    assert not play.visit.choose(FROM_A_TO_B)
    play.advance()
    assert play.visit.setup == AT_A
    assert play.stage is not VisitStage.SET_UP


def test_the_test_that_can_be_repeated_has_its_own_number_where_later_ones_were_removed() -> None:
    play = Play(AT_A, AT_A)
    play.whole_test()
    visit = Visit(CIRCUIT, number=9, rows=play.rows, last=AT_A, is_typed=True)
    visit.planned(Outlook(settled=False, setup=FROM_A_TO_B))
    visit.advance(1.0)
    labels = {button.key: button.label for button in visit.view.buttons}
    assert labels[Key.REPEAT] == "Repeat test 1"


def test_a_test_of_ones_own_is_a_new_question_so_an_answer_to_the_old_one_comes_late() -> None:
    play = Play(AT_A)
    old = play.visit.view
    assert play.visit.choose(FROM_A_TO_B)
    new = play.visit.view
    assert (new.stage, new.keys, new.step) == (old.stage, old.keys, old.step + 1)
    assert not play.visit.press(Key.READY, step=old.step, blind=True)
    assert play.visit.press(Key.READY, step=new.step, blind=True)


def test_the_view_says_what_can_be_decided_and_that_is_possible() -> None:
    play = Play(AT_A)
    both, own, none = (Command.CHOOSE, Command.NOT_NOW), (Command.CHOOSE,), ()
    assert play.visit.view.choices == Choices(both, LIVE_HOOKUPS, CIRCUIT.receptacles)
    assert play.visit.leave_out(frozenset({"D", "B"}))
    assert play.visit.view.choices.words == none  # it thinks
    play.advance()
    assert play.visit.view.choices.not_now == ("B", "D")
    play.press(Key.READY)
    assert play.visit.view.choices.words == own
    assert not play.visit.leave_out(frozenset())
    play.until(VisitStage.IDLE)
    assert play.visit.view.choices.words == own
    play.load(on=True)
    assert play.visit.view.choices.words == none
    play.until_says("Switch it OFF")
    play.load(on=False)
    play.until(VisitStage.SETTLED)
    assert play.visit.view.choices.words == both


def test_boxes_without_ground_offer_no_test_of_it() -> None:
    visit = Visit(replace(CIRCUIT, grounded=False), number=1)
    assert visit.view.choices.hookups == (Hookup.NEUTRAL_NEUTRAL, Hookup.LINE_DROP)


def test_receptacles_that_cannot_be_got_at_are_planned_around() -> None:
    play = Play(AT_A)
    assert play.visit.leave_out(frozenset({"B"}))
    play.advance()
    assert play.thoughts[-1].not_now == {"B"}
    play.press(Key.READY)
    assert not play.visit.leave_out(frozenset())


def test_a_note_goes_into_the_row_of_the_test_that_runs() -> None:
    play = Play(AT_A)
    play.press(Key.READY)
    play.press(Key.NOTE, "  plug is loose ")
    play.whole_test()
    assert play.rows[0].note == "plug is loose"


def test_stop_in_a_test_voids_it_and_ends_the_visit() -> None:
    play = Play(AT_A)
    play.press(Key.READY)
    play.until(VisitStage.IDLE)
    play.press(Key.STOP)
    assert play.stage is VisitStage.STOPPED
    assert play.marks[-1] == "void"


def test_a_key_of_a_step_that_is_over_does_no_harm() -> None:
    play = Play(AT_A)
    step = play.visit.view.step
    assert play.visit.press(Key.READY, step=step, blind=True)
    assert not play.visit.press(Key.READY, step=step, blind=True)
    play.advance()
    assert play.marks == ["test"]


def test_silence_with_the_load_on_makes_the_test_void_and_says_so() -> None:
    play = Play(AT_A)
    play.until_on()
    play.wait(1.0)
    play.wait(6.0, readings=False)
    assert play.visit.view.sign is Sign.TROUBLE
    assert "No reading came" in play.visit.view.detail
    assert play.marks == ["test", "load-on"]  # nothing ends a test unasked
    play.wait(30.0)
    play.press(Key.READY)
    assert play.marks == ["test", "load-on", "void", "test"]
    play.level_mv -= 200.0
    play.whole_test()
    assert len(play.rows) == 1


def test_silence_after_the_load_ends_the_test_without_its_after_level() -> None:
    play = Play(AT_A)
    play.until_off()
    play.wait(20.0, readings=False)
    assert len(play.rows) == 1
    assert "no-after" in play.rows[0].flags


def test_a_fault_of_the_meter_is_an_alert_until_it_is_over() -> None:
    play = Play(AT_A)
    play.notice(NoticeKind.LOST, "The cable is out.")
    assert "The cable is out." in play.visit.view.alerts
    play.notice(NoticeKind.BACK)
    assert play.visit.view.alerts == ()


def test_a_full_disk_halts_the_visit_and_it_goes_on_when_there_is_room() -> None:
    play = Play(AT_A)
    play.press(Key.READY)
    play.until(VisitStage.IDLE)
    play.disk_full = True
    play.press(Key.LOAD_ON)
    assert "Nothing can be recorded" in play.visit.view.instruction
    assert "disk full" in play.visit.view.alerts
    play.wait(10.0)
    assert play.asked.count(Record) >= 3
    play.disk_full = False
    play.wait(5.0)
    assert play.stage is VisitStage.SET_UP
    play.whole_test()
    assert len(play.rows) == 1


def test_a_row_that_cannot_be_written_is_kept_and_written_once_when_there_is_room() -> None:
    play = Play(AT_A)
    play.until_off()
    refuse, play.carry_out = (
        play.carry_out,
        lambda request: (
            play.visit.not_logged("disk full") if isinstance(request, LogTest) else refuse(request)
        ),
    )
    play.wait(20.0)
    assert play.rows == []
    assert "disk full" in play.visit.view.alerts
    play.carry_out = refuse
    play.wait(5.0)
    assert len(play.rows) == 1
    assert play.visit.view.alerts == ()


def test_stopping_with_a_row_unwritten_says_that_the_next_visit_logs_it() -> None:
    play = Play(AT_A)
    play.until_off()
    refuse = play.carry_out
    play.carry_out = lambda request: (
        play.visit.not_logged("disk full") if isinstance(request, LogTest) else refuse(request)
    )
    play.wait(20.0)
    play.press(Key.STOP)
    assert play.stage is VisitStage.STOPPED
    assert "the next visit logs it" in play.visit.view.instruction


def test_a_visit_that_stops_with_something_unrecorded_or_unlogged_is_not_whole() -> None:
    play = Play(AT_A)
    assert play.visit.is_whole
    play.press(Key.READY)
    play.until(VisitStage.IDLE)
    play.disk_full = True
    play.press(Key.LOAD_ON)
    play.press(Key.STOP)
    assert play.visit.is_stopped
    assert not play.visit.is_whole


def test_a_mark_that_comes_after_the_recording_broke_off_begins_no_test() -> None:
    play = Play(AT_A)
    play.visit.press(Key.READY, blind=True)
    (request,) = play.visit.advance(play.now_s)
    play.visit.recording_failed("moved away")
    play.set_mark(request)
    play.advance()
    assert play.visit.progress is None
    assert "Nothing can be recorded" in play.visit.view.instruction
    play.wait(5.0)
    assert play.stage is VisitStage.SET_UP


ACTIONS = st.one_of(
    st.tuples(st.just("press"), st.sampled_from(Key)),
    st.tuples(st.just("likely"), st.none()),
    st.tuples(st.just("wait"), st.sampled_from([0.25, 3.0, 8.0, 20.0])),
    st.tuples(st.just("silence"), st.sampled_from([1.0, 7.0])),
    st.tuples(st.just("load"), st.sampled_from([0.0, 60.0, 300.0])),
    st.tuples(st.just("notice"), st.sampled_from(NoticeKind)),
    st.tuples(st.just("disk"), st.booleans()),
    st.tuples(st.just("choose"), st.sampled_from([AT_A, AT_A_LOAD_B, FROM_A_TO_B])),
)


@settings(max_examples=40, deadline=None)
@given(st.lists(ACTIONS, max_size=25))
def test_whatever_happens_no_test_is_lost_or_logged_twice(
    actions: list[tuple[str, object]],
) -> None:
    play = Play(AT_A, AT_A_LOAD_B, FROM_A_TO_B)
    for what, value in actions:
        act(play, what, value)
    play.disk_full = False
    play.wait(30.0)
    ended = [mark for mark in play.marks if mark == "end"]
    assert len(play.rows) == len(ended)
    assert len({row.time for row in play.rows}) == len(play.rows)


def act(play: Play, what: str, value: object) -> None:
    if what == "press":
        play.press(Key(value), "a note")
    elif what == "likely" and play.visit.view.keys:
        play.press(play.visit.view.keys[0])
    elif what == "wait":
        play.wait(float(str(value)))
    elif what == "silence":
        play.wait(float(str(value)), readings=False)
    elif what == "load":
        play.level_mv = 8.0 + float(str(value))
    elif what == "notice":
        play.notice(NoticeKind(value))
    elif what == "disk":
        play.disk_full = bool(value)
    elif what == "choose":
        play.visit.choose(value)
        play.advance()


def test_the_answer_stays_in_sight_when_the_visit_is_over() -> None:
    play = Play()
    play.visit.planned(Outlook(settled=True, answer=Answer("Window is first")))
    play.advance()
    assert play.stage is VisitStage.SETTLED
    assert play.press(Key.STOP)
    assert play.stage is VisitStage.STOPPED
    assert play.visit.view.answer == Answer("Window is first")
