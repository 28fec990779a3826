"""What must be read before the first test of a job, the record that it was, and the look for mains.

``cautions.jsonl`` in the job folder has one JSON object a line, append only: ``time`` (ISO 8601
with offset), ``by`` (who confirmed, as the system knows them), ``sha256`` (of the text that was
shown). It is on the disk before the first test begins. Cautions whose text has changed since are
shown again.
"""

import getpass
import hashlib
from collections import deque
from collections.abc import Sequence
from datetime import datetime
from enum import Enum, auto
from pathlib import Path

from drivers.readings import Function, Reading
from meterlink.errors import JobError
from meterlink.files import append_json, json_lines, why

CAUTIONS_FILE = "cautions.jsonl"
_MOST_BYTES = 1 << 20

#: Article numbers are those of ``fixtures/reference/safety_practice.csv``; the rest is common
#: practice.
CAUTIONS = (
    "Mains voltage can kill. No cover comes off and no device leaves its box while the power is "
    "on; work on or near exposed live parts is for qualified persons only (OSHA 29 CFR "
    "1910.333(c)(2)). Local code and licensed practice go before anything said here.",
    "Meter and leads must be made for mains: measurement category II at outlets, III at the panel "
    "(IEC 61010-1, IEC 61010-2-030; leads IEC 61010-031). Look them over for damage first.",
    "A lead goes into a contact only with a plug or probe made for it. See that the load is off "
    "while leads are moved.",
    "One plugged-in load draws at most 80 % of what the breaker is rated for (NEC 210.23(A)(1)); "
    "at most 12 A at a receptacle of 15 A (NEC Table 210.21(B)(2)). Extension leads for the load "
    "are rated for it and uncoiled.",
    "Ground-fault devices trip at 4 to 6 mA (UL 943), arc-fault devices perhaps when the load is "
    "switched; what they protect goes dark. Ask first what must not lose power.",
    "The load runs only as long as it is asked for, and never unattended. Where something smells, "
    "warms or discolours: load off, breaker off, stop, and have it looked at.",
    "Poor joints and hazards that are found: have a licensed electrician open and remake them.",
)


#: Numbers of rules are those of ``fixtures/reference/dead_circuit.json`` (``law_working_dead``,
#: ``external_voltage_inhibit``, ``parallel_paths``, ``nulling``); the rest is common practice.
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


def digest(cautions: Sequence[str] = CAUTIONS) -> str:
    """SHA-256 of the cautions, as hexadecimal digits."""
    return hashlib.sha256("\n".join(cautions).encode()).hexdigest()


def are_confirmed(folder: Path, cautions: Sequence[str] = CAUTIONS) -> bool:
    """Whether these cautions were confirmed for a job.

    Raises:
        JobError: The record cannot be read.
    """
    path, wanted = folder / CAUTIONS_FILE, digest(cautions)
    try:
        lines = list(json_lines(path, most_bytes=_MOST_BYTES))
    except OSError as error:
        raise JobError(f"{path} cannot be read: {why(error)}.") from error
    return any(entry is not None and entry.get("sha256") == wanted for _, entry in lines)


def confirm(folder: Path, time: datetime, cautions: Sequence[str] = CAUTIONS) -> None:
    """Write down that the cautions were confirmed, and wait until that is on the disk.

    Raises:
        JobError: It cannot be written.
    """
    path = folder / CAUTIONS_FILE
    entry = {"time": time.isoformat(timespec="seconds"), "by": _who(), "sha256": digest(cautions)}
    try:
        append_json(path, entry)
    except OSError as error:
        raise JobError(
            f"{path} cannot be written: {why(error)}. Nothing was begun. Check "
            "that the folder is writable and the disk has room."
        ) from error


def _who() -> str:
    """The user's name where the system knows one."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""


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
        self._says_ac = True  # a display that does not name its function may be on DC

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
        self._says_ac = self._says_ac and reading.function is Function.AC
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
            only_if = "" if self._says_ac else " This holds only if the meter IS on AC volts: look."
            self.state = Mains.ABSENT if highest < QUIET_V else Mains.UNSURE
            self.why = (
                f"No mains: {1e3 * highest:.0f} mV AC.{only_if}"
                if self.state is Mains.ABSENT
                else f"{highest:.1f} V AC: an open conductor may pick that up beside live cables."
            )
