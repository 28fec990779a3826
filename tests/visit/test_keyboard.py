"""Typed characters and lines become keys of the visit."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.circuit.setup import Hookup, Setup, made_setup
from meterlink.errors import UsageError
from meterlink.visit.keyboard import Keyboard, Typed, own_setup, places, typed_line
from meterlink.visit.view import Command, Key, VisitStage, VisitView

NAMES = ("Door", "Desk, left", "Bed")


def view(*keys: Key) -> VisitView:
    return VisitView(1, VisitStage.IDLE, "Test 1", "Do.", keys=keys)


@pytest.mark.parametrize(
    ("characters", "keys", "typed"),
    [
        ("l", (Key.LOAD_ON,), [Typed(Key.LOAD_ON)]),
        ("\r", (Key.READY,), [Typed(Key.READY)]),
        (" ", (Key.LOAD_OFF, Key.VOID), [Typed(Key.LOAD_OFF)]),
        ("\r", (Key.STOP,), []),  # one careless key never stops a visit
        ("\r", (Key.REPEAT,), []),
        ("Q", (), [Typed(Key.STOP)]),
        ("nlamp is on\r", (), [Typed(Key.NOTE, "lamp is on")]),
        ("n\r", (), []),
        ("nx\x1b", (), []),
        ("nab\x7f\x7fc\r", (), [Typed(Key.NOTE, "c")]),
        ("cnn 1 2 3\r", (), [Typed(Command.CHOOSE, "nn 1 2 3")]),
        ("\x1b[A", (Key.LOAD_ON,), []),  # an arrow key
        ("z", (Key.LOAD_ON,), []),
    ],
)
def test_characters_mean_keys(characters: str, keys: tuple[Key, ...], typed: list[Typed]) -> None:
    assert Keyboard().press(characters, view(*keys)) == typed


@given(st.text(max_size=60))
def test_any_characters_are_taken_without_complaint(characters: str) -> None:
    keyboard = Keyboard()
    for typed in keyboard.press(characters, view(Key.READY)):
        assert len(typed.text) <= 500


@pytest.mark.parametrize(
    ("text", "setup"),
    [
        ("nn 1 2 3", Setup(Hookup.NEUTRAL_NEUTRAL, "Door", "Desk, left", "Bed")),
        ("ng 2 2", Setup(Hookup.NEUTRAL_GROUND, "Desk, left", None, "Desk, left")),
        ("nn Door, Bed, Door", Setup(Hookup.NEUTRAL_NEUTRAL, "Door", "Bed", "Door")),
        ("line-drop, bed, DOOR", Setup(Hookup.LINE_DROP, "Bed", None, "Door")),
    ],
)
def test_a_test_of_ones_own_is_written_with_numbers_or_names(text: str, setup: Setup) -> None:
    assert own_setup(text, NAMES) == setup


@pytest.mark.parametrize(
    ("text", "setup"),
    [
        ("pr 1 3", made_setup(Hookup.PATH_RESISTANCE, "Door", "Bed")),
        ("pr 3", made_setup(Hookup.PATH_RESISTANCE, "Bed")),
        ("pr Bed panel", made_setup(Hookup.PATH_RESISTANCE, "Bed")),
        ("pr 1 3 hot", made_setup(Hookup.PATH_RESISTANCE, "Door", "Bed", side="hot")),
        ("lr 2 Hot+Ground", made_setup(Hookup.LOOP_RESISTANCE, "Desk, left", side="hot+ground")),
    ],
)
def test_a_test_of_the_dead_circuit_is_written_without_a_load(text: str, setup: Setup) -> None:
    assert own_setup(text, NAMES) == setup


def test_with_a_direct_source_ones_own_test_belongs_to_the_dead_circuit() -> None:
    found = own_setup("nn 1 2 3", NAMES, direct=True)
    assert found.dead
    assert own_setup("nn 1 2 3 1 hot", NAMES, direct=True) == made_setup(
        Hookup.NEUTRAL_NEUTRAL, "Door", "Desk, left", "Bed", side="hot", return_at="Door",
        direct=True,
    )  # fmt: skip


def test_only_what_can_be_done_in_this_visit_is_taken() -> None:
    with pytest.raises(UsageError, match=r"in this visit\. Possible here: pr 1 2"):
        own_setup("nn 1 2 3", NAMES, hookups=[Hookup.PATH_RESISTANCE])
    with pytest.raises(UsageError, match=r"in this visit\. Possible here: nn"):
        own_setup("pr 1 2", NAMES, hookups=[Hookup.NEUTRAL_NEUTRAL])


@pytest.mark.parametrize(
    "text", ["", "nn 1 2", "ng 1 2 3", "xx 1 2", "ng 1 9", "nn 1 1 2", "ng 0 1"]
)
def test_what_is_no_test_of_this_circuit_is_refused_with_how_to_write_one(text: str) -> None:
    with pytest.raises(UsageError, match=r"hookup|receptacle"):
        own_setup(text, NAMES)


@pytest.mark.parametrize(
    ("text", "found"),
    [("1 3", {"Door", "Bed"}), ("Desk, left", {"Desk, left"}), ("Bed", {"Bed"}), ("", set())],
)
def test_receptacles_that_cannot_be_got_at_are_names_or_numbers(text: str, found: set) -> None:
    assert places(text, NAMES) == found


def test_by_number_a_receptacle_that_is_named_like_a_number_is_not_meant() -> None:
    names = ("3", "1", "2")
    assert own_setup("ng 1 3", names) == Setup(Hookup.NEUTRAL_GROUND, "1", None, "3")
    by_number = own_setup("ng 1 3", names, by_number=True)
    assert by_number == Setup(Hookup.NEUTRAL_GROUND, "3", None, "2")
    assert places("1", names) == {"1"}
    assert places("1 2", names, by_number=True) == {"3", "1"}
    with pytest.raises(UsageError, match="no receptacle here"):
        places("Desk", ("Desk", "Door"), by_number=True)


@pytest.mark.parametrize(
    ("line", "typed"),
    [
        ("ready\n", Typed(Key.READY)),
        ("note a b", Typed(Key.NOTE, "a b")),
        ("choose ng 1 2", Typed(Command.CHOOSE, "ng 1 2")),
        ("map", Typed(Command.MAP)),
    ],
)
def test_lines_of_a_script_are_words(line: str, typed: Typed) -> None:
    assert typed_line(line) == replace(typed, blind=True)


def test_a_line_that_is_no_word_names_the_words() -> None:
    with pytest.raises(UsageError, match="load-on"):
        typed_line("go")


@pytest.mark.parametrize(
    ("pieces", "typed"),
    [
        (["l", "o"], [Typed(Key.LOAD_ON), Typed(Key.LOAD_OFF)]),
        (["lo", "c"], [Typed(Key.LOAD_ON), Typed(Key.LOAD_OFF)]),
        (["n", "lamp", " on", "\r"], [Typed(Key.NOTE, "lamp on")]),
        (["n", "abc", "\x1b", "q"], [Typed(Key.STOP)]),
        (["x", "r", "\x03"], []),
        (["n", "\x1b[A", "é\x00\n"], [Typed(Key.NOTE, "é")]),
    ],
)
def test_only_some_keys_are_taken_where_there_is_no_visit(
    pieces: list[str], typed: list[Typed]
) -> None:
    keyboard = Keyboard(only=(Key.LOAD_ON, Key.LOAD_OFF, Key.NOTE, Key.STOP))
    shown = view(Key.NOTE)
    assert [found for piece in pieces for found in keyboard.press(piece, shown)] == typed
