"""What is typed and pressed reaches the visit; what makes no sense is said and changes nothing."""

from dataclasses import replace

import pytest

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Setup
from meterlink.live.visit_commands import VisitCommands
from meterlink.page.hub import Press
from meterlink.visit.keyboard import Typed
from meterlink.visit.view import Command, Key, VisitStage, VisitView, Wanted

NAMES = ("Door", "Desk", "Bed")
SHOWN = VisitView(7, VisitStage.SET_UP, "Test 1", "Plug it in.")
WANTED = replace(SHOWN, typed=Wanted(Command.IDLE, "Reading without load", "mV"))


class PlayedVisit:
    """Takes what it is told, and answers whether that means something."""

    def __init__(self, view: VisitView = SHOWN, *, means: bool = True) -> None:
        self.view = view
        self.setup: Setup | None = Setup(Hookup.NEUTRAL_NEUTRAL, "Door", "Desk", "Bed")
        self.not_now = frozenset({"Bed"})
        self.means = means
        self.told: list[tuple] = []

    def press(self, key: Key, text: str = "", step: int | None = None, *, blind: bool = False):
        self.told.append(("press", key, text, step, blind))
        return self.means

    def stop(self) -> None:
        self.told.append(("stop",))

    def choose(self, setup: Setup) -> bool:
        self.told.append(("choose", setup))
        return self.means

    def leave_out(self, names: frozenset[str]) -> bool:
        self.told.append(("leave out", names))
        return self.means

    def undo(self, test: int) -> bool:
        self.told.append(("undo", test))
        return self.means

    def set_rhythm(self, *, on: bool) -> None:
        self.told.append(("rhythm", on))

    def type_levels(self, idle: float | None, on: float | None, step: float | None = None) -> bool:
        self.told.append(("levels", idle, on) if step is None else ("ohms", on, step))
        return self.means


class Desk:
    """Commands of a played visit with all that they said and showed."""

    def __init__(self, view: VisitView = SHOWN, *, means: bool = True) -> None:
        self.visit = PlayedVisit(view, means=means)
        self.said: list[str] = []
        self.shown: list[Command] = []
        self.commands = VisitCommands(
            self.visit,  # type: ignore[arg-type]
            Circuit("Flat", NAMES),
            self.said.append,
            self.shown.append,
        )

    def typed(self, what: Key | Command, text: str = "", *, blind: bool = False) -> list[tuple]:
        self.commands.typed(Typed(what, text, blind=blind))
        return self.visit.told


@pytest.mark.parametrize("blind", [False, True])
def test_a_key_is_passed_on_as_it_was_hit_or_named(blind: bool) -> None:
    told = Desk().typed(Key.LOAD_ON, blind=blind)
    assert told == [("press", Key.LOAD_ON, "", None, blind)]
    assert Desk().typed(Key.NOTE, "lamp") == [("press", Key.NOTE, "lamp", None, False)]


def test_a_script_that_says_stop_stops_whatever_the_view_shows() -> None:
    assert Desk().typed(Key.STOP, blind=True) == [("stop",)]
    assert Desk().typed(Key.STOP) == [("press", Key.STOP, "", None, False)]


def test_a_press_of_the_page_names_the_step_that_it_answers() -> None:
    desk = Desk()
    desk.commands.pressed(Press(Key.READY, 6))
    assert desk.visit.told == [("press", Key.READY, "", 6, False)]


def test_a_command_of_the_page_counts_for_the_step_that_is_shown_alone() -> None:
    desk = Desk()
    desk.commands.pressed(Press(Command.CHOOSE, 6, "ng 1 2"))
    assert desk.visit.told == []
    desk.commands.pressed(Press(Command.CHOOSE, 7, "ng 1 2"))
    assert desk.visit.told == [("choose", Setup(Hookup.NEUTRAL_GROUND, "Door", None, "Desk"))]


@pytest.mark.parametrize(
    ("command", "text", "told"),
    [(Command.UNDO, "3", ("undo", 3)), (Command.RHYTHM, "", ("rhythm", True))],
)
def test_what_hangs_on_no_step_counts_when_it_comes_late_too(
    command: Command, text: str, told: tuple
) -> None:
    desk = Desk()
    desk.commands.pressed(Press(command, 1, text))
    assert desk.visit.told == [told]


def test_the_page_means_receptacles_by_number_and_the_terminal_by_name_too() -> None:
    desk = Desk()
    desk.commands.pressed(Press(Command.CHOOSE, 7, "ng Door Desk"))
    assert desk.visit.told == []
    assert "'Door' is no receptacle here" in desk.said[0]
    assert desk.typed(Command.CHOOSE, "ng Door, Desk")[0][0] == "choose"


