"""Readings of a meter, what else a capture holds, and the decoders by name.

A decoder makes readings of the bytes it is given; its module is imported only when it is used. A
capture holds a header, then bytes received, bytes sent and marks in time order.
"""

import importlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from typing import NamedTuple, Protocol

from drivers.errors import UnavailableError


class Function(StrEnum):
    """What the meter was measuring when it gave the reading."""

    AC = "AC"
    DC = "DC"
    OHM = "OHM"
    OTHER = "other"  # amperes, hertz, a diode test: never to be used
    UNKNOWN = "unknown"  # the meter's line does not say and the settings do not either


class Reading(NamedTuple):
    """One reading as the meter gave it.

    A named tuple, because readings are made by the million and a frozen dataclass takes three
    times as long to make (``tests/benchmarks/decode_speed.py``).

    Attributes:
        t_s: Monotonic time in seconds at which the last byte of the reading arrived.
        volts: The value in volts; ``None`` where there is none to use (overload, a blank display,
            the standard's not-a-number, or a function that does not measure volts).
        function: AC or DC volts, ohms, another function, or not known.
        resolution_v: Weight in volts of the last digit shown; ``None`` where it cannot be told.
        overload: The meter said that its input is beyond the range.
        hold: The display was frozen by the hold key: an old value, not a measurement.
        raw: The bytes that the reading was made from, without the line end.
        quantity: The unit as it was shown where it is neither volts nor ohms ("A", "Hz"), "ohm",
            else "V".
        ohms: The value in ohms where that is what is measured; ``None`` as for ``volts``.
        resolution_ohm: As ``resolution_v``, of ``ohms``.
    """

    t_s: float
    volts: float | None
    function: Function = Function.UNKNOWN
    resolution_v: float | None = None
    overload: bool = False
    hold: bool = False
    raw: bytes = b""
    quantity: str = "V"
    ohms: float | None = None
    resolution_ohm: float | None = None


class Decoder(Protocol):
    """Bytes in, readings out. No I/O, no clock; never raises on any input bytes."""

    @property
    def dropped_bytes(self) -> int:
        """Number of received bytes so far that were part of no reading and no line end."""

    def feed(self, data: bytes, t_s: float) -> list[Reading]:
        """Take the bytes that arrived at ``t_s`` and return the readings they complete."""

    def sent(self, data: bytes) -> None:
        """Take note of bytes that were sent to the meter: they say what its next reply means."""

    def resync(self, t_s: float) -> None:
        """The link was opened (again) at ``t_s``: what follows may start in mid-reading."""


#: Name of a driver -> where its factory is; the factory takes the settings of a capture.
DRIVERS = {
    "lines": "drivers.lines:from_settings",
    "segments": "drivers.segments:from_settings",
    "scpi": "drivers.scpi:from_settings",
}


def make_decoder(name: str, settings: Mapping[str, object]) -> Decoder:
    """Make the decoder of a driver.

    Args:
        name: A key of ``DRIVERS``.
        settings: What the driver needs to read the bytes; keys it does not know are ignored.

    Raises:
        UnavailableError: There is no driver of that name.
        SettingsError: A setting has a value that the driver cannot use.
    """
    if name not in DRIVERS:
        known = ", ".join(DRIVERS)
        raise UnavailableError(f"There is no driver {name[:40]!r}. Known drivers: {known}.")
    module, _, factory = DRIVERS[name].partition(":")
    decoder: Decoder = getattr(importlib.import_module(module), factory)(settings)
    return decoder


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
