"""The terminal: single keys from it, a block of lines at its foot that is redrawn, and progress."""

import os
import shutil
import signal
import sys
import textwrap
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Self, TextIO

import click

from drivers.closing import Closing

_CTRL_C = "\x03"
MOST_COLUMNS = 100


def is_utf8(stream: TextIO) -> bool:
    """Whether a stream can show any character."""
    encoding = (getattr(stream, "encoding", None) or "ascii").casefold().replace("-", "")
    return encoding.startswith("utf")


def columns(most: int = MOST_COLUMNS, *, unknown: int = 80) -> int:
    """Cells of a line: so many at most, and how many where there is no terminal."""
    return max(30, min(shutil.get_terminal_size((unknown, 24)).columns, most))


def rows() -> int:
    """Lines of the screen."""
    return max(8, shutil.get_terminal_size((80, 24)).lines)


def tell(text: object, begin: str = "meterlink: ") -> None:
    """Say something on standard error; on a terminal no word is broken at its edge."""
    lines = f"{begin}{text}".split("\n")
    if sys.stderr.isatty():
        lines = [_broken(line) for line in lines]
    click.echo("\n".join(lines), err=True)


def _broken(line: str) -> str:
    return textwrap.fill(
        line,
        columns(most=1000),
        expand_tabs=False,
        replace_whitespace=False,
        break_long_words=False,
        break_on_hyphens=False,
    )


class Block:
    """Lines at the foot of a terminal; what is said scrolls above them. Never taller than it."""

    def __init__(self, *, err: bool = True) -> None:
        """``err``: on standard error, else on standard output."""
        self._err = err
        self._drawn: list[str] = []

    def show(self, lines: list[str]) -> None:
        """Draw the block, where it is another than the one that stands there."""
        lines = lines[: rows() - 1]
        if lines != self._drawn:
            start = f"\x1b[{len(self._drawn)}F" if self._drawn else ""
            ends = "\x1b[K\n".join(lines)
            self._write(f"{start}{ends}\x1b[K\x1b[J\n")
            self._drawn = lines

    def say(self, text: str) -> None:
        """Write above it."""
        self.erase()
        self._write(f"{text}\n")

    def erase(self) -> None:
        """Take it off the screen."""
        if self._drawn:
            self._write(f"\x1b[{len(self._drawn)}F\x1b[J")
            self._drawn = []

    def leave(self) -> None:
        """Let it stand; the next one is drawn below."""
        self._drawn = []

    def _write(self, text: str) -> None:
        import click  # counting signals, which shares this module, needs none of it

        click.echo(text, err=self._err, nl=False, color=True)


def end_in_order() -> None:
    """Have the process ended as by Ctrl-C where the system or a closed terminal ends it."""
    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.default_int_handler)


class StopSignals(Closing):
    """Counts SIGINT, SIGTERM and SIGHUP while it is entered, so that nothing is broken off by one.

    Handlers in Python are not passed on to commands that are run; ignoring would be.

    Attributes:
        count: How many have come; outside the main thread they stay as they are.
    """

    def __init__(self, *more: str, unheard: tuple[str, ...] = ()) -> None:
        """Begin to count.

        Args:
            more: Names of further signals that count; those that the system lacks are left out.
            unheard: Of signals that do nothing.
        """
        self.count = 0
        self._before: dict[int, Any] = {}
        for name in ("SIGINT", "SIGTERM", "SIGHUP", *more, *unheard):
            number = getattr(signal, name, None)
            if number is not None:
                handler = self._unheard if name in unheard else self._came
                with suppress(ValueError, OSError):
                    self._before[number] = signal.signal(number, handler)

    def close(self) -> None:
        """Let signals do again what they did before."""
        for number, handler in self._before.items():
            signal.signal(number, handler)
        self._before = {}

    def _came(self, number: int, frame: object) -> None:
        del number, frame
        self.count += 1

    def _unheard(self, number: int, frame: object) -> None:
        """Nothing."""


