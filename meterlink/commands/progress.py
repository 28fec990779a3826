"""How far a long piece of work is, on standard error."""

import sys
import time
from collections.abc import Callable

import click

from drivers.closing import Closing

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
        self._drawn = False

    def share(self, count: int, share: float) -> None:
        """So many are done, which is that share of all."""
        now = self._clock()
        if now - self._shown < (_REDRAW_S if self._is_terminal else _EVERY_S) or not share < 1:
            return
        self._shown = now
        left_s = (now - self._started) * (1 - share) / share if share > 0 else 0.0
        text = f"{count:,} {self._what}, {100 * share:.0f} %, about {left_s:.0f} s left"
        self._drawn = self._is_terminal
        click.echo(
            f"\r\x1b[K{text}" if self._is_terminal else text, err=True, nl=not self._is_terminal
        )

    def close(self) -> None:
        """Wipe the line."""
        if self._drawn:
            click.echo("\r\x1b[K", err=True, nl=False)
            self._drawn = False
