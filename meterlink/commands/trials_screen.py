"""What ``meterlink trials run`` shows: the rhythm, time left, and a line a trial."""

import sys
import time
from contextlib import suppress
from typing import Self

from drivers.closing import Closing
from meterlink.lab.run import Plan, Stage, TrialProgress
from meterlink.live.terminal import Block
from meterlink.show.format import NBSP, clean, drop, says, where

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
        self._block = Block()
        self._drawn_s = 0.0
        self._stage: Stage | None = None

    def __enter__(self) -> Self:
        rhythm = self._plan.rhythm
        minutes = len(self._plan.order) * (rhythm.cycle_s + rhythm.rest_s) / 60
        if self._plan.done:
            self._say(f"{self._plan.done} trials are there; going on.")
        if self._plan.seed is not None:
            self._say(f"Hookups in random order, --seed {self._plan.seed}.")
        self._say(f"About {minutes:.0f} min. Stop with q or Ctrl-C.")
        return self

    def close(self) -> None:
        """Wipe the status line; where the terminal is gone the run still ends in order."""
        with suppress(OSError):
            self._block.erase()

    def show(self, step: TrialProgress) -> None:
        """Show how the run stands."""
        if step.notice is not None:
            self._say(f"meterlink: {step.notice.text}")
        if step.row is not None:
            figure = drop(step.row).replace(NBSP, " ")
            self._say(
                f"trial {step.trial} of {self._plan.total}: {figure}, {says(step.row)}"
                + ("" if step.counts else "; not counted as a trial, it is made up for")
            )
            self._stage = None
        elif step.stage is not self._stage:
            self._stage = step.stage
            self._stage_began(step)
        self._draw(step)

    def _stage_began(self, step: TrialProgress) -> None:
        if step.stage is Stage.MOVE:
            place = f"{where(step.setup)}, load at {clean(step.setup.load_at or '')}"
            self._say(f"  {place}: {step.instruction}")
        elif step.stage is Stage.REST:
            self._say(f"  {step.instruction}, {self._plan.rhythm.rest_s:.0f} s")
        elif self._by_hand and step.stage is not Stage.IDLE:
            bell = "\a" if self._is_terminal else ""
            self._say(f"{bell}  {step.instruction}")

    def _draw(self, step: TrialProgress) -> None:
        now_s = time.monotonic()
        if not self._is_terminal or now_s - self._drawn_s < REDRAW_S:
            return
        self._drawn_s = now_s
        minutes, seconds = divmod(int(step.left_s), 60)
        what = step.instruction if self._by_hand else f"load {step.stage}"
        line = f"{_shown(step)}  trial {step.trial} of {self._plan.total}  {what:<26}"
        with suppress(OSError):
            self._block.show([f"{line} {minutes}:{seconds:02} left"])

    def _say(self, text: str) -> None:
        with suppress(OSError):
            self._block.say(text)


def _shown(step: TrialProgress) -> str:
    reading = step.reading
    if reading is None or reading.volts is None:
        return f"{'overload' if reading is not None and reading.overload else '-':>12}"
    return f"{reading.volts * 1e3:9.2f} mV"
