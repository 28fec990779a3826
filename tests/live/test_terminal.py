"""The terminal: keys, signals, a block that is redrawn, progress; all in this process."""

import os
import signal
import sys
import termios

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from memory_terminal import MemoryTerminal, on_a_screen, typed_keys

from drivers.simulated import available
from meterlink.live.terminal import Block, Keys, Progress, StopSignals, columns, is_utf8, rows

pytestmark = pytest.mark.skipif(not available(), reason="no pseudo-terminals here")


# the block


def test_a_block_is_redrawn_where_it_stands_and_what_is_said_scrolls_above_it(monkeypatch) -> None:
    screen = on_a_screen(monkeypatch)
    block = Block()
    block.show(["one", "two"])
    block.show(["ONE", "TWO, longer", "three"])
    block.say("said")
    block.show(["o"])
    assert screen.lines == ["said", "o", ""]


def test_an_unchanged_block_is_not_written_again(monkeypatch) -> None:
    screen = on_a_screen(monkeypatch)
    block = Block()
    block.show(["one"])
    written = screen.getvalue()
    block.show(["one"])
    assert screen.getvalue() == written


def test_a_shorter_block_leaves_nothing_of_the_longer_one(monkeypatch) -> None:
    screen = on_a_screen(monkeypatch)
    block = Block()
    block.show(["a long line", "b", "c"])
    block.show(["x"])
    assert screen.lines == ["x", ""]
    block.erase()
    block.erase()
    assert screen.lines == [""]


def test_a_block_that_is_left_stands_and_the_next_is_drawn_below(monkeypatch) -> None:
    screen = on_a_screen(monkeypatch)
    block = Block()
    block.show(["last state"])
    block.leave()
    block.show(["again"])
    assert screen.lines == ["last state", "again", ""]


def test_a_block_is_never_taller_than_the_terminal(monkeypatch) -> None:
    screen = on_a_screen(monkeypatch)
    monkeypatch.setenv("LINES", "10")
    Block().show([str(k) for k in range(30)])
    assert screen.lines == [*map(str, range(9)), ""]


@settings(max_examples=40)
@given(st.lists(st.lists(st.text("abc", max_size=5), max_size=6), max_size=8))
def test_after_any_blocks_just_the_last_one_stands(blocks: list[list[str]]) -> None:
    terminal, before = MemoryTerminal(), sys.stderr
    sys.stderr = terminal
    try:
        block = Block()
        for lines in blocks:
            block.show(lines)
    finally:
        sys.stderr = before
    last = blocks[-1] if blocks else []
    assert [line for line in terminal.lines if line] == [line for line in last if line]


@pytest.mark.parametrize(
    ("set_to", "cells", "lines"), [("200", 100, 200), ("5", 30, 8), ("77", 77, 77)]
)
def test_a_screen_of_no_sensible_size_is_taken_as_one(
    monkeypatch, set_to: str, cells: int, lines: int
) -> None:
    monkeypatch.setenv("COLUMNS", set_to)
    monkeypatch.setenv("LINES", set_to)
    assert (columns(), rows()) == (cells, lines)


@pytest.mark.parametrize(
    ("encoding", "can"),
    [("utf-8", True), ("UTF8", True), ("utf-16", True), ("latin-1", False), (None, False)],
)
def test_only_a_utf_8_stream_gets_any_character(encoding: str | None, can: bool) -> None:
    stream = MemoryTerminal()
    stream.encoding = encoding
    assert is_utf8(stream) is can


# signals


def test_signals_are_counted_and_do_again_what_they_did() -> None:
    before = signal.getsignal(signal.SIGINT)
    with StopSignals("SIGUSR1", "SIGNOTHING", unheard=("SIGUSR2",)) as signals:
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGUSR1)
        signal.raise_signal(signal.SIGUSR2)
        assert signals.count == 2
    assert signal.getsignal(signal.SIGINT) is before
    assert signal.getsignal(signal.SIGUSR1) is signal.SIG_DFL
    signals.close()  # again is no harm


