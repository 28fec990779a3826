"""A terminal in memory: what is written to it, and what stands on its screen in the end."""

import io
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager

ESCAPE = re.compile(r"\x1b\[(\d*)([A-Za-ln-z])|\x1b\[[\d;]*m")


class MemoryTerminal(io.StringIO):
    """Standard output or error of a terminal; ``encoding`` is what it can show."""

    encoding = "utf-8"  # type: ignore[assignment]

    def isatty(self) -> bool:
        return True

    @property
    def lines(self) -> list[str]:
        """The screen: lines as they stand after all that was written, blanks at ends left out."""
        screen, row, column = [""], 0, 0
        text = self.getvalue()
        at = 0
        while at < len(text):
            escape = ESCAPE.match(text, at)
            if escape is not None:
                count, letter = int(escape[1] or 1), escape[2]
                if letter == "F":
                    row, column = row - count, 0
                    assert row >= 0, "the cursor left the screen"
                elif letter == "K":
                    screen[row] = screen[row][:column]
                elif letter == "J":
                    screen[row:] = [screen[row][:column]]
                else:
                    assert letter is None, f"an escape that is not known: {escape[0]!r}"
                at = escape.end()
                continue
            character, at = text[at], at + 1
            if character == "\n":
                row, column = row + 1, 0
                if row == len(screen):
                    screen.append("")
            elif character == "\r":
                column = 0
            elif character != "\a":
                screen[row] = (
                    screen[row][:column].ljust(column) + character + screen[row][column + 1 :]
                )
                column += 1
        return [line.rstrip() for line in screen]


def on_a_screen(monkeypatch, *, out: bool = False) -> MemoryTerminal:
    """Standard error, or output, as a screen of 80 columns and 24 lines from here on."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("LINES", "24")
    terminal = MemoryTerminal()
    monkeypatch.setattr("sys.stdout" if out else "sys.stderr", terminal)
    return terminal


@contextmanager
def typed_keys(monkeypatch) -> Iterator[int]:
    """Standard input is a terminal of its own; gives the end to write keys to."""
    far, near = os.openpty()
    with os.fdopen(near, "r", encoding="utf-8", closefd=True) as stream:
        monkeypatch.setattr("sys.stdin", stream)
        try:
            yield far
        finally:
            os.close(far)
