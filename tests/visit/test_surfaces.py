"""What a person at a terminal and a script see of a visit: views in, lines out, keys back."""

import io
import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from types import SimpleNamespace

import pytest
from memory_terminal import MemoryTerminal, on_a_screen

from drivers.readings import Function, Mark, Reading
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.commands import guided_surfaces
from meterlink.commands.guided_surfaces import ScreenSurface, ScriptSurface, TextSurface, as_drawn
from meterlink.visit.keyboard import Typed
from meterlink.visit.notices import Notice, NoticeKind
from meterlink.visit.planning import Outlook
from meterlink.visit.view import (
    Button,
    Choices,
    Command,
    Cue,
    Key,
    PastTest,
    Sign,
    Sound,
    VisitStage,
    VisitView,
    Wanted,
)

from ..show.maps import chain
from ..tree.plain import row

NAMES = ("Porch", "Attic", "Bed")
ASKED = VisitView(
    1,
    VisitStage.SET_UP,
    "Test 3",
    "Plug the heater in at Bed.",
    keys=(Key.READY, Key.STOP),
    certainty="71 % sure",
    sign=Sign.SET_UP,
    leads="neutral of Porch to neutral of Attic",
    load="Bed",
    detail="It tells most.",
    buttons=(Button(Key.READY, "Leads and heater ready"), Button(Key.STOP, "Stop")),
)
MEASURED = replace(
    ASKED,
    step=2,
    stage=VisitStage.IDLE,
    instruction="Switch it ON.",
    sign=Sign.SWITCH_ON,
    reading="8.00 mV",
    levels=(("idle", "8.0 mV"),),
    detail="",
    keys=(Key.LOAD_ON, Key.VOID),
    buttons=(
        Button(Key.LOAD_ON, "I switched it ON"),
        Button(Key.VOID, "Discard this try", is_grave=True),
    ),
)
OUTLOOK = Outlook(False, "71 % sure that Porch is first", (), chain(), None, None, "")


class HeldKeys:
    """A keyboard that gives what it was told to."""

    available = True

    def __init__(self) -> None:
        self.waiting = ""
        self.on_return: Callable[[], None] = lambda: None

    def pressed(self) -> str:
        text, self.waiting = self.waiting, ""
        return text


def of(view: VisitView) -> SimpleNamespace:
    setup = Setup(Hookup.NEUTRAL_NEUTRAL, "Porch", "Attic", "Bed")
    return SimpleNamespace(view=view, setup=setup)


@pytest.fixture
def keys() -> HeldKeys:
    return HeldKeys()


@pytest.fixture
def asked() -> list[Command]:
    """Commands that were passed on."""
    return []


def typed(surface: TextSurface, keys: HeldKeys, text: str) -> Sequence[Typed]:
    keys.waiting = text
    return surface.typed()


# plain lines


def test_plain_lines_say_each_instruction_and_alert_once(keys, asked, capsys) -> None:
    surface = TextSurface(keys, NAMES, asked.append)
    assert surface.typed() == ()  # nothing is shown yet: no key means anything
    surface.show(of(ASKED))
    surface.show(of(replace(ASKED, reading="9.00 mV")))
    surface.show(of(replace(ASKED, alerts=("The meter holds.",))))
    surface.show(of(replace(MEASURED, alerts=("The meter holds.",))))
    said = " ".join(capsys.readouterr().err.split())
    assert said == (
        "Test 3. Leads: neutral of Porch to neutral of Attic. Load: Bed. Plug the heater in at "
        "Bed. It tells most. ! The meter holds. Test 3. Leads: neutral of Porch to neutral of "
        "Attic. Load: Bed. Switch it ON."
    )


def test_an_alert_that_comes_again_is_said_again(keys, asked, capsys) -> None:
    surface = TextSurface(keys, NAMES, asked.append)
    for alerts in (("Silent.",), (), ("Silent.",)):
        surface.show(of(replace(ASKED, alerts=alerts)))
    assert capsys.readouterr().err.count("! Silent.") == 2


def test_the_bell_rings_once_a_cue(keys, asked, capsys) -> None:
    surface = TextSurface(keys, NAMES, asked.append)
    for number in (1, 1, 2, 1):
        surface.show(of(replace(ASKED, cue=Cue(number, Sound.JUMP))))
    assert capsys.readouterr().err.count("\a") == 2


