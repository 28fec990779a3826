import json
from dataclasses import replace

import pytest

from meterlink.page.hub import (
    MAX_TRACE,
    MAX_VIEWERS,
    MAX_WAITING_PRESSES,
    Hub,
    Press,
    RefusedError,
    Seen,
)
from meterlink.visit.view import Key, VisitView, Word

from .fake_visit import IDLE, ON, SET_UP, with_reading


def told(hub: Hub, viewer: str, seen: Seen) -> dict[str, object]:
    news = hub.news(viewer, seen)
    return {} if news is None else json.loads(news)


def test_a_new_viewer_is_told_everything_then_only_what_changes() -> None:
    hub = Hub()
    viewer, seen = hub.join(), Seen()
    hub.trace(0.0, 4.2)
    hub.show(IDLE)
    first = told(hub, viewer, seen)
    assert set(first) == {"view", "reading", "operator", "points"}
    assert told(hub, viewer, seen) == {}
    hub.trace(0.5, 4.4)
    hub.show(with_reading(IDLE, 4.4))
    assert told(hub, viewer, seen) == {"reading": "4.40 mV AC", "points": [[0.5, 4.4]]}
    hub.show(replace(with_reading(IDLE, 4.4), why="Another reason."))
    assert set(told(hub, viewer, seen)) == {"view"}


def test_a_viewer_that_was_away_catches_up_with_the_newest_view_and_its_trace() -> None:
    hub = Hub()
    viewer, seen = hub.join(), Seen()
    for number in range(2_000):
        hub.trace(0.1 * number, float(number))
        hub.show(with_reading(IDLE if number % 2 else ON, float(number)))
    news = told(hub, viewer, seen)
    assert news["reading"] == "1999.00 mV AC"
    points = news["points"]
    assert isinstance(points, list)
    assert len(points) == MAX_TRACE
    assert points[-1] == [pytest.approx(199.9), 1999.0]


def test_the_trace_takes_twenty_readings_a_second_and_no_rubbish() -> None:
    hub = Hub()
    for number in range(1000):
        hub.trace(number * 1e-3, 1.0)
    hub.trace(2.0, float("nan"))
    hub.trace(3.0, float("inf"))
    points = told(hub, hub.join(), Seen())["points"]
    assert isinstance(points, list)
    assert len(points) == 20


def test_the_first_viewer_operates_until_another_takes_over() -> None:
    hub = Hub()
    hub.show(IDLE)
    one, other = hub.join(), hub.join()
    seen = Seen()
    assert told(hub, one, Seen())["operator"] is True
    assert told(hub, other, seen)["operator"] is False
    hub.take_over(other)
    assert told(hub, other, seen) == {"operator": True}
    with pytest.raises(RefusedError, match="only watches"):
        hub.press(one, Press(Key.LOAD_ON, IDLE.step))
    hub.press(other, Press(Key.LOAD_ON, IDLE.step))
    assert hub.presses() == [Press(Key.LOAD_ON, IDLE.step)]
    assert hub.presses() == []


@pytest.mark.parametrize(
    ("press", "why"),
    [
        (Press(Key.LOAD_ON, 0), "over"),
        (Press(Key.LOAD_ON, 99), "over"),
        (Press(Key.LOAD_OFF, 1), "means nothing"),
    ],
)
def test_a_press_for_another_step_or_without_meaning_is_refused(press: Press, why: str) -> None:
    hub = Hub()
    viewer = hub.join()
    hub.show(IDLE)
    with pytest.raises(RefusedError, match=why):
        hub.press(viewer, press)
    assert hub.presses() == []


def test_a_finger_that_taps_twice_presses_once_in_a_step() -> None:
    hub = Hub()
    viewer = hub.join()
    hub.show(IDLE)
    hub.press(viewer, Press(Key.LOAD_ON, 1))
    with pytest.raises(RefusedError, match="already"):
        hub.press(viewer, Press(Key.LOAD_ON, 1))
    hub.show(ON)
    hub.press(viewer, Press(Key.LOAD_OFF, 2))
    assert [press.key for press in hub.presses()] == [Key.LOAD_ON, Key.LOAD_OFF]