# keys


def test_single_keys_are_read_without_enter_and_the_terminal_is_as_before(monkeypatch) -> None:
    with typed_keys(monkeypatch) as far:
        near = sys.stdin.fileno()
        before = termios.tcgetattr(near)
        with Keys() as keys:
            assert keys.available
            assert not termios.tcgetattr(near)[3] & termios.ICANON
            assert keys.pressed() == ""
            os.write(far, "lé".encode())
            assert keys.pressed() == "lé"
        assert termios.tcgetattr(near) == before


def test_ctrl_c_that_comes_as_a_key_is_a_signal(monkeypatch) -> None:
    with typed_keys(monkeypatch) as far, Keys() as keys, StopSignals() as signals:
        settings = termios.tcgetattr(sys.stdin.fileno())
        settings[3] &= ~termios.ISIG  # a terminal that passes it on
        termios.tcsetattr(sys.stdin.fileno(), termios.TCSANOW, settings)
        os.write(far, b"a\x03")
        assert keys.pressed() == "a\x03"
        assert signals.count == 1


def test_after_a_stop_the_keys_are_single_again_and_the_screen_is_told(monkeypatch) -> None:
    with typed_keys(monkeypatch):
        near = sys.stdin.fileno()
        before = termios.tcgetattr(near)
        told = []
        with Keys() as keys:
            keys.on_return = lambda: told.append("drawn below")
            termios.tcsetattr(near, termios.TCSANOW, before)  # as a shell does meanwhile
            signal.raise_signal(signal.SIGCONT)
            assert told == ["drawn below"]
            assert not termios.tcgetattr(near)[3] & termios.ICANON
        assert termios.tcgetattr(near) == before


def test_a_terminal_that_went_away_gives_no_more_keys(monkeypatch) -> None:
    far, near = os.openpty()
    with os.fdopen(near, "r") as stream:
        monkeypatch.setattr(sys, "stdin", stream)
        keys = Keys()
        os.close(far)
        assert keys.pressed() == ""
        assert not keys.available
        assert keys.pressed() == ""


def test_where_there_is_no_terminal_there_are_no_keys(monkeypatch, tmp_path) -> None:
    for stdin in ((tmp_path / "file").open("w+"), None):
        monkeypatch.setattr(sys, "stdin", stdin)
        with Keys() as keys:
            assert not keys.available
            assert keys.pressed() == ""
        if stdin is not None:
            stdin.close()


# progress


def counting() -> tuple[Progress, list[float]]:
    now = [0.0]
    return Progress("lines", clock=lambda: now[0]), now


def test_progress_on_a_terminal_is_one_line_that_is_wiped(monkeypatch) -> None:
    screen = on_a_screen(monkeypatch)
    progress, now = counting()
    for seconds, share in ((0.1, 0.1), (1.0, 0.25), (1.1, 0.3), (2.0, 0.5), (4.0, 1.0)):
        now[0] = seconds
        progress.share(int(10_000 * share), share)
    assert screen.lines == ["5,000 lines, 50 %, about 2 s left", ""]
    progress.close()
    assert screen.lines == [""]
    written = screen.getvalue()
    progress.close()
    assert screen.getvalue() == written


def test_progress_in_a_file_is_a_line_now_and_then(capsys) -> None:
    progress, now = counting()
    for seconds in range(12):
        now[0] = float(seconds)
        progress.share(seconds, seconds / 20)
    progress.close()
    assert capsys.readouterr().err.splitlines() == [
        "5 lines, 25 %, about 15 s left",
        "10 lines, 50 %, about 10 s left",
    ]


def test_progress_of_nothing_yet_promises_no_time(monkeypatch) -> None:
    screen = on_a_screen(monkeypatch)
    progress, now = counting()
    now[0] = 9.0
    progress.share(0, 0.0)
    assert screen.lines == ["0 lines, 0 %, about 0 s left", ""]