def test_results_notices_and_how_sure_it_is_are_lines(keys, asked, capsys) -> None:
    surface = TextSurface(keys, NAMES, asked.append)
    surface.row(
        replace(
            row(4, Hookup.NEUTRAL_NEUTRAL, "Porch", "Attic", "Bed", 815.0, 2.0), flags=("clipped",)
        )
    )
    surface.row(
        row(5, Hookup.NEUTRAL_NEUTRAL, "Porch", "Attic", "Bed", None, None, verdict=Verdict.UNCLEAR)
    )
    surface.event(Notice(1.0, NoticeKind.HOLD, "The meter holds an old value."))
    surface.event(Reading(1.0, 0.008, Function.AC))
    surface.event(Mark(1.0, "load-on"))
    surface.outlook(OUTLOOK)
    surface.close()
    lines = capsys.readouterr().err.splitlines()
    assert lines[0].startswith("Test 4: 815.0")
    assert "Current to Bed flows between Porch and Attic. (clipped)" in lines[0]
    assert lines[1:] == [
        "Test 5: no clear result. Repeat it.",
        "The meter holds an old value.",
        "71 % sure that Porch is first",
    ]


@pytest.mark.parametrize("key", ["c", "x"])
def test_who_picks_or_skips_is_told_the_numbers_of_the_receptacles(
    keys, asked, capsys, key: str
) -> None:
    surface = TextSurface(keys, NAMES, asked.append)
    surface.show(of(ASKED))
    assert typed(surface, keys, key) == []
    assert typed(surface, keys, "1") == []
    assert capsys.readouterr().err.count("Receptacles: 1 Porch, 2 Attic, 3 Bed.") == 1


def test_the_map_is_drawn_here_and_the_rest_is_passed_on(keys, asked, capsys) -> None:
    surface = TextSurface(keys, NAMES, asked.append)
    surface.command(Command.MAP, None)
    surface.command(Command.MAP, OUTLOOK)
    surface.command(Command.REPORT, OUTLOOK)
    err = capsys.readouterr().err
    assert err.startswith("No test has been logged yet.\n")
    assert err.index("Porch") < err.index("Attic") < err.index("Bed")
    assert asked == [Command.REPORT]


def test_a_terminal_that_cannot_show_lines_gets_a_map_in_plain_characters(monkeypatch) -> None:
    screen = on_a_screen(monkeypatch)
    assert not as_drawn(OUTLOOK).isascii()
    screen.encoding = "ascii"
    assert as_drawn(OUTLOOK).isascii()


# the screen


@pytest.fixture
def clock(monkeypatch) -> list[float]:
    now = [100.0]
    monkeypatch.setattr(guided_surfaces, "time", SimpleNamespace(monotonic=lambda: now[0]))
    return now


def shown(monkeypatch, keys: HeldKeys, asked: list) -> tuple[MemoryTerminal, ScreenSurface]:
    screen = on_a_screen(monkeypatch)
    return screen, ScreenSurface(keys, NAMES, asked.append)


def test_the_block_says_what_to_do_with_leads_load_and_keys(
    monkeypatch, keys, asked, clock
) -> None:
    screen, surface = shown(monkeypatch, keys, asked)
    words = (Command.CHOOSE, Command.NOT_NOW)
    history = (PastTest(2, "Porch: 815 mV", "in the path", removable=True),)
    surface.show(of(replace(ASKED, choices=Choices(words), history=history)))
    assert screen.lines == [
        "",
        "== Test 3   71 % sure",
        "   LEADS  neutral of Porch to neutral of Attic",
        "   LOAD   Bed",
        "[SET UP] > Plug the heater in at Bed.",
        "   It tells most.",
        "   no reading",
        "Enter Leads and heater ready   q Stop   c pick a test   x skip receptacles",
        "u undo a test   a call out on and off   m map   p report   i power-off check",
        "",
    ]


def test_what_means_nothing_yet_is_not_offered(monkeypatch, keys, asked, clock) -> None:
    screen, surface = shown(monkeypatch, keys, asked)
    surface.show(of(ASKED))
    assert screen.lines[-2] == "Enter Leads and heater ready   q Stop   a call out on and off"


