"""What a capture holds: a header, then bytes received, bytes sent and marks in time order."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

#: Marks of the capture format, and five of our own (readers that do not know them pass over them
#: with a warning): ``source``: from now on a direct source gives so many signed amperes (``text``;
#: 0 is off, another word that it is being changed); ``null``: the leads are joined, so that their
#: resistance is read until ``end``; ``link-open``: the port was opened or opened again, and the
#: bytes that follow may start in mid-reading; ``link-lost``: it failed; ``void``: ends the open
#: test, which is not to be logged. ``text`` says why.
MARK_KINDS = frozenset(
    (
        *("test", "load-on", "load-off", "end", "note", "link-open", "link-lost", "void"),
        *("source", "null"),
    )
)


@dataclass(frozen=True, slots=True)
class Header:
    """First line of a capture.

    Attributes:
        started: When time zero was, with offset from UTC.
        driver: Name of the driver that reads the bytes.
        settings: What that driver needs.
        circuit: The circuit as it was known then, as written; ``None`` where it is missing.
        instrument: What is known of the meter: ``address``, ``identity``. Empty where nothing is.
    """

    started: datetime
    driver: str
    settings: Mapping[str, object] = field(default_factory=dict)
    circuit: Mapping[str, object] | None = None
    instrument: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Received:
    """Bytes that came from the meter, complete at ``t_s`` seconds after the start."""

    t_s: float
    data: bytes


@dataclass(frozen=True, slots=True)
class Sent:
    """Bytes that were sent to the meter."""

    t_s: float
    data: bytes


@dataclass(frozen=True, slots=True)
class Mark:
    """A word of the operator, or of the program, at a moment.

    Attributes:
        t_s: Seconds after the start.
        kind: One of ``MARK_KINDS``.
        text: Of a note: what it says. Of a link or void mark: the reason.
        hookup, lead_a, lead_b, load_at, side, return_at: Of a ``test``: the arrangement, as
            written; else ``None``.
        setting: Of a ``load-on``: the load's setting, ``low`` or ``high``; ``None`` if not said.
    """

    t_s: float
    kind: str
    text: str = ""
    hookup: str | None = None
    lead_a: str | None = None
    lead_b: str | None = None
    load_at: str | None = None
    side: str | None = None
    return_at: str | None = None
    setting: str | None = None


Event = Received | Sent | Mark


def at_time(event: Event, t_s: float) -> Event:
    """The same event at another time."""
    if event.t_s == t_s:
        return event
    if isinstance(event, Mark):
        return replace(event, t_s=t_s)
    return type(event)(t_s, event.data)
