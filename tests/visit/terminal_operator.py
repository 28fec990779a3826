"""A scripted operator at a real pseudo-terminal: reads the screen, presses keys."""

import os
import pty
import re
import select
import signal
import sys
import termios
import threading
from collections.abc import Callable
from pathlib import Path

from meterlink.circuit.setup import Hookup, Setup

from .hands import SPEED, SimulatedOperator

READING_S = 1.5
ERASE = re.compile(rb"\x1b\[\d+F")
COLOUR = re.compile(r"\x1b\[[0-9;]*[mJK]")
LEADS = (
    (Hookup.NEUTRAL_NEUTRAL, re.compile(r"neutral of (\w+) to neutral of (\w+)")),
    (Hookup.NEUTRAL_GROUND, re.compile(r"neutral to ground at (\w+)")),
    (Hookup.LINE_DROP, re.compile(r"hot to neutral at (\w+)")),
)
LOAD = re.compile(r"LOAD (\w+)")


class TerminalOperator:
    """A command on a pseudo-terminal.

    Attributes:
        screen: All that was written to it so far.
        pid: Of the command.
    """

    def __init__(self, arguments: list[str], *, columns: int = 80) -> None:
        self.pid, self._terminal = pty.fork()
        if self.pid == 0:
            os.environ |= {"COLUMNS": str(columns), "LINES": "50", "TERM": "xterm"}
            os.environ["PYTHONIOENCODING"] = "utf-8"
            os.execv(sys.executable, [sys.executable, "-m", "meterlink", *arguments])
        self.screen = b""

    def press(self, keys: str) -> None:
        """Press keys as a person does, who has read the screen first."""
        threading.Event().wait(READING_S / SPEED)
        os.write(self._terminal, keys.encode())

    def take_whole_lines(self) -> None:
        """Set the terminal as it was before the program took single keys."""
        modes = termios.tcgetattr(self._terminal)
        modes[3] |= termios.ICANON | termios.ECHO
        termios.tcsetattr(self._terminal, termios.TCSANOW, modes)
        self.screen = b""

    def read(self, timeout_s: float = 20.0) -> bool:
        """Wait for more on the screen; ``False`` at the command's end."""
        ready, _, _ = select.select([self._terminal], [], [], timeout_s)
        assert ready, self.screen[-2000:]
        try:
            data = os.read(self._terminal, 65536)
        except OSError:  # the other end is closed
            return False
        self.screen += data
        return bool(data)

    def block(self) -> str:
        """The block at the foot of the screen, as it is now, on one line."""
        last = ERASE.split(self.screen)[-1].decode("utf-8", "replace")
        return " ".join(COLOUR.sub("", last).split())

    def end(self) -> int:
        """Read to the end; returns the exit code."""
        while self.read():
            pass
        _, status = os.waitpid(self.pid, 0)
        os.close(self._terminal)
        return os.waitstatus_to_exitcode(status)

    def kill(self) -> None:
        os.kill(self.pid, signal.SIGKILL)
        os.waitpid(self.pid, 0)
        os.close(self._terminal)


def drive(
    operator: TerminalOperator, hands: SimulatedOperator, until: Callable[[str], bool]
) -> None:
    """Do what the screen says until it says something."""
    answered = ""
    while operator.read():
        block = operator.block()
        if "== " not in block:
            continue
        block = block[block.rindex("== ") :]
        if until(block):
            return
        for asked, answer in ANSWERS:
            key = f"{asked} {block.split('[')[0]}"
            if asked in block and answered != key:
                answered = key
                answer(operator, hands, block)
                break


def _place(operator: TerminalOperator, hands: SimulatedOperator, block: str) -> None:
    hands.connect(setup_in(block))
    operator.press("\r")


def _switch_on(operator: TerminalOperator, hands: SimulatedOperator, block: str) -> None:
    hands.connect(setup_in(block))
    hands.switch(on=True)
    operator.press("l")


def _switch_off(operator: TerminalOperator, hands: SimulatedOperator, block: str) -> None:
    hands.switch(on=False)
    operator.press("o")


ANSWERS = (
    ("[SET UP]", _place),
    ("[SWITCH ON]", _switch_on),
    ("[SWITCH OFF]", _switch_off),
    ("[DID IT RUN?]", _switch_off),
)


def setup_in(block: str) -> Setup:
    """The leads and the load that a block names."""
    load = LOAD.search(block)
    assert load is not None, block
    for hookup, pattern in LEADS:
        if found := pattern.search(block):
            a, b = found[1], found[2] if hookup.has_lead_b else None
            return Setup(hookup, a, b, load[1])
    raise AssertionError(block)


def arguments(job: Path, hands: SimulatedOperator, *more: str) -> list[str]:
    """How the command is called."""
    return ["test", str(job), "--meter", hands.meter.address, "--speed", str(SPEED), *more]