def test_while_it_measures_the_block_has_reading_levels_and_trace(
    monkeypatch, keys, asked, clock
) -> None:
    screen, surface = shown(monkeypatch, keys, asked)
    for k in range(60):
        surface.event(Reading(k / 2, 0.008 if k < 30 else 0.158, Function.AC))
    surface.event(Reading(30.0, None, Function.AC, overload=True))
    surface.show(of(MEASURED))
    lines = screen.lines
    assert "[SWITCH ON] > Switch it ON." in lines
    assert "   8.00 mV        idle 8.0 mV" in lines
    [trace] = [line for line in lines if "█" in line]
    assert trace.endswith("8.00 mV to 158.0 mV")
    screen.encoding = "ascii"
    surface.show(of(replace(MEASURED, step=3)))
    assert not any("█" in line for line in screen.lines)


def test_the_block_is_redrawn_at_once_for_a_new_step_else_ten_times_a_second(
    monkeypatch, keys, asked, clock
) -> None:
    screen, surface = shown(monkeypatch, keys, asked)
    surface.show(of(MEASURED))
    surface.show(of(replace(MEASURED, reading="9.00 mV")))
    assert not any("9.00 mV" in line for line in screen.lines)
    clock[0] += 0.11
    surface.show(of(replace(MEASURED, reading="9.00 mV")))
    assert any("9.00 mV" in line for line in screen.lines)
    surface.show(of(replace(ASKED, step=4)))
    assert any("Plug the heater" in line for line in screen.lines)


@pytest.mark.parametrize("sign", list(Sign))
def test_every_sign_has_words_of_its_own(monkeypatch, keys, asked, clock, sign: Sign) -> None:
    screen, surface = shown(monkeypatch, keys, asked)
    surface.show(of(replace(ASKED, sign=sign)))
    [line] = [line for line in screen.lines if line.endswith("> Plug the heater in at Bed.")]
    words = line[1 : line.index("]")]
    assert words == words.upper()
    assert words.strip()


def test_a_long_instruction_keeps_its_colour_over_all_its_lines(
    monkeypatch, keys, asked, clock
) -> None:
    screen, surface = shown(monkeypatch, keys, asked)
    long = " ".join(["Plug the heater in at Bed."] * 6)
    surface.show(of(replace(ASKED, instruction=long, alerts=("No reading.",), load="")))
    drawn = [line for line in screen.getvalue().split("\n") if "\x1b[36m" in line]
    assert len(drawn) >= 2
    assert all(line.startswith("\x1b[36m\x1b[1m") for line in drawn)
    assert "\x1b[31m! No reading." in screen.getvalue()
    assert "   LOAD   none" in screen.lines
    assert max(map(len, screen.lines)) < 80


def test_what_is_typed_stands_at_the_foot_until_it_is_taken(
    monkeypatch, keys, asked, clock
) -> None:
    screen, surface = shown(monkeypatch, keys, asked)
    surface.show(of(MEASURED))
    typed(surface, keys, "nlamp")
    surface.show(of(MEASURED))
    assert "note: lamp_  (Enter takes it, Esc drops it)" in screen.lines
    assert typed(surface, keys, " too\r") == [Typed(Key.NOTE, "lamp too")]
    surface.show(of(MEASURED))
    assert not any("note: " in line for line in screen.lines)


def test_a_grave_key_is_asked_for_once_more_with_what_it_does(
    monkeypatch, keys, asked, clock
) -> None:
    screen, surface = shown(monkeypatch, keys, asked)
    surface.show(of(MEASURED))
    assert typed(surface, keys, "v") == []
    surface.show(of(MEASURED))
    assert "v once more: Discard this try" in screen.lines
    assert typed(surface, keys, "v") == [Typed(Key.VOID)]


def test_where_a_number_is_wanted_the_foot_says_so_first(monkeypatch, keys, asked, clock) -> None:
    screen, surface = shown(monkeypatch, keys, asked)
    wanted = Wanted(Command.IDLE, "Reading without load", "mV")
    surface.show(of(replace(ASKED, typed=wanted)))
    assert any(line.startswith("type reading without load (mV)") for line in screen.lines)


