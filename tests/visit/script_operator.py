"""A scripted operator: drives ``meterlink test --json`` as a person would, from line to line."""

import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

from meterlink.circuit.setup import Hookup, Setup

from .hands import SPEED, SimulatedOperator

PATIENCE_S = 8.0  # of the visit's own time
MOST_S = 60.0  # a command that hangs fails the test instead of holding it up


def command_line(job: Path, hands: SimulatedOperator, *more: str) -> list[str]:
    """How the command is called."""
    return [
        sys.executable, "-m", "meterlink", "test", str(job), "--meter", hands.meter.address,
        "--json", "--confirm-cautions", "--speed", str(SPEED), *more,
    ]  # fmt: skip


class ScriptOperator:
    """Runs the command and does what it says with the hands. Iterate over its events."""

    most_s = MOST_S

    def __init__(
        self,
        job: Path,
        hands: SimulatedOperator,
        *more: str,
        stop_when_settled: bool = True,
        quiet: bool = False,
    ) -> None:
        """``quiet``: says only what the trace cannot show, and that after some time."""
        self._hands = hands
        self._quiet = quiet
        self._soon: threading.Timer | None = None
        self.taps = 0
        self._answered = 0
        self.said = ""
        self._stop = stop_when_settled
        self.process = subprocess.Popen(
            command_line(job, hands, *more),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=os.environ | {"METERLINK_TRACE": "1"},
        )
        self._watchdog = threading.Timer(self.most_s, self.process.kill)
        self._watchdog.start()

    def events(self) -> Iterator[dict]:
        """What the command says, until it ends; what it asks for is done on the way."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            event = json.loads(line)
            if event["event"] == "view":
                self._answer(event)
            yield event

    def _tap(self, word: str) -> None:
        """Say it at once, or when nothing has come of the switch after some seconds."""
        if not self._quiet:
            self.say(word)
            return
        self._soon = threading.Timer(PATIENCE_S / SPEED, self.say, (word,))
        self._soon.daemon = True
        self._soon.start()

    def say(self, line: str) -> None:
        """Write a line to the command."""
        self.taps += line != "stop"
        assert self.process.stdin is not None
        try:
            self.process.stdin.write(line + "\n")
            self.process.stdin.flush()
        except (BrokenPipeError, ValueError):
            return

    def finish(self) -> tuple[int, str]:
        """Exit code and messages."""
        assert self.process.stdin is not None
        assert self.process.stderr is not None
        self.process.stdin.close()
        messages = self.process.stderr.read()
        code = self.process.wait(timeout=20)
        self._watchdog.cancel()
        assert self.process.stdout is not None
        self.process.stdout.close()
        self.process.stderr.close()
        return code, messages

    def _answer(self, view: dict) -> None:
        if view["step"] == self._answered:
            return
        if self._soon is not None:
            self._soon.cancel()
        self.said = view["instruction"]
        likely = view["keys"][0] if view["keys"] else None
        if view["stage"] == "settled" and self._stop:
            self.say("stop")
        elif likely == "ready":
            self._hands.connect(setup_of(view["setup"]))
            self.say("ready")
        elif view["sign"] == "switch-on":
            self._hands.connect(setup_of(view["setup"]))
            self._hands.switch(on=True)
            self._tap("load-on")
        elif view["sign"] == "switch-off":
            self._hands.switch(on=False)
            self._tap("load-off")
        elif view["sign"] == "confirm-load":
            self._hands.switch(on=False)
            self.say("load-off")
        else:
            return
        self._answered = view["step"]


def setup_of(place: dict) -> Setup:
    return Setup(Hookup(place["hookup"]), place["lead_a"], place["lead_b"], place["load_at"])
