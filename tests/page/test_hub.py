import json
from dataclasses import replace

import pytest

from meterlink.page.hub import (
    MAX_STREAMS,
    MAX_TRACE,
    MAX_VIEWERS,
    MAX_WAITING_PRESSES,
    Hub,
    Papers,
    Press,
    RefusedError,
    Seen,
)
from meterlink.visit.view import Command, Key, VisitView

from .fake_visit import EVERY, IDLE, ON, SET_UP, TYPED, WAIT, with_reading

A, B = "first phone", "second phone"


def told(hub: Hub, seen: Seen, viewer: str = A) -> dict[str, object]:
    news = hub.news(viewer, seen)
    return {} if news is None else json.loads(news)


@pytest.fixture
def hub() -> Hub:
    """A hub whose first phone operates."""
    made = Hub()
    made.arrive(A)
    return made


def test_a_new_viewer_is_told_everything_then_only_what_changes(hub: Hub) -> None:
    seen = Seen()
    hub.trace(0.0, 4.2)
    hub.show(IDLE)
    first = told(hub, seen)
    assert set(first) == {"view", "operator", "points"}
    assert first["view"]["run"] == hub.run  # type: ignore[index]
    assert told(hub, seen) == {}
    hub.trace(0.5, 4.4)
    hub.show(with_reading(IDLE, 4.4))
    assert told(hub, seen) == {"view": {"reading": "4.40 mV AC"}, "points": [[0.5, 4.4]]}
    hub.show(replace(with_reading(IDLE, 4.4), detail="Another reason."))
    assert told(hub, seen) == {"view": {"detail": "Another reason."}}
    hub.show(replace(with_reading(IDLE, 4.4), detail="Another reason."))
    assert told(hub, seen) == {}


def test_every_part_of_a_view_reaches_the_viewer(hub: Hub) -> None:
    for view in EVERY.values():
        hub.show(view)
        shown = told(hub, Seen())["view"]
        assert isinstance(shown, dict)
        assert shown["instruction"] == view.instruction
        assert [button["label"] for button in shown["buttons"]] == [b.label for b in view.buttons]
        assert (shown["answer"] is None) == (view.answer is None)
        assert (shown["typed"] is None) == (view.typed is None)


def test_a_viewer_that_was_away_catches_up_with_the_newest_view_and_its_trace(hub: Hub) -> None:
    for number in range(2_000):
        hub.trace(0.1 * number, float(number))
        hub.show(with_reading(IDLE if number % 2 else ON, float(number)))
    news = told(hub, Seen())
    assert news["view"]["reading"] == "1999.00 mV AC"  # type: ignore[index]
    points = news["points"]
    assert isinstance(points, list)
    assert len(points) == MAX_TRACE
    assert points[-1] == [pytest.approx(199.9), 1999.0]


def test_the_trace_takes_twenty_readings_a_second_and_no_rubbish(hub: Hub) -> None:
    for number in range(1000):
        hub.trace(number * 1e-3, 1.0)
    hub.trace(2.0, float("nan"))
    hub.trace(3.0, float("inf"))
    points = told(hub, Seen())["points"]
    assert isinstance(points, list)
    assert len(points) == 20


def test_the_trace_begins_again_with_a_new_recording(hub: Hub) -> None:
    hub.trace(500.0, 1.0)
    hub.trace(0.5, 2.0)
    assert told(hub, Seen())["points"] == [[0.5, 2.0]]


def test_the_first_viewer_operates_until_another_takes_over(hub: Hub) -> None:
    hub.show(IDLE)
    hub.arrive(B)
    seen = Seen()
    assert told(hub, Seen(), A)["operator"] is True
    assert told(hub, seen, B)["operator"] is False
    hub.take_over(B)
    assert told(hub, seen, B) == {"operator": True}
    with pytest.raises(RefusedError, match="Another phone is in control"):
        hub.press(A, Press(Key.LOAD_ON, IDLE.step))
    hub.press(B, Press(Key.LOAD_ON, IDLE.step))
    assert hub.presses() == [Press(Key.LOAD_ON, IDLE.step)]
    assert hub.presses() == []