def test_a_test_that_cannot_be_picked_now_says_when_it_can() -> None:
    desk = Desk(means=False)
    desk.typed(Command.CHOOSE, "ng 1 2")
    assert desk.said == ["Another test can be picked before the load is on."]
    desk = Desk()
    desk.typed(Command.CHOOSE, "what")
    assert desk.visit.told == []
    assert "nn 1 2 3 (neutral of 1 to neutral of 2" in desk.said[0]


def test_skipping_toggles_and_says_what_is_skipped() -> None:
    desk = Desk()
    assert desk.typed(Command.NOT_NOW, "1 3") == [("leave out", frozenset({"Door"}))]
    assert desk.said == ["Skipped for now: Door."]
    desk.typed(Command.NOT_NOW, "Bed")
    assert desk.said[-1] == "Skipped for now: none."
    late = Desk(means=False)
    late.typed(Command.NOT_NOW, "Bed")
    assert late.said == ["That can be said when the leads are asked for."]


def test_the_rhythm_is_turned_on_and_off() -> None:
    assert Desk().typed(Command.RHYTHM) == [("rhythm", True)]
    assert Desk(replace(SHOWN, rhythm=True)).typed(Command.RHYTHM) == [("rhythm", False)]


@pytest.mark.parametrize(("text", "number"), [("8", 8), (" #8 ", 8), ("0012", 12)])
def test_a_test_is_undone_by_its_number(text: str, number: int) -> None:
    desk = Desk()
    assert desk.typed(Command.UNDO, text) == [("undo", number)]
    assert desk.said == []


@pytest.mark.parametrize("text", ["", "eight", "-1", "٣", "1.5"])
def test_what_is_no_number_of_a_test_undoes_nothing(text: str) -> None:
    desk = Desk()
    assert desk.typed(Command.UNDO, text) == []
    assert "cannot be undone now: name one of the log" in desk.said[0]


def test_a_test_that_is_not_there_is_said_not_to_be() -> None:
    desk = Desk(means=False)
    desk.typed(Command.UNDO, "99")
    assert desk.said == ["Test '99' cannot be undone now: name one of the log."]


@pytest.mark.parametrize("command", [Command.MAP, Command.REPORT, Command.ISOLATE])
def test_what_is_to_be_shown_is_shown_elsewhere(command: Command) -> None:
    desk = Desk()
    assert desk.typed(command) == []
    assert desk.shown == [command]


# typed readings


@pytest.mark.parametrize(
    ("command", "text", "view", "told"),
    [
        (Command.LEVELS, "6 815", WANTED, ("levels", 6.0, 815.0)),
        (Command.LEVELS, "6", WANTED, ("levels", 6.0, None)),
        (Command.IDLE, "6 mV", WANTED, ("levels", 6.0, None)),
        (Command.ON, "0.815 V", WANTED, ("levels", None, 815.0)),
        (
            Command.LEVELS,
            "815",
            replace(SHOWN, typed=Wanted(Command.ON, "Reading with load", "mV")),
            ("levels", None, 815.0),
        ),
    ],
)
def test_a_typed_reading_is_the_one_that_is_wanted(
    command: Command, text: str, view: VisitView, told: tuple
) -> None:
    desk = Desk(view)
    assert desk.typed(command, text) == [told]
    assert desk.said == []


def test_a_reading_that_nobody_wants_changes_nothing() -> None:
    for desk in (Desk(), Desk(WANTED)):
        if desk.visit.view is WANTED:
            desk.visit.setup = None
        assert desk.typed(Command.LEVELS, "6 815") == []
        assert desk.said == ["No reading is wanted now."]


def test_two_readings_for_one_word_are_refused() -> None:
    desk = Desk(WANTED)
    assert desk.typed(Command.IDLE, "6 815") == []
    assert desk.said == ["One reading goes with that word."]


def test_the_reading_with_load_comes_after_the_one_without() -> None:
    desk = Desk(WANTED, means=False)
    desk.typed(Command.ON, "815")
    assert desk.said == ["Type the reading without load first."]


@pytest.mark.parametrize("text", ["", "much", "6 ohm", "1 2 3"])
def test_what_is_no_reading_is_said_not_to_be(text: str) -> None:
    desk = Desk(WANTED)
    assert desk.typed(Command.LEVELS, text) == []
    assert len(desk.said) == 1


@pytest.mark.parametrize(
    ("text", "ohms", "step"),
    [("0.140", 0.14, 0.001), ("0,14 ohm", 0.14, 0.01), ("140 mohm", 0.14, 0.001)],
)
def test_ohms_keep_the_weight_of_the_last_digit_that_was_typed(
    text: str, ohms: float, step: float
) -> None:
    desk = Desk(replace(SHOWN, typed=Wanted(Command.ON, "Reading", "ohm")))
    desk.visit.setup = Setup(Hookup.PATH_RESISTANCE, "Door", "Desk", "", "neutral")
    [(kind, value, weight)] = desk.typed(Command.LEVELS, text)
    assert (kind, value) == ("ohms", pytest.approx(ohms))
    assert weight == pytest.approx(step)
