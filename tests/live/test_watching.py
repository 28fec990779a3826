"""``watch``: what is shown of the running readings, on a screen, in lines and as JSON."""

import json
import os
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest
from conftest import Run
from memory_terminal import on_a_screen, typed_keys

from drivers.readings import Function, Mark, Reading
from drivers.simulated import available
from meterlink.live.watching import Figures, JsonOutput, PlainOutput, ScreenOutput
from meterlink.visit.notices import Notice, NoticeKind

STARTED = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def ac(t_s: float, volts: float | None, **more: object) -> Reading:
    return Reading(t_s, volts, **({"function": Function.AC, "resolution_v": 1e-5} | more))


def figures_of(*readings: Reading, wanted: Function = Function.AC) -> Figures:
    figures = Figures(wanted)
    for reading in readings:
        figures.add(reading)
    return figures


# the reading in words


@pytest.mark.parametrize(
    ("reading", "text"),
    [
        (ac(0.0, 0.00812), "8.12 mV AC"),
        (ac(0.0, 0.00812, hold=True), "8.12 mV AC HOLD"),
        (ac(0.0, 0.00812, function=Function.UNKNOWN), "8.12 mV"),
        (ac(0.0, None, overload=True), "overload"),
        (ac(0.0, None, function=Function.OHM, quantity="ohm", ohms=0.35), "0.35 ohm"),
        (ac(0.0, None, function=Function.OHM, quantity="ohm", ohms=2.0, hold=True), "2 ohm HOLD"),
        (ac(0.0, None, function=Function.OTHER, quantity="Hz"), "no volts (Hz)"),
    ],
)
def test_a_reading_is_said_with_its_function_and_what_is_the_matter(
    reading: Reading, text: str
) -> None:
    assert figures_of(reading).reading_text(0.1) == text


def test_an_old_reading_is_not_shown_as_if_it_were_of_now() -> None:
    figures = figures_of(*(ac(k / 10, 0.008) for k in range(20)))
    assert figures.reading_text(3.0) == "8.00 mV AC"
    assert figures.rate_text(3.0) == "10.0 readings/s"
    assert figures.reading_text(4.2) == "none for 2 s"
    assert figures.rate_text(4.2) == ""


def test_a_slow_meter_is_not_called_silent_between_two_of_its_readings() -> None:
    figures = figures_of(ac(0.0, 0.008), ac(2.0, 0.008), ac(4.0, 0.008))
    assert figures.reading_text(8.5) == "8.00 mV AC"
    assert figures.reading_text(9.5) == "none for 6 s"


def test_before_the_first_reading_nothing_is_made_up() -> None:
    figures = Figures(Function.AC)
    assert figures.reading_text(1.0) == "no reading yet"
    assert figures.level_text() == "waiting for the meter"
    assert figures.rate_hz() is None


def test_readings_that_do_not_count_are_in_no_level() -> None:
    good = [ac(k / 10, 0.008) for k in range(20)]
    bad = [
        ac(2.0, None, overload=True),
        ac(2.1, 120.0, function=Function.DC),
        *(ac(2.2 + k / 10, 0.5, hold=True) for k in range(20)),
    ]
    assert figures_of(*good, *bad).level_text() == "level 8.00 mV, jitter 0.000 mV"
    assert len(figures_of(*good, *bad).jumps) == 0