@pytest.mark.parametrize(
    "press", [Press(Key.LOAD_OFF, 1), Press(Key.LOAD_OFF, 99), Press(Key.LOAD_ON, 2)]
)
def test_a_press_for_another_step_or_without_meaning_is_refused(hub: Hub, press: Press) -> None:
    hub.show(ON)
    with pytest.raises(RefusedError, match="That step is over"):
        hub.press(A, press)
    assert hub.presses() == []


def test_a_key_that_says_the_same_since_a_step_is_taken_after_readings_and_steps(hub: Hub) -> None:
    hub.show(IDLE)
    for step in range(2, 9):
        hub.show(replace(with_reading(WAIT, step), step=step))
    hub.press(A, Press(Key.STOP, IDLE.step))
    assert hub.presses() == [Press(Key.STOP, IDLE.step)]


def test_a_key_that_has_just_appeared_is_dead(hub: Hub) -> None:
    new = replace(ON.buttons[0], is_live=False)
    hub.show(replace(ON, buttons=(new, *ON.buttons[1:])))
    with pytest.raises(RefusedError):
        hub.press(A, Press(Key.LOAD_OFF, ON.step))
    hub.show(ON)
    hub.press(A, Press(Key.LOAD_OFF, ON.step))


def test_a_press_of_another_run_of_the_program_is_refused(hub: Hub) -> None:
    hub.show(IDLE)
    with pytest.raises(RefusedError, match="started again"):
        hub.press(A, Press(Key.LOAD_ON, IDLE.step), "the run before")
    hub.press(A, Press(Key.LOAD_ON, IDLE.step), hub.run)
    assert Hub().run != hub.run


def test_a_finger_that_taps_twice_presses_once_in_a_step(hub: Hub) -> None:
    hub.show(IDLE)
    hub.press(A, Press(Key.LOAD_ON, 1))
    with pytest.raises(RefusedError, match="already"):
        hub.press(A, Press(Key.LOAD_ON, 1))
    hub.show(ON)
    hub.press(A, Press(Key.LOAD_OFF, 2))
    assert [press.key for press in hub.presses()] == [Key.LOAD_ON, Key.LOAD_OFF]


def test_a_storm_of_keys_leaves_one_press_of_each(hub: Hub) -> None:
    hub.show(IDLE)
    refused = 0
    for number in range(3_000):
        key = list(Key)[number % len(Key)]
        try:
            hub.press(A, Press(key, IDLE.step, "note" if key is Key.NOTE else ""))
        except RefusedError:
            refused += 1
    found = [press.key for press in hub.presses()]
    assert len(found) == 3_000 - refused <= MAX_WAITING_PRESSES
    assert sorted(key for key in found if key is not Key.NOTE) == sorted(
        button.key for button in IDLE.buttons if button.key is not Key.NOTE
    )


def test_notes_may_follow_each_other_but_do_not_pile_up(hub: Hub) -> None:
    hub.show(IDLE)
    notes = [Press(Key.NOTE, 1, f"note {number}") for number in range(MAX_WAITING_PRESSES)]
    for note in notes:
        hub.press(A, note)
    with pytest.raises(RefusedError, match="Too many taps"):
        hub.press(A, Press(Key.NOTE, 1, "one more"))
    assert hub.presses() == notes


def test_what_is_decided_besides_is_taken_by_number_in_whatever_step(hub: Hub) -> None:
    hub.show(SET_UP)
    presses = [
        Press(Command.CHOOSE, 1, "nn 1 2 5"),
        Press(Command.CHOOSE, SET_UP.step, "ng 1 2"),  # another thought in the same step
        Press(Command.NOT_NOW, SET_UP.step, "4 5"),
        Press(Command.UNDO, 2, "6"),
        Press(Command.UNDO, 2, "5"),
        Press(Command.RHYTHM, 2),
    ]
    for press in presses:
        hub.press(A, press)
    assert hub.presses() == presses


