"""Answers that come late, twice, or to nothing: a visit takes each where it means something."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from drivers.readings import Mark
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.testlog.columns import TestRow
from meterlink.visit.loop import Visit
from meterlink.visit.planning import Outlook
from meterlink.visit.state import LogTest, Record, Request, SetMark, Think, TypedTest, Withdraw
from meterlink.visit.steps import MOST_NOTE, RETRY_S
from meterlink.visit.typed_levels import typed_row
from meterlink.visit.view import Key, Sign, VisitStage

from .playing import AT_A, FROM_A_TO_B, Play

CIRCUIT = Circuit("Three", ("A", "B", "C"), volts=120, hertz=60, load_amps=12.0)
OHMS = Setup(Hookup.PATH_RESISTANCE, "A", "B", "", "neutral")
NOW = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)


def typed(setup: Setup = AT_A, **more: object) -> Visit:
    """A visit of typed readings that asks for a test."""
    visit = Visit(CIRCUIT, number=1, is_typed=True)
    assert [type(request) for request in visit.advance(0.0)] == [Think]
    visit.planned(Outlook(settled=False, setup=setup, why="To know.", **more))
    visit.advance(5.0)
    return visit


def asked(visit: Visit, now_s: float = 10.0) -> list[Request]:
    return visit.advance(now_s)


def row_of(setup: Setup, number: int = 1) -> TestRow:
    return replace(typed_row(TypedTest(setup, 6.0, 215.0), CIRCUIT, NOW), test=number)


def test_an_outlook_that_comes_when_nobody_waits_for_it_changes_no_question() -> None:
    visit = typed()
    step = visit.view.step
    visit.planned(Outlook(settled=True, certainty="all is known"))
    asked(visit)
    assert visit.view.stage is VisitStage.SET_UP
    assert visit.setup == AT_A
    assert visit.view.step >= step


def test_where_no_test_is_possible_the_person_is_told_why() -> None:
    visit = Visit(CIRCUIT, number=1, is_typed=True)
    asked(visit)
    visit.planned(Outlook(settled=False, setup=None, why="Nothing can be reached."))
    asked(visit)
    assert visit.view.sign is Sign.TROUBLE
    assert visit.view.detail == "Nothing can be reached."
    assert not visit.type_levels(6.0, 215.0)
    assert not visit.press(Key.JUMP, blind=True)


def test_a_row_that_nobody_asked_for_is_not_counted() -> None:
    visit = typed()
    visit.logged(row_of(AT_A))
    assert visit.number == 1
    assert visit.is_whole


def test_levels_are_taken_in_their_order_and_only_while_they_are_wanted() -> None:
    visit = typed()
    assert not visit.type_levels(None, 215.0)  # without the one before
    assert visit.type_levels(6.0, None)
    assert visit.view.stage is VisitStage.IDLE
    assert visit.type_levels(None, 215.0)
    [request] = asked(visit)
    assert isinstance(request, LogTest)
    assert request.done == TypedTest(AT_A, 6.0, 215.0)
    assert not visit.type_levels(6.0, 215.0)  # it is being saved


def test_an_ohmmeter_has_no_level_without_load() -> None:
    visit = typed(OHMS)
    assert visit.type_levels(None, 0.143)
    [request] = asked(visit)
    assert isinstance(request, LogTest)
    assert request.done == TypedTest(OHMS, None, 0.143)


def test_a_typed_test_that_is_refused_is_asked_for_again_with_the_reason() -> None:
    visit = typed(OHMS)
    visit.type_levels(None, 300.0)
    asked(visit)
    visit.refused("300 ohm is no resistance of a cable.")
    asked(visit, 12.0)
    assert visit.view.stage is VisitStage.SET_UP
    assert "300 ohm is no resistance of a cable." in " ".join(visit.view.alerts)
    assert visit.type_levels(None, 0.3)
    assert visit.is_whole is False  # until it is saved


def test_what_cannot_be_saved_is_asked_for_again_after_a_while_and_not_before() -> None:
    visit = typed()
    visit.type_levels(6.0, 215.0)
    assert len(asked(visit, 10.0)) == 1
    visit.not_logged("The disk is full.")
    assert asked(visit, 10.0 + RETRY_S - 0.1) == []
    assert visit.view.sign is Sign.TROUBLE
    [again] = asked(visit, 10.0 + RETRY_S)
    assert isinstance(again, LogTest)
    visit.logged(row_of(AT_A))
    assert visit.is_whole
    assert visit.number == 2


def test_an_undone_test_is_undone_once_and_thought_about_again() -> None:
    visit = typed()
    visit.type_levels(6.0, 215.0)
    asked(visit)
    visit.logged(row_of(AT_A))
    asked(visit, 12.0)
    assert not visit.undo(7)
    assert visit.undo(1)
    [request] = asked(visit, 13.0)
    assert request == Withdraw(1)
    visit.withdrawn(1)
    assert [type(r) for r in asked(visit, 14.0)] == [Think]
    visit.withdrawn(1)
    assert asked(visit, 15.0) == []
    assert not visit.undo(1)


def test_what_is_decided_in_the_wrong_moment_is_not_decided() -> None:
    visit = typed()
    visit.type_levels(6.0, 215.0)  # being saved
    assert not visit.choose(FROM_A_TO_B)
    assert not visit.leave_out(frozenset({"A"}))
    assert visit.not_now == frozenset()


def test_only_the_verdict_is_a_test_too() -> None:
    for key, verdict in ((Key.JUMP, Verdict.IN_PATH), (Key.NO_JUMP, Verdict.NOT_IN_PATH)):
        visit = typed()
        assert visit.press(key, blind=True)
        [request] = asked(visit)
        assert isinstance(request, LogTest)
        assert request.done == TypedTest(AT_A, verdict=verdict)


def test_an_odd_value_is_kept_corrected_or_typed_again() -> None:
    for key, on in ((Key.KEEP, 0.815), (Key.CORRECT, 815.0)):
        visit = typed(FROM_A_TO_B, expected=(700.0, 900.0))
        assert visit.type_levels(6.0, 0.815)
        assert asked(visit) == []
        assert not visit.type_levels(6.0, 815.0)  # first say which it was
        assert visit.press(key, blind=True)
        [request] = asked(visit, 12.0)
        assert isinstance(request, LogTest)
        assert request.done.on == pytest.approx(on)
    visit = typed(FROM_A_TO_B, expected=(700.0, 900.0))
    visit.type_levels(6.0, 0.815)
    assert visit.press(Key.VOID, blind=True)
    assert visit.type_levels(None, 815.0)  # the one without load stands


# with a meter


def test_a_recording_that_breaks_off_after_the_end_is_no_news() -> None:
    play = Play(AT_A)
    play.visit.stop()
    play.advance()
    assert play.visit.is_stopped
    play.visit.recording_failed("disk full")
    assert play.visit.is_whole


def test_a_second_recording_is_only_begun_where_one_broke_off() -> None:
    play = Play(AT_A)
    play.visit.recording()
    assert play.visit.advance(play.now_s) == []
    assert play.stage is VisitStage.SET_UP


def test_marks_that_belong_to_no_test_of_this_visit_end_none() -> None:
    play = Play(AT_A)
    for kind in ("end", "void", "note", "load-on"):
        play.take(Mark(play.now_s, kind))
    play.advance()
    assert play.stage is VisitStage.SET_UP
    assert play.rows == []


def test_a_note_is_cut_to_what_a_recording_holds_and_an_empty_one_is_none() -> None:
    play = Play(AT_A)
    assert not play.visit.press(Key.NOTE, "   ", blind=True)
    assert play.visit.press(Key.NOTE, "x" * 600 + "\ud800", blind=True)
    [mark] = [r for r in play.visit.advance(play.now_s) if isinstance(r, SetMark)]
    assert mark.text == "x" * MOST_NOTE


def test_the_first_thing_that_a_visit_with_a_meter_asks_for_is_a_recording() -> None:
    visit = Visit(CIRCUIT, number=1)
    assert [type(request) for request in visit.advance(0.0)] == [Record]
    visit.recording_failed("The disk is full.")
    assert not visit.is_whole
    assert visit.advance(RETRY_S - 0.1) == []
    assert [type(request) for request in visit.advance(RETRY_S)] == [Record]
    visit.recording()
    assert [type(request) for request in visit.advance(RETRY_S + 0.1)] == [Think]
    assert visit.is_whole
