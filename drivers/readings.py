"""Readings of a meter, what else a capture holds, and the decoders by name.

A decoder makes readings of the bytes it is given; its module is imported only when it is used. A
capture holds a header, then bytes received, bytes sent and marks in time order.

Which driver and framing make sense of bytes is tried out by ``guess`` without any port. A line is
worked out bit by bit: a start bit (0), data bits with the least significant first, a parity bit
where there is one, a stop bit (1); idle is 1 (asynchronous framing of EIA-232). The receiver waits
for a falling edge and looks at the middle of each bit of its own.
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


#: Readings that must be found, and the share of the bytes that must belong to them.
_LEAST_READINGS = 2
_LEAST_SHARE = 0.6


class Guess(NamedTuple):
    """A driver that makes sense of bytes.

    Attributes:
        driver: Its name.
        framing: "8N1", or a framing of 7 bits where the eighth turned out to be a parity bit.
        readings: Readings found.
        example: One of them.
        share: Share of the bytes that belong to readings.
    """

    driver: str
    framing: str
    readings: int
    example: Reading
    share: float


def guess(data: bytes) -> Guess | None:
    """Find the driver that makes most of the bytes, taken with 8 data bits and no parity.

    Returns:
        The best guess, ``None`` where no driver makes sense of them.
    """
    found = [_tried(data, driver, "8N1") for driver in ("segments", "lines")]
    parity = _parity(data)
    if parity is not None:
        bare = bytes(byte & 0x7F for byte in data)
        found.append(_tried(bare, "lines", f"7{parity}1"))
    sound = [one for one in found if one is not None]
    return max(sound, key=lambda one: one.share, default=None)


def _tried(data: bytes, driver: str, framing: str) -> Guess | None:
    decoder = make_decoder(driver, {})
    readings = decoder.feed(data, 0.0)
    if len(readings) < _LEAST_READINGS:
        return None
    used = sum(len(reading.raw) for reading in readings)
    # The first and the last reading may be cut; they are not held against the driver.
    lost = max(0, decoder.dropped_bytes - 2 * len(readings[0].raw))
    share = used / (used + lost)
    if share < _LEAST_SHARE:
        return None
    with_volts = [reading for reading in readings if reading.volts is not None]
    return Guess(driver, framing, len(readings), (with_volts or readings)[-1], share)


def _parity(data: bytes) -> str | None:
    """Parity that all bytes have when their eighth bit is counted, if some have that bit set."""
    if not any(byte & 0x80 for byte in data):
        return None
    ones = {byte.bit_count() % 2 for byte in data}
    if len(ones) > 1:
        return None
    return "E" if ones == {0} else "O"


_READ_BITS = 8  # that the receiver expects; it checks no parity
_SAMPLES = 16  # fineness of the line in samples a bit of the faster side


def as_read_at(data: bytes, *, sent_baud: int, read_baud: int, sent_parity: str = "N") -> bytes:
    """Bytes sent at one speed as a port at another speed reads them.

    Args:
        data: Bytes sent back to back; with a parity, their low 7 bits.
        sent_baud: Speed of the sender.
        read_baud: Speed of the receiver.
        sent_parity: "N" (8 data bits), "E" or "O" (7 data bits and parity).

    Returns:
        What the receiver hands over; bytes with a wrong stop bit are handed over too, as common
        drivers do.

    >>> as_read_at(b"4.34 mV", sent_baud=9600, read_baud=9600)
    b'4.34 mV'
    """
    rate = _SAMPLES * max(sent_baud, read_baud)
    line = _line(data, rate / sent_baud, sent_parity)
    step = rate / read_baud
    found = bytearray()
    at = 0
    while True:
        at = line.find(0, at)
        if at < 0:
            return bytes(found)
        bits = [_level(line, at + (1.5 + bit) * step) for bit in range(_READ_BITS)]
        found.append(sum(bit << place for place, bit in enumerate(bits)))
        # The stop bit ends the frame; a line still low is waited out before the next edge counts.
        at = int(at + (_READ_BITS + 1.5) * step)
        high = line.find(1, at)
        if high < 0:
            return bytes(found)
        at = high


def _line(data: bytes, samples_a_bit: float, parity: str) -> bytearray:
    levels: list[int] = [1] * 10
    for byte in data:
        bits = [byte >> place & 1 for place in range(8 if parity == "N" else 7)]
        if parity != "N":
            bits.append((sum(bits) + (parity == "O")) % 2)
        levels += [0, *bits, 1]
    levels += [1] * 10
    line = bytearray()
    for place, level in enumerate(levels):
        line += bytes([level]) * (round((place + 1) * samples_a_bit) - len(line))
    return line


def _level(line: bytearray, at: float) -> int:
    place = int(at)
    return line[place] if place < len(line) else 1
