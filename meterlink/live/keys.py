"""Single keys from the terminal, without waiting for Enter and without blocking."""

import sys
from contextlib import suppress
from types import TracebackType
from typing import Any, Self, TextIO

_CTRL_C = "\x03"


class Keys:
    """Reads keys while it is entered; gives none where standard input is no terminal."""

    def __init__(self) -> None:
        self._stream = sys.stdin
        self._saved: list[Any] | None = None
        is_terminal = self._stream is not None and self._stream.isatty()
        self.available = is_terminal and in_foreground(self._stream)

    def __enter__(self) -> Self:
        if self.available and sys.platform != "win32":
            import termios
            import tty

            self._saved = termios.tcgetattr(self._stream)
            tty.setcbreak(self._stream)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._saved is not None and sys.platform != "win32":
            import termios

            termios.tcsetattr(self._stream, termios.TCSADRAIN, self._saved)

    def pressed(self) -> str:
        """What was typed since the last call.

        Raises:
            KeyboardInterrupt: Ctrl-C was pressed where the terminal does not turn it into a signal.
        """
        if not self.available:
            return ""
        text = _windows_keys() if sys.platform == "win32" else self._posix_keys()
        if _CTRL_C in text:
            raise KeyboardInterrupt
        return text

    def _posix_keys(self) -> str:
        import os
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
    import os

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
