"""A script for a simulated meter: what happens to it when."""

import cmath
import math
import random
import select
import threading
import time
from collections.abc import Callable, Iterable
from typing import TextIO

from drivers.readings import Function, as_read_at
from drivers.simulated import SimulatedMeter

_WAIT_S = 0.05


def parse_script(words: Iterable[str]) -> list[tuple[float, str]]:
    """Read "5:on" and the like, sorted by time.

    Raises:
        ValueError: One of them is not a time and an action; the message lists the actions.
    """
    steps = []
    for word in words:
        at, _, action = word.partition(":")
        try:
            at_s = float(at)
        except ValueError:
            at_s = -1.0
        if not 0 <= at_s < 1e7 or action not in ACTIONS:
            known = ", ".join(ACTIONS)
            raise ValueError(f"{word[:40]!r} is not SECONDS:ACTION. Known actions: {known}.")
        steps.append((at_s, action))
    return sorted(steps)


class SimulatedOperator:
    """Somebody at the load switch and at the meter.

    Attributes:
        is_on: Whether the load runs.
        direct: Whether the meter shows DC, where there is no phase: idle reading and drop add.
    """

    def __init__(self, idle_v: float, drop_v: float, phase_deg: float = 90.0) -> None:
        """What the meter is connected to.

        Args:
            idle_v: Reading without load: pickup.
            drop_v: What the load current causes.
            phase_deg: Between the two. The meter shows the size of their sum: all of the drop on
                top of the idle reading at 0 degrees only, hardly more than the drop at 90.
        """
        self.is_on = False
        self.direct = False
        self._idle_v = idle_v
        self._drop_v = drop_v
        self._turn = cmath.exp(1j * math.radians(phase_deg))

    def volts(self, t_s: float) -> float:
        """The meter's input."""
        del t_s
        drop_v = self._drop_v if self.is_on else 0.0
        return self._idle_v + drop_v if self.direct else abs(self._idle_v + drop_v * self._turn)

    def run(
        self,
        meter: SimulatedMeter,
        steps: list[tuple[float, str]],
        typed: TextIO | None,
        for_s: float | None,
        tell: Callable[[str], None],
    ) -> None:
        """Carry out scripted and typed actions until the time is up."""
        begin_s = time.monotonic()
        steps = list(steps)
        while True:
            now_s = time.monotonic() - begin_s
            if for_s is not None and now_s >= for_s:
                return
            while steps and steps[0][0] <= now_s:
                self.do(steps.pop(0)[1], meter, tell)
            word, typed = _typed_word(typed)
            if word:
                self.do(word, meter, tell)

    def do(self, action: str, meter: SimulatedMeter, tell: Callable[[str], None]) -> None:
        """Carry out one action."""
        if action in ("on", "off"):
            self.is_on = action == "on"
        elif action in ACTIONS:
            self.direct = {"ac": False, "dc": True}.get(action, self.direct)
            ACTIONS[action](meter)
        else:
            tell(f"{action[:40]!r} is no action. Known: {', '.join(ACTIONS)}.")
            return
        tell(f"{action}; the meter is at {meter.address}" if action == "plug" else action)


def _typed_word(typed: TextIO | None) -> tuple[str, TextIO | None]:
    """A word typed since the last call, waiting a moment; no stream any more at its end."""
    if typed is None:
        threading.Event().wait(_WAIT_S)
        return "", None
    try:
        ready, _, _ = select.select([typed], [], [], _WAIT_S)
    except (OSError, ValueError):  # no terminal, or Windows, where select takes sockets only
        return "", None
    if not ready:
        return "", typed
    line = typed.readline()
    return line.strip(), typed if line else None


def _garbage(meter: SimulatedMeter) -> None:
    rng = random.Random(meter.sent)
    meter.send(rng.randbytes(40))


def _half(meter: SimulatedMeter) -> None:
    meter.garble(lambda data: data[: len(data) // 2])


def _slow(meter: SimulatedMeter) -> None:
    meter.garble(lambda data: as_read_at(data, sent_baud=2400, read_baud=9600))


def _show(function: Function, quantity: str = "V") -> Callable[[SimulatedMeter], None]:
    def change(meter: SimulatedMeter) -> None:
        meter.display.function = function
        meter.display.quantity = quantity

    return change


def _hold(held: bool) -> Callable[[SimulatedMeter], None]:
    def change(meter: SimulatedMeter) -> None:
        meter.display.held = held

    return change


ACTIONS: dict[str, Callable[[SimulatedMeter], None]] = {
    "on": lambda _: None,
    "off": lambda _: None,
    "unplug": SimulatedMeter.unplug,
    "plug": SimulatedMeter.plug,
    "sleep": SimulatedMeter.sleep,
    "wake": SimulatedMeter.wake,
    "hold": _hold(True),
    "release": _hold(False),
    "ac": _show(Function.AC),
    "dc": _show(Function.DC),
    "ohm": _show(Function.OHM, "ohm"),
    "garbage": _garbage,
    "half": _half,
    "slow": _slow,
    "clean": lambda meter: meter.garble(None),
}
