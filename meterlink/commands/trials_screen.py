"""What ``meterlink trials run`` shows: the rhythm, time left, and a line a trial."""

import sys
import time
from typing import Self

import click

from drivers.closing import Closing
from meterlink.lab.rhythm import Stage
from meterlink.lab.run import Beat, Plan
from meterlink.show.tests_table import drop, says
from meterlink.show.words import NBSP

REDRAW_S = 0.2


class TrialsScreen(Closing):
    """Writes to standard error; the status line is only for a terminal.

    Elsewhere each change of the load gets a line of its own.
    """

    def __init__(self, plan: Plan, *, by_hand: bool) -> None:
        """``by_hand``: tell the person when to switch, with a bell on a terminal."""
        self._plan = plan
        self._by_hand = by_hand
        self._is_terminal = sys.stderr.isatty()
        self._drawn_s = 0.0
        self._stage: Stage | None = None

    def __enter__(self) -> Self:
        minutes = (self._plan.total - self._plan.done) * self._plan.rhythm.cycle_s / 60
        if self._plan.done:
            click.echo(f"{self._plan.done} trials are there; going on.", err=True)
        click.echo(f"About {minutes:.0f} min. Stop with q or Ctrl-C.", err=True)
        return self

    def close(self) -> None:
        """Wipe the status line."""
        self._clear()

    def show(self, beat: Beat) -> None:
        """Show how the run stands."""
        if beat.notice is not None:
            self._say(f"meterlink: {beat.notice.text}")
        if beat.row is not None:
            figure = drop(beat.row).replace(NBSP, " ")
            flags = f" ({', '.join(beat.row.flags)})" if beat.row.flags else ""
            self._say(
                f"trial {beat.trial} of {self._plan.total}: {figure}, {says(beat.row)}{flags}"
            )
        elif beat.stage is not self._stage:
            self._stage = beat.stage
            self._stage_began(beat)
        self._draw(beat)

    def _stage_began(self, beat: Beat) -> None:
        if self._by_hand and beat.stage is not Stage.IDLE:
            bell = "\a" if self._is_terminal else ""
            self._say(f"{bell}  {beat.instruction}")

    def _draw(self, beat: Beat) -> None:
        now_s = time.monotonic()
        if not self._is_terminal or now_s - self._drawn_s < REDRAW_S:
            return
        self._drawn_s = now_s
        minutes, seconds = divmod(int(beat.left_s), 60)
        what = beat.instruction if self._by_hand else f"load {beat.stage}"
        line = f"{_shown(beat)}  trial {beat.trial} of {self._plan.total}  {what:<26}"
        click.echo(f"\r\x1b[K{line} {minutes}:{seconds:02} left", err=True, nl=False)

    def _say(self, text: str) -> None:
        self._clear()
        click.echo(text, err=True)

    def _clear(self) -> None:
        if self._is_terminal:
            click.echo("\r\x1b[K", err=True, nl=False)


def _shown(beat: Beat) -> str:
    reading = beat.reading
    if reading is None or reading.volts is None:
        return f"{'overload' if reading is not None and reading.overload else '-':>12}"
    return f"{reading.volts * 1e3:9.2f} mV"
