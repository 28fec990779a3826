"""The guided visit on the dead circuit: cautions, the look for mains, the source. Pure.

Numbers of rules are those of ``fixtures/reference/dead_circuit.json`` (``law_working_dead``,
``external_voltage_inhibit``, ``parallel_paths``, ``nulling``); the rest is common practice.
"""

from collections import deque
from enum import Enum, auto

from drivers.readings import Function, Reading
from meterlink.circuit.setup import Setup
from meterlink.visit.state import CHANGING, LetFlow, Phase, RunningTest
from meterlink.visit.steps import Steps

DEAD_CAUTIONS = (
    "Isolate: breaker off, locked and tagged so that nobody switches it on (OSHA 29 CFR 1910.333; "
    "EN 50110-1: disconnect, secure, verify dead). Local code and licensed practice go before "
    "anything said here.",
    "Prove dead at every receptacle, hot to neutral, hot to ground and neutral to ground, with a "
    "tester proved on a live point right before and right after. What this program's meter sees is "
    "a second look, not the proof.",
    "What stays joined: neutral and ground at the panel, and the neutrals of all other circuits in "
    "the same bar. Their current can flow through it while they are on; a neutral shared with "
    "another breaker is not dead until that breaker is off too.",
    "No source on a live circuit. The meter looks for mains before a source is let on, and the "
    "program refuses where it sees any. The source stays at or below its voltage limit (12 V "
    "unless you say otherwise): electronics stay plugged in. Unplug what is delicate.",
    "Ground-fault and arc-fault devices in the way, dimmers and surge protectors pass or hold back "
    "direct current: a path through one reads wrong. Take the path from its line side, or leave "
    "it out.",
    "Ground wires may be joined through metal (conduit, pipes, boxes): paths of the ground read "
    "lower than the wire. Null the wander lead, tips pressed together, before the first reading.",
    "Panel work, links at the panel and opened joints are for qualified persons only. Whatever was "
    "linked or disconnected is put back and checked before the breaker goes on.",
)

LIVE_V = 10.0  # installation testers refuse a continuity test above it (two manuals; another 42 V)
QUIET_V = 1.0  # less is pickup on a dead circuit
CHECK_READINGS = 8
CHECK_S = 3.0


class Mains(Enum):
    """What the look for mains came to."""

    LOOKING = auto()
    ABSENT = auto()
    UNSURE = auto()  # volts that may be picked up by an open conductor, or not
    PRESENT = auto()


class MainsCheck:
    """Looks at AC readings between hot and neutral of the isolated circuit.

    Attributes:
        state: What they come to.
        why: A sentence for the person; empty while there is nothing to say.
    """

    def __init__(self) -> None:
        self.state = Mains.LOOKING
        self.why = ""
        self._volts: deque[float] = deque(maxlen=CHECK_READINGS)
        self._since_s: float | None = None

    def add(self, reading: Reading) -> None:
        """Take a reading; one large reading is enough for ``PRESENT``."""
        if self.state is Mains.PRESENT:
            return
        if reading.function not in (Function.AC, Function.UNKNOWN):
            self.why = "Turn the meter to AC volts: it looks for mains before anything else."
            self._volts.clear()
            return
        if reading.hold:
            self.why = "The meter's hold key is pressed: release it."
            self._volts.clear()
            return
        if reading.overload:
            self.state, self.why = Mains.PRESENT, "The meter shows overload on AC volts."
            return
        if reading.volts is None:
            return
        self._take(abs(reading.volts), reading.t_s)

    def _take(self, volts: float, t_s: float) -> None:
        if not self._volts:
            self._since_s = t_s
        self._volts.append(volts)
        if volts > LIVE_V:
            self.state = Mains.PRESENT
            self.why = (
                f"The meter shows {volts:.1f} V AC: the circuit is LIVE, or an open conductor "
                "picks that up. Switch the breaker off, lock it, and prove the circuit dead with a "
                "tester that loads it; read again with the meter's low-impedance input."
            )
            return
        long_enough = t_s - (self._since_s or 0.0) >= CHECK_S
        if len(self._volts) == CHECK_READINGS and long_enough:
            highest = max(self._volts)
            self.state = Mains.ABSENT if highest < QUIET_V else Mains.UNSURE
            self.why = (
                f"No mains: {1e3 * highest:.0f} mV AC."
                if self.state is Mains.ABSENT
                else f"{highest:.1f} V AC: an open conductor may pick that up beside live cables."
            )


def currents_of(setup: Setup, *, reverses: bool) -> tuple[int, ...]:
    """Directions in which the source is let on in a test, one standing after another.

    With ``0, +, -, +, 0`` offset and drift drop out twice over; a supply that cannot turn its
    current is switched on and off.
    """
    if setup.hookup.ohms:
        return ()
    return (0, 1, -1, 1, 0) if reverses else (0, 1, 0, 1, 0)


def begin_dead(steps: Steps, test: RunningTest, setup: Setup) -> None:
    """A test of the dead circuit begins: an ohmmeter needs no current, a supply is let on."""
    reverses = steps.state.source_reverses
    if setup.hookup.ohms:
        test.currents = ()
    elif setup.dead and reverses is not None:
        steps.ask(LetFlow(test.begin_with_source(currents_of(setup, reverses=reverses))))


def follow_source(steps: Steps, test: RunningTest) -> None:
    """Ask for the next current once the reading stood still, and end after the last."""
    try:
        sign = test.next_current(steps.state.now_s)
    except StopIteration:
        steps.end()
        return
    if sign is not None:
        steps.ask(LetFlow(sign))


def source_changed(steps: Steps, text: str, t_s: float) -> None:
    """A mark of the source came: its current flows now, or is on its way."""
    test = steps.state.test
    if test is not None and text != CHANGING:
        test.turned(t_s)


def source_failed(steps: Steps, reason: str) -> None:
    """The source limits, dropped out or is silent: the test that needs it is discarded."""
    state = steps.state
    state.void = reason
    if state.phase is Phase.RUNNING and state.test is not None:
        state.test.currents = ()  # nothing more is asked of it in this test
        steps.discard("the source failed", Phase.SET_UP)


def meter_lost(steps: Steps) -> None:
    """Nobody sees what a current does any more: it is switched off."""
    test = steps.state.test
    if test is not None and test.flows:
        steps.state.void = "The meter was lost while the source was on: it is switched off."
        steps.discard("the meter was lost", Phase.SET_UP)