def test_notes_may_follow_each_other_but_do_not_pile_up() -> None:
    hub = Hub()
    viewer = hub.join()
    hub.show(IDLE)
    notes = [Press(Key.NOTE, 1, f"note {number}") for number in range(MAX_WAITING_PRESSES)]
    for note in notes:
        hub.press(viewer, note)
    with pytest.raises(RefusedError, match="too many keys"):
        hub.press(viewer, Press(Key.NOTE, 1, "one more"))
    assert hub.presses() == notes


def test_a_test_of_ones_own_and_receptacles_to_leave_out_are_taken_by_number() -> None:
    hub = Hub()
    viewer = hub.join()
    hub.show(SET_UP)
    presses = [
        Press(Word.CHOOSE, SET_UP.step, "nn 1 2 5"),
        Press(Word.CHOOSE, SET_UP.step, "ng 1 2"),  # another thought in the same step
        Press(Word.NOT_NOW, SET_UP.step, "4 5"),
    ]
    for press in presses:
        hub.press(viewer, press)
    assert hub.presses() == presses


@pytest.mark.parametrize(
    ("word", "text", "why"),
    [
        (Word.CHOOSE, "", "Write a hookup"),
        (Word.CHOOSE, "nn 1 2", "Write a hookup"),
        (Word.CHOOSE, "nn 1 1 2", "Both leads are at 'Door'"),
        (Word.CHOOSE, "ng Door 1", "no receptacle"),
        (Word.CHOOSE, "ng 6 1", "no receptacle"),
        (Word.NOT_NOW, "Desk", "no receptacle"),
        (Word.NOT_NOW, "1 0", "no receptacle"),
        (Word.MAP, "", "means nothing"),
        (Word.REPORT, "", "means nothing"),
    ],
)
def test_what_is_no_test_or_receptacle_is_refused_in_words(word: Word, text: str, why: str) -> None:
    hub = Hub()
    viewer = hub.join()
    hub.show(SET_UP)
    with pytest.raises(RefusedError, match=why):
        hub.press(viewer, Press(word, SET_UP.step, text))
    assert hub.presses() == []


@pytest.mark.parametrize(
    ("view", "word"), [(ON, Word.CHOOSE), (ON, Word.NOT_NOW), (IDLE, Word.NOT_NOW)]
)
def test_what_cannot_be_decided_now_is_refused(view: VisitView, word: Word) -> None:
    hub = Hub()
    viewer = hub.join()
    hub.show(view)
    with pytest.raises(RefusedError, match="means nothing now"):
        hub.press(viewer, Press(word, view.step, "ng 1 2" if word is Word.CHOOSE else "1"))


def test_who_only_watches_decides_nothing() -> None:
    hub = Hub()
    hub.join()
    watching = hub.join()
    hub.show(SET_UP)
    with pytest.raises(RefusedError, match="only watches"):
        hub.press(watching, Press(Word.CHOOSE, SET_UP.step, "ng 1 2"))
    assert hub.presses() == []


def test_before_the_visit_shows_something_no_key_means_anything() -> None:
    hub = Hub()
    with pytest.raises(RefusedError):
        hub.press(hub.join(), Press(Key.STOP, 0))


def test_viewers_that_are_away_make_room_and_those_that_look_stay() -> None:
    hub = Hub()
    operator = hub.join()
    looking = hub.join()
    hub.arrive(looking)
    away = hub.join()
    for _ in range(MAX_VIEWERS):
        hub.join()
    assert hub.knows(operator)
    assert hub.knows(looking)
    assert not hub.knows(away)


def test_when_all_look_nobody_else_is_admitted() -> None:
    hub = Hub()
    for _ in range(MAX_VIEWERS):
        hub.arrive(hub.join())
    with pytest.raises(RefusedError, match="too many viewers"):
        hub.join()


def test_text_is_made_safe_on_its_way_out() -> None:
    hub = Hub()
    hub.show(replace(IDLE, title="\u202eTest\x1b[2J", reading="\x07"))
    news = hub.news(hub.join(), Seen())
    assert news is not None
    decoded = json.loads(news)
    assert decoded["view"]["title"] == "\ufffdTest\ufffd[2J"
    assert decoded["reading"] == "\ufffd"


def test_a_secret_that_was_never_given_is_not_known() -> None:
    hub = Hub()
    hub.join()
    assert not hub.knows("")
    assert not hub.knows("ü" * 43)
