"""What the visit asks of whoever runs it: marks, rows, thinking. The visit itself does no I/O."""

from dataclasses import dataclass

from meterlink.circuit.setup import Setup
from meterlink.levels.visit_split import CompletedTest


@dataclass(frozen=True, slots=True)
class SetMark:
    """Set a mark in the recording; it comes back to the visit among the readings."""

    kind: str
    text: str = ""
    setup: Setup | None = None


@dataclass(frozen=True, slots=True)
class LogTest:
    """Append a completed test to the log; answer with ``logged`` or ``not_logged``."""

    done: CompletedTest


@dataclass(frozen=True, slots=True)
class Withdraw:
    """Write down that a logged test does not count; answer with ``withdrawn``, or not at all."""

    test: int


@dataclass(frozen=True, slots=True)
class Think:
    """Work out what the log says and what to test next; answer with ``planned``.

    Attributes:
        last: The setup of the last test: where leads and load are now.
        not_now: Receptacles that cannot be got at.
    """

    last: Setup | None
    not_now: frozenset[str]


@dataclass(frozen=True, slots=True)
class Record:
    """Begin a new recording; answer with ``recording`` or ``recording_failed``."""


Request = SetMark | LogTest | Withdraw | Think | Record
