"""What ``meterlink demo`` shows while it runs: one status line, and a line a test."""

import sys
import time

import click

from drivers.closing import Closing
from meterlink.circuit.setup import Setup
from meterlink.levels.progress import Progress, Stage
from meterlink.live.terminal import Block, columns
from meterlink.show.format import NBSP
from meterlink.show.tests_table import drop, says, where
from meterlink.show.text_width import wrap
from meterlink.testlog.rows import TestRow

REDRAW_S = 0.2

STAGES = {
    Stage.SETTLING: "settling",
    Stage.IDLE: "idle",
    Stage.WAITING_FOR_LOAD: "load goes on",
    Stage.ON: "load is on",
    Stage.WAITING_FOR_OFF: "load goes off",
    Stage.AFTER: "after",
}


class Screen(Closing):
    """Writes to standard error; the status line is only for a terminal.

    Elsewhere (a file, a pipe) each stage of a test gets a line of its own when it ends.
    """

    def __init__(self) -> None:
        self._is_terminal = sys.stderr.isatty()
        self._drawn_s = 0.0
        self._block = Block()
        self._stage = ""

    def close(self) -> None:
        """Wipe the status line."""
        self._block.erase()

    def say(self, text: str) -> None:
        """Write a sentence, broken at the edge of the screen."""
        self._block.erase()
        for line in wrap(text, columns()):
            click.echo(line, err=True)

    def test(self, number: int, setup: Setup, why: str) -> None:
        """Say which test is done and why."""
        self._stage = ""
        self.say(f"Test {number}: meter at {where(setup)}, load at {setup.load_at}. {why}")

    def show(self, progress: Progress) -> None:
        """Show how a running test stands."""
        line = status(progress)
        if self._is_terminal:
            now_s = time.monotonic()
            if now_s - self._drawn_s >= REDRAW_S or progress.enough:
                self._block.show([line[: columns() - 1]])
                self._drawn_s = now_s
        elif progress.enough and progress.stage != self._stage:
            self._stage = progress.stage
            click.echo(f"    {line}", err=True)

    def row(self, row: TestRow) -> None:
        """Write the result of a test."""
        self._block.erase()
        line = f"    {drop(row)}: the load current is {says(row)}.".replace(NBSP, " ")
        click.echo(line, err=True)


def status(progress: Progress) -> str:
    """How a running test stands, in one line."""
    reading = progress.reading
    if reading is None or reading.volts is None:
        now = f"{'overload' if reading is not None and reading.overload else '-':>12}"
    else:
        now = f"{reading.volts * 1e3:9.2f} mV"
    idle = "" if progress.idle_mv is None else f"  idle {progress.idle_mv:.1f} mV"
    jump = "" if progress.jump_mv is None else f"  jump {progress.jump_mv:+.1f} mV"
    return f"{now}  {STAGES[progress.stage]:<13}{idle}{jump}"