def test_only_the_last_three_jumps_are_kept() -> None:
    steps = [ac(k / 10, 0.1 * (k // 100)) for k in range(600)]
    assert [round(j.level_v, 1) for j in figures_of(*steps).jumps] == [0.3, 0.4, 0.5]


# lines and JSON


def jumping(seconds: float = 12.0) -> list[Reading]:
    return [ac(k / 10, 0.008 if k < 60 else 0.158) for k in range(round(seconds * 10))]


def test_plain_lines_have_a_reading_a_second_and_jumps_marks_and_notices_at_once(capsys) -> None:
    output = PlainOutput(Function.AC)
    for reading in jumping(8.0):
        output.take(reading)
        output.flush(reading.t_s)
        output.prompt("typing")
    output.take(Mark(8.0, "load-on"))
    output.take(Mark(8.1, "note", "lamp too"))
    output.take(Mark(8.2, "link-open"))
    output.take(Notice(8.3, NoticeKind.HOLD, "The meter holds."))
    output.close()
    out, err = capsys.readouterr()
    lines = out.splitlines()
    assert len([line for line in lines if "mV AC" in line]) == 8
    [jump] = [line for line in lines if "jump" in line]
    assert "jump +150.0 mV to 158.0 mV" in jump
    assert lines[-2:] == ["     8.0 s  load on", "     8.1 s  note lamp too"]
    assert err == "     8.3 s  The meter holds.\n"


def test_nothing_is_printed_before_there_is_a_reading(capsys) -> None:
    PlainOutput(Function.AC).flush(5.0)
    assert capsys.readouterr().out == ""


def test_json_lines_hold_readings_alone_with_the_time_of_day(capsys) -> None:
    output = JsonOutput(STARTED)
    output.take(ac(1.25, 0.00812))
    output.take(ac(2.5, None, function=Function.OHM, quantity="ohm", ohms=0.35))
    output.take(Mark(3.0, "load-on"))
    output.take(Notice(3.0, NoticeKind.SILENT, "Nothing comes."))
    output.prompt("x")
    output.flush(3.0)
    output.close()
    out, err = capsys.readouterr()
    volts, ohms = (json.loads(line) for line in out.splitlines())
    assert volts["time"] == "2026-03-02T09:00:01.250000+00:00"
    assert (volts["t"], volts["volts"], volts["resolution_V"]) == (1.25, 0.00812, 1e-5)
    assert (ohms["volts"], ohms["ohms"], ohms["function"]) == (None, 0.35, "OHM")
    assert err == "meterlink: Nothing comes.\n"


# the screen


def test_the_screen_shows_meter_reading_level_trace_and_keys(monkeypatch) -> None:
    screen = on_a_screen(monkeypatch, out=True)
    output = ScreenOutput("bench", Function.AC, keys=True)
    for reading in jumping():
        output.take(reading)
        output.flush(reading.t_s)
    output.flush(12.0)
    lines = screen.lines
    assert "jump +150.0 mV to 158.0 mV" in lines[0]
    assert lines[1] == "bench   12 s"
    assert lines[2] == "  158.00 mV AC     level 158.0 mV, jitter 0.000 mV   10.0 readings/s"
    assert lines[3].endswith("█  8.00 mV to 158.0 mV, last minute")
    assert "▁▁█" in lines[3].replace("▂", "▁").replace("▃", "▁")
    assert lines[4] == "  [l] load on  [o] load off  [n] note  [q] stop"


def test_a_screen_that_cannot_show_blocks_gets_plain_characters(monkeypatch) -> None:
    screen = on_a_screen(monkeypatch, out=True)
    screen.encoding = "latin-1"
    output = ScreenOutput("bench", Function.AC, keys=False)
    for reading in jumping():
        output.take(reading)
    output.flush(12.0)
    assert screen.getvalue().isascii()
    assert "_" in screen.lines[3]
    assert screen.lines[4] == "  Ctrl-C stops"


def test_a_note_that_is_typed_stands_on_the_screen_at_once(monkeypatch) -> None:
    screen = on_a_screen(monkeypatch, out=True)
    output = ScreenOutput("bench", Function.AC, keys=True)
    output.flush(1.0)
    output.prompt("lam")
    output.flush(1.01)
    assert screen.lines[-2] == "  note: lam_  (Enter keeps it, Esc drops it)"
    output.prompt(None)
    output.flush(1.02)
    assert "[n] note" in screen.lines[-2]


def test_the_screen_is_redrawn_a_few_times_a_second_only(monkeypatch) -> None:
    screen = on_a_screen(monkeypatch, out=True)
    output = ScreenOutput("bench", Function.AC, keys=True)
    for k in range(1000):
        output.take(ac(k / 1000, 0.008))
        output.flush(k / 1000)
    assert screen.getvalue().count("readings/s") <= 5
    output.close()
    output.flush(2.0)  # after it was left, the next one stands below
    assert len([line for line in screen.lines if line.startswith("bench")]) == 2


def test_no_line_is_wider_than_the_terminal(monkeypatch) -> None:
    screen = on_a_screen(monkeypatch, out=True)
    monkeypatch.setenv("COLUMNS", "40")
    output = ScreenOutput("a meter with a very long name at a long address", Function.AC, keys=True)
    for reading in jumping():
        output.take(reading)
    output.flush(12.0)
    assert max(map(len, screen.lines[1:])) <= 39


# the command


class PlayedSession:
    """A session whose events and keys are written down; time goes on by a tenth a poll."""

    polls: Sequence[tuple[list[Reading | Mark | Notice], bytes]] = ()
    keyboard: int = -1
    stays_recording = True
    rubbish = b""
    started = STARTED
    latest: "PlayedSession"

    def __init__(self, address: object, path: Path, **more: object) -> None:
        self.path, self.wanted = path, more["wanted"]
        self.is_recording = self.stays_recording
        self.meter = type("AnyMeter", (), {"identity": ""})
        self.marks: list[tuple[str, str]] = []
        self._left = list(self.polls)
        self._now_s = 0.0
        PlayedSession.latest = self

    def __enter__(self) -> "PlayedSession":
        return self

    def __exit__(self, *error: object) -> None:
        pass

    def now_s(self) -> float:
        return self._now_s

    def mark(self, kind: str, text: str = "") -> None:
        self.marks.append((kind, text))

    def poll(self, timeout_s: float) -> list[Reading | Mark | Notice]:
        self._now_s += max(timeout_s, 0.01)
        events, keys = self._left.pop(0) if self._left else ([], b"")
        if keys:
            os.write(self.keyboard, keys)
        return events


@pytest.fixture
def played(monkeypatch, tmp_path: Path) -> type[PlayedSession]:
    monkeypatch.setenv("METERLINK_HOME", str(tmp_path))
    kind = type("Played", (PlayedSession,), {})
    monkeypatch.setattr("meterlink.live.session.LiveSession", kind)
    return kind


WATCH = ("watch", "--meter", "lines:/dev/ttyUSB0,9600", "--record", "visit.jsonl")


def test_watch_plays_what_comes_and_says_how_much(
    meterlink: Callable[..., Run], played: type[PlayedSession]
) -> None:
    played.polls = [([reading], b"") for reading in jumping(1.0)]
    run = meterlink(*WATCH, "--for", 2, "--json")
    assert run.code == 0
    assert len(run.out.splitlines()) == 10
    assert run.err.splitlines() == [
        "meterlink: recording to visit.jsonl",
        "meterlink: 10 readings",
    ]
    assert PlayedSession.latest.wanted is Function.AC


@pytest.mark.parametrize(
    ("option", "wanted"), [("--dc", Function.DC), ("--ohms", Function.OHM), (None, Function.AC)]
)
def test_watch_expects_what_it_is_told(
    meterlink: Callable[..., Run],
    played: type[PlayedSession],
    option: str | None,
    wanted: Function,
) -> None:
    played.polls = [([ac(0.1, 0.008)], b"")]
    assert meterlink(*WATCH, "--for", 0.2, *filter(None, [option])).code == 0
    assert PlayedSession.latest.wanted is wanted


def test_watch_without_a_reading_asks_about_the_meter_or_shows_the_bytes(
    meterlink: Callable[..., Run], played: type[PlayedSession]
) -> None:
    run = meterlink(*WATCH, "--for", 0.3)
    assert run.code == 1
    assert "Is the meter on" in run.err
    played.rubbish = b"\x12\x34" * 9
    run = meterlink(*WATCH, "--for", 0.3)
    assert run.code == 1
    assert "Is the meter on" not in run.err


def test_watch_that_could_not_record_to_the_end_fails(
    meterlink: Callable[..., Run], played: type[PlayedSession]
) -> None:
    played.polls = [([ac(0.1, 0.008)], b"")]
    played.stays_recording = False
    run = meterlink(*WATCH, "--for", 0.3)
    assert run.code == 1
    assert "The recording to visit.jsonl stopped before the end" in run.err


@pytest.mark.skipif(not available(), reason="no pseudo-terminals here")
def test_keys_of_a_watch_are_marks_and_q_ends_it(
    meterlink: Callable[..., Run], played: type[PlayedSession], monkeypatch
) -> None:
    with typed_keys(monkeypatch) as far:
        played.keyboard = far
        keys = [b"l", b"o", b"nlamp", b" too\r", b"z", b"v", b"q", b"l"]
        played.polls = [([ac(0.1 * k, 0.008)], key) for k, key in enumerate(keys, 1)]
        screen = on_a_screen(monkeypatch, out=True)
        monkeypatch.setattr(sys, "argv", ["meterlink"])
        run = meterlink(*WATCH, "--for", 60)
    assert run.code == 0
    assert PlayedSession.latest.marks == [("load-on", ""), ("load-off", ""), ("note", "lamp too")]
    assert screen.lines[0].startswith("lines:/dev/ttyUSB0,9600")
    assert "[q] stop" in screen.lines[-2]
    assert "7 readings" in run.err
