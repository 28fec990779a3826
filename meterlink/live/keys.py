"""Single keys from the terminal, without waiting for Enter and without blocking."""

import sys
from types import TracebackType
from typing import Any, Self

_CTRL_C = "\x03"


class Keys:
    """Reads keys while it is entered; gives none where standard input is no terminal."""

    def __init__(self) -> None:
        self._stream = sys.stdin
        self._saved: list[Any] | None = None
        self.available = bool(self._stream is not None and self._stream.isatty())

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
        if not ready:
            return ""
        data = os.read(self._stream.fileno(), 256)
        if not data:  # the terminal is gone
            self.available = False
        return data.decode("utf-8", "ignore")


def _windows_keys() -> str:
    import importlib

    console = importlib.import_module("msvcrt")
    text = ""
    while console.kbhit():
        text += console.getwch()
    return text