@pytest.mark.parametrize(
    ("word", "text", "why"),
    [
        (Command.CHOOSE, "", "Write a hookup"),
        (Command.CHOOSE, "nn 1 2", "Write a hookup"),
        (Command.CHOOSE, "nn 1 1 2", "Both leads are at 'Door'"),
        (Command.CHOOSE, "ng Door 1", "no receptacle"),
        (Command.CHOOSE, "ng 6 1", "no receptacle"),
        (Command.NOT_NOW, "Desk", "no receptacle"),
        (Command.NOT_NOW, "1 0", "no receptacle"),
        (Command.UNDO, "4", "Test 4 cannot be undone now"),
        (Command.UNDO, "99", "Test 99 cannot be undone now"),
        (Command.UNDO, "", "cannot be undone"),
        (Command.IDLE, "6", "No reading is asked for"),
        (Command.MAP, "", "Not possible now"),
        (Command.REPORT, "", "Not possible now"),
    ],
)
def test_what_makes_no_sense_is_refused_in_words(
    hub: Hub, word: Command, text: str, why: str
) -> None:
    hub.show(SET_UP)
    with pytest.raises(RefusedError, match=why):
        hub.press(A, Press(word, SET_UP.step, text))
    assert hub.presses() == []


def test_a_typed_reading_is_taken_once_for_the_step_that_asks_for_it(hub: Hub) -> None:
    hub.show(TYPED)
    for press in (
        Press(Command.ON, TYPED.step, "6 mV"),
        Press(Command.IDLE, TYPED.step - 1, "6 mV"),
        Press(Command.IDLE, TYPED.step, " "),
        Press(Command.IDLE, TYPED.step, "6" * 61),
    ):
        with pytest.raises(RefusedError):
            hub.press(A, press)
    hub.press(A, Press(Command.IDLE, TYPED.step, "6.5 mV"))
    with pytest.raises(RefusedError, match="already"):
        hub.press(A, Press(Command.IDLE, TYPED.step, "6.5 mV"))
    assert hub.presses() == [Press(Command.IDLE, TYPED.step, "6.5 mV")]


@pytest.mark.parametrize(
    ("view", "word"), [(ON, Command.CHOOSE), (ON, Command.NOT_NOW), (IDLE, Command.NOT_NOW)]
)
def test_what_cannot_be_decided_now_is_refused(hub: Hub, view: VisitView, word: Command) -> None:
    hub.show(view)
    with pytest.raises(RefusedError, match="Not possible now"):
        hub.press(A, Press(word, view.step, "ng 1 2" if word is Command.CHOOSE else "1"))


def test_who_only_watches_decides_nothing(hub: Hub) -> None:
    hub.arrive(B)
    hub.show(SET_UP)
    with pytest.raises(RefusedError, match="Another phone"):
        hub.press(B, Press(Command.CHOOSE, SET_UP.step, "ng 1 2"))
    assert hub.presses() == []


def test_before_the_visit_shows_something_no_key_means_anything(hub: Hub) -> None:
    with pytest.raises(RefusedError):
        hub.press(A, Press(Key.STOP, 0))


def test_papers_are_told_of_and_stay_when_newer_ones_are_empty(hub: Hub) -> None:
    hub.keep(Papers("<svg/>", "<p>report", "label"))
    hub.keep(Papers("<svg>2</svg>"))
    assert hub.papers == Papers("<svg>2</svg>", "<p>report", "label")
    _, *names = told(hub, Seen())["view"]["papers"]  # type: ignore[index]
    assert names == ["map_svg", "report", "label"]


def test_viewers_that_are_away_make_room_and_those_that_look_stay(hub: Hub) -> None:
    hub.arrive(B)
    for number in range(3 * MAX_VIEWERS):
        hub.arrive(f"passing {number}")
        hub.leave(f"passing {number}")
    hub.arrive("last")
    hub.leave(A)
    hub.leave(B)


def test_when_all_look_nobody_else_is_admitted(hub: Hub) -> None:
    for number in range(MAX_VIEWERS - 1):
        hub.arrive(str(number))
    with pytest.raises(RefusedError, match="too many viewers"):
        hub.arrive("one more")


def test_one_phone_does_not_take_all_the_room(hub: Hub) -> None:
    for _ in range(MAX_STREAMS - 1):
        hub.arrive(A)
    with pytest.raises(RefusedError, match="too many times"):
        hub.arrive(A)
    hub.arrive(B)


def test_text_is_made_safe_on_its_way_out(hub: Hub) -> None:
    hub.show(replace(IDLE, title="\u202eTest\x1b[2J", reading="\x07"))
    view = told(hub, Seen())["view"]
    assert isinstance(view, dict)
    assert view["title"] == "\ufffdTest\ufffd[2J"
    assert view["reading"] == "\ufffd"