class Keys(Closing):
    """Single keys while it is entered; none where standard input is no terminal.

    Attributes:
        available: Keys can be read now.
        on_return: Called when the program goes on after it was stopped (Ctrl-Z, then ``fg``).
    """

    def __init__(self) -> None:
        self._stream = sys.stdin
        self._saved: list[Any] | None = None
        self._before: Any = None
        self.on_return: Callable[[], None] = lambda: None
        self._is_terminal = self._stream is not None and self._stream.isatty()
        self.available = self._is_terminal and in_foreground(self._stream)

    def __enter__(self) -> Self:
        if self._is_terminal and sys.platform != "win32":
            self._take_single_keys()
            with suppress(ValueError):  # not in the main thread
                self._before = signal.signal(signal.SIGCONT, self._returned)
        return self

    def close(self) -> None:
        """Let the terminal take whole lines again."""
        if sys.platform == "win32":
            return
        if self._before is not None:
            signal.signal(signal.SIGCONT, self._before)
        if self._saved is not None and in_foreground(self._stream):
            import termios

            with suppress(termios.error):
                termios.tcsetattr(self._stream, termios.TCSADRAIN, self._saved)

    def pressed(self) -> str:
        """What was typed since the last call; Ctrl-C that a terminal passes on is a signal."""
        if not self.available:
            return ""
        text = _windows_keys() if sys.platform == "win32" else self._posix_keys()
        if _CTRL_C in text:
            signal.raise_signal(signal.SIGINT)
        return text

    def _take_single_keys(self) -> None:
        if sys.platform == "win32" or not in_foreground(self._stream):
            return
        import termios
        import tty

        with suppress(termios.error):
            if self._saved is None:
                self._saved = termios.tcgetattr(self._stream)
            tty.setcbreak(self._stream)
            self.available = True

    def _returned(self, number: int, frame: object) -> None:
        """The program goes on: the shell has set the terminal to whole lines meanwhile."""
        del number, frame
        self._take_single_keys()
        self.on_return()

    def _posix_keys(self) -> str:
        import select

        ready, _, _ = select.select([self._stream], [], [], 0)
        if not ready or not in_foreground(self._stream):
            return ""
        data = b""
        with suppress(OSError):
            data = os.read(self._stream.fileno(), 256)
        if not data:  # the terminal is gone
            self.available = False
        return data.decode("utf-8", "ignore")


def in_foreground(stream: TextIO) -> bool:
    """Whether this program may read a terminal; one in the background would be stopped for it."""
    if sys.platform == "win32":
        return True
    try:
        return os.tcgetpgrp(stream.fileno()) == os.getpgrp()
    except OSError:  # no terminal that controls this program: nobody would stop it
        return True


def _windows_keys() -> str:
    import importlib

    console = importlib.import_module("msvcrt")
    text = ""
    while console.kbhit():
        text += console.getwch()
    return text


_EVERY_S = 5.0  # between two lines where there is no terminal
_REDRAW_S = 0.2


class Progress(Closing):
    """A line that is drawn anew on a terminal, a line now and then elsewhere.

    Args:
        what: What is counted, in the plural.
        clock: Steady seconds.
    """

    def __init__(self, what: str, clock: Callable[[], float] = time.monotonic) -> None:
        self._what = what
        self._clock = clock
        self._started = self._shown = clock()
        self._is_terminal = sys.stderr.isatty()
        self._block = Block()

    def share(self, count: int, share: float) -> None:
        """So many are done, which is that share of all."""
        now = self._clock()
        if now - self._shown < (_REDRAW_S if self._is_terminal else _EVERY_S) or not share < 1:
            return
        self._shown = now
        left_s = (now - self._started) * (1 - share) / share if share > 0 else 0.0
        text = f"{count:,} {self._what}, {100 * share:.0f} %, about {left_s:.0f} s left"
        if self._is_terminal:
            self._block.show([text])
        else:
            click.echo(text, err=True)

    def close(self) -> None:
        """Wipe the line."""
        self._block.erase()