def test_what_is_said_and_asked_for_scrolls_above_the_block(
    monkeypatch, keys, asked, clock
) -> None:
    screen, surface = shown(monkeypatch, keys, asked)
    surface.show(of(ASKED))
    surface.say("Test 2: 815 mV.")
    surface.outlook(OUTLOOK)
    surface.command(Command.MAP, OUTLOOK)
    surface.command(Command.ISOLATE, OUTLOOK)
    surface.show(of(replace(ASKED, step=2)))
    lines = screen.lines
    assert lines[0] == "Test 2: 815 mV."
    assert lines.index("== Test 3   71 % sure") > max(
        k for k, line in enumerate(lines) if "Porch" in line and "LEADS" not in line
    )
    assert sum("LEADS" in line for line in lines) == 1
    assert asked == [Command.ISOLATE]


def test_after_a_stop_of_the_program_and_at_its_end_the_block_stands(
    monkeypatch, keys, asked, clock
) -> None:
    screen, surface = shown(monkeypatch, keys, asked)
    surface.show(of(ASKED))
    keys.on_return()
    surface.show(of(MEASURED))
    surface.close()
    surface.say("The end.")
    lines = screen.lines
    assert any("Plug the heater" in line for line in lines)
    assert any("Switch it ON." in line for line in lines)
    assert lines[-2:] == ["The end.", ""]


def test_names_that_hold_control_characters_do_not_reach_the_terminal(
    monkeypatch, keys, asked, clock
) -> None:
    screen, surface = shown(monkeypatch, keys, asked)
    surface.show(of(replace(ASKED, load="Bed\x1b[2J\x07", title="Test\u202e 3")))
    assert "\x1b[2J" not in screen.getvalue()
    assert "\u202e" not in screen.getvalue()


# a script


def script(text: str, asked: list[Command]) -> ScriptSurface:
    """A script that has been read to its end."""
    surface = ScriptSurface(io.StringIO(text), asked.append)
    while True:
        found = surface.typed()
        if found and found[-1].what is Key.STOP:
            surface.found = found  # type: ignore[attr-defined]
            return surface


def events(capsys) -> list[dict]:
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_a_script_gets_a_line_when_anything_but_the_reading_changed(asked, capsys) -> None:
    surface = script("", asked)
    for view in (ASKED, replace(ASKED, reading="9 mV"), MEASURED):
        surface.show(of(view))
    first, second = events(capsys)
    assert first["event"] == "view"
    assert first["setup"] == {
        "hookup": "neutral-neutral",
        "lead_a": "Porch",
        "lead_b": "Attic",
        "load_at": "Bed",
        "side": "",
        "return_at": "",
    }
    assert first["buttons"] == {"ready": "Leads and heater ready", "stop": "Stop"}
    assert first["keys"] == ["ready", "stop"]
    assert (second["stage"], second["sign"]) == ("idle", "switch-on")
    assert "reading" not in second


def test_a_script_gets_rows_notices_and_maps_as_the_log_and_map_have_them(asked, capsys) -> None:
    surface = script("", asked)
    surface.row(row(4, Hookup.NEUTRAL_GROUND, "Porch", None, "Bed", 815.0, 2.0))
    surface.event(Notice(1.5, NoticeKind.SILENT, "Nothing comes."))
    surface.event(Reading(1.0, 0.008, Function.AC))
    surface.outlook(OUTLOOK)
    surface.outlook(replace(OUTLOOK, wiring_map=None))
    surface.command(Command.MAP, OUTLOOK)
    surface.command(Command.MAP, None)
    surface.command(Command.REPORT, OUTLOOK)
    surface.close()
    logged, notice, drawn, again = events(capsys)
    assert (logged["event"], logged["test"], logged["drop_mV"]) == ("row", 4, 815.0)
    assert notice == {"event": "notice", "kind": "silent", "t": 1.5, "text": "Nothing comes."}
    assert (drawn["event"], drawn["goal_reached"]) == ("map", False)
    assert drawn == again
    assert asked == [Command.REPORT]


def test_words_of_a_script_are_taken_in_order_its_mistakes_said_and_its_end_stops(
    asked, capsys, monkeypatch
) -> None:
    surface = ScriptSurface(io.StringIO("ready\n\nnote a b\ngo\nload-on"), asked.append)
    found: list[Typed] = []
    while not found or found[-1].what is not Key.STOP:
        found += surface.typed()
    assert found == [
        Typed(Key.READY, blind=True),
        Typed(Key.NOTE, "a b", blind=True),
        Typed(Key.LOAD_ON, blind=True),
        Typed(Key.STOP, blind=True),
    ]
    assert "meterlink: 'go' is not known." in capsys.readouterr().err
