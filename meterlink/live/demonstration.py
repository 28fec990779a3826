"""A visit to an invented circuit: a simulated meter on a real serial device, simulated operator.

Everything between the bytes and the log is what a real visit uses, the guided loop included: the
operator does what its view asks for. Only time runs faster: the bench, and the clock that readings
are timed by, go ``SPEED`` times as fast as the wall clock. ``Screen`` shows it: one status line,
and a line a test.
"""

import sys
import threading
import time
from collections.abc import Sequence
from typing import Protocol

import click

from drivers.address import steady_s
from drivers.closing import Closing
from drivers.readings import Mark, Reading
from drivers.simulated import Display, SimulatedMeter
from meterlink.circuit.setup import Setup
from meterlink.levels.progress import Progress, Stage
from meterlink.live.terminal import Block, columns
from meterlink.show.format import NBSP, drop, says, where, wrap
from meterlink.simulation import SimulatedBench
from meterlink.testlog.columns import TestRow
from meterlink.visit.keyboard import Typed
from meterlink.visit.loop import Visit
from meterlink.visit.notices import Notice
from meterlink.visit.planning import Outlook
from meterlink.visit.view import Command, Key, VisitStage, same_leads

SPEED = 10.0
READINGS_A_SECOND = 4.0  # of the visit's own time; a lively handheld meter
LAG_S = 0.3
NOISE_V = 0.3e-3
HAND_S = 0.8  # from the mark to the switch: a person's hand
ANSWER_S = 1.5  # from being asked to switch off to doing so


class Watcher(Protocol):
    """Where the demonstration is shown."""

    def say(self, text: str) -> None:
        """Write a sentence."""

    def test(self, number: int, setup: Setup, why: str) -> None:
        """A test is asked for."""

    def show(self, progress: Progress) -> None:
        """A test runs."""

    def row(self, row: TestRow) -> None:
        """A test was logged."""


class SimulatedOperator(Closing):
    """A simulated meter, and who moves leads and load and presses keys (``live.visiting.Surface``).

    Args:
        bench: What the meter measures.
        watcher: Where it is shown.
        seed: Of the meter's noise.
        speed: How many times faster than the wall clock time runs.
        most_s: Seconds of the wall clock after which the visit is stopped.

    Attributes:
        address: Of the simulated meter.
    """

    def __init__(
        self, bench: SimulatedBench, watcher: Watcher, *, seed: int, speed: float, most_s: float
    ) -> None:
        self._bench = bench
        self._watcher = watcher
        self._lock = threading.Lock()
        self._speed = speed
        self._zero_s = steady_s()
        self._until_s = time.monotonic() + most_s
        self._answered = 0
        self._number = 0
        self._setup: Setup | None = None
        self._told_s: float | None = None  # when it was asked to switch off
        self._pressed: list[Typed] = []
        self._meter = SimulatedMeter(
            lambda _: self._volts(),
            rate_hz=READINGS_A_SECOND * speed,
            display=Display(lag_s=LAG_S / speed, noise_v=NOISE_V, overloads=2),
            seed=seed,
        )
        self.address = self._meter.address

    def close(self) -> None:
        """Switch the simulated meter off."""
        self._meter.close()

    def typed(self) -> Sequence[Typed]:
        """The keys that were pressed."""
        pressed, self._pressed = self._pressed, []
        return pressed

    def show(self, visit: Visit) -> None:
        """Do what is asked for, once."""
        view = visit.view
        if visit.progress is not None:
            self._watcher.show(visit.progress)
        if visit.setup is not None and visit.number != self._number:
            self._number = visit.number
            self._watcher.test(visit.number, visit.setup, view.why)
        if view.step == self._answered:
            return
        key = self._answer(visit)
        if key is not None:
            self._answered = view.step
            self._pressed.append(Typed(key, blind=True))

    def event(self, event: Reading | Mark | Notice) -> None:
        """Of the meter only what is wrong with it is told."""
        if isinstance(event, Notice):
            self._watcher.say(event.text)

    def row(self, row: TestRow) -> None:
        """A test was logged."""
        self._watcher.row(row)

    def outlook(self, outlook: Outlook) -> None:
        """The map is shown at the end."""

    def say(self, text: str) -> None:
        """A sentence of the visit."""
        self._watcher.say(text)

    def command(self, command: Command, outlook: Outlook | None) -> None:
        """Nothing else is asked for."""

    def _answer(self, visit: Visit) -> Key | None:
        """Move what has to be moved; returns the key to press, ``None`` where it is to wait."""
        view = visit.view
        likely = view.keys[0] if view.keys else None
        if view.stage is VisitStage.SETTLED or time.monotonic() > self._until_s:
            return Key.STOP if Key.STOP in view.keys else None
        if likely is Key.READY and visit.setup is not None:
            self._place(visit.setup)
        elif likely is Key.LOAD_ON and view.stage is VisitStage.IDLE and visit.setup is not None:
            self._place(visit.setup)
            with self._lock:
                self._bench.load_on(self._bench_s() + HAND_S)
        elif likely is Key.LOAD_OFF and visit.is_certain:
            self._told_s = self._bench_s() if self._told_s is None else self._told_s
            if self._bench_s() - self._told_s < ANSWER_S:
                return None
            self._told_s = None
            with self._lock:
                self._bench.load_off()
        else:
            return None
        return likely

    def _place(self, setup: Setup) -> None:
        """Move the leads and the load, or the load alone."""
        with self._lock:
            if not same_leads(setup, self._setup):
                self._bench.connect(setup, self._bench_s())
            elif setup != self._setup:
                self._bench.move_load(setup)
            self._setup = setup

    def _bench_s(self) -> float:
        return self._speed * (steady_s() - self._zero_s)

    def _volts(self) -> float:
        with self._lock:
            return self._bench.volts_at(self._bench_s())


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
