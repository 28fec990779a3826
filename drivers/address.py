"""Addresses of meters, one string that holds all that is needed to open one, and links to them.

    DRIVER:PORT[,BAUD][,FRAMING][,NAME=VALUE ...]

    lines:/dev/ttyUSB0                                 9600 baud, 8N1
    segments:/dev/ttyUSB1,2400,8N1,dtr=on,rts=off      an optically isolated cable
    lines:COM5,1200,7O1,ask=44,every=0.5               a meter that answers the byte 0x44
    lines:socket://127.0.0.1:4000                      a serial device server
    scpi:/dev/ttyS0,19200,range=1                      an instrument on a serial port
    scpi:TCPIP::192.168.1.7::5025::SOCKET              an instrument on the network (VISA)
    scpi:USB0::0x0957::0x0607::MY12345::INSTR,visa=@ivi

A port with ``::`` in it is a VISA resource name; any other is a serial port or a pyserial URL.

A link moves bytes and tells faults apart; it parses nothing. After its cable was pulled and put
back a port often has another name. Links are timed by a clock that is never set back.
"""

import re
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple, Protocol

from drivers.errors import AddressError, DriverError
from drivers.readings import DRIVERS, make_decoder

#: Line speed where the address does not say: common practice for each kind of meter.
DEFAULT_BAUD = {"lines": 9600, "segments": 2400, "scpi": 9600}
MAX_BAUD = 4_000_000
_FRAMING = re.compile(r"([5678])([NEOMSnoems])(1|1\.5|2)")
_ASK = re.compile(r"(?:[0-9A-Fa-f]{2}){1,64}")
_MAX_ADDRESS = 500
_NAMES = ("dtr", "rts", "unit", "function", "ask", "every", "range", "nplc", "visa")
_HELP = (
    "Write DRIVER:PORT,BAUD,FRAMING, such as lines:/dev/ttyUSB0,9600,8N1. "
    "'meterlink meters' finds out the address of a meter."
)


@dataclass(frozen=True, slots=True)
class Address:
    """Where a meter is and how it talks.

    Attributes:
        driver: Name of the driver that reads its bytes.
        port: Serial port, pyserial URL or VISA resource name.
        baud: Line speed of a serial port.
        framing: Data bits, parity, stop bits, such as "8N1".
        dtr, rts: Level of the handshake lines, ``None`` for the system's default (both on).
        ask: Bytes that make the meter give a reading; empty for one that streams.
        every_s: Least time between two questions.
        range_v: Range in volts or ohms that a ``scpi`` instrument is set to; ``None`` is its own
            choice.
        cycles: Mains cycles that a ``scpi`` instrument averages over on DC or ohms; default one.
        visa: VISA library: "@py" (pure Python), "@ivi" or a path.
        settings: Of the decoder: ``unit``, ``function``.
    """

    driver: str
    port: str
    baud: int = 9600
    framing: str = "8N1"
    dtr: bool | None = None
    rts: bool | None = None
    ask: bytes = b""
    every_s: float = 0.0
    range_v: float | None = None
    cycles: float | None = None
    visa: str = "@py"
    settings: Mapping[str, str] = field(default_factory=dict)

    @property
    def is_visa(self) -> bool:
        """Whether the port is a VISA resource name."""
        return "::" in self.port and "://" not in self.port

    @property
    def is_serial(self) -> bool:
        """Whether there is a line with a speed: a serial port, also one behind VISA."""
        if self.is_visa:
            return self.port.upper().startswith("ASRL")
        return "://" not in self.port

    @property
    def function(self) -> str:
        """Function that a ``scpi`` instrument is set to."""
        return self.settings.get("function", "AC")

    @property
    def capture_settings(self) -> dict[str, object]:
        """Settings that a capture of this meter needs to be read again."""
        settings: dict[str, object] = dict(self.settings)
        if self.driver == "scpi":
            settings["function"] = self.function
        if self.ask and self.driver == "lines":
            settings |= {"ask_hex": self.ask.hex(), "every_s": self.every_s}
        return settings

    def __str__(self) -> str:
        """The address as text, with what differs from the defaults."""
        words = [f"{self.driver}:{self.port}"]
        if self.is_serial:
            words += [str(self.baud), self.framing]
        for name, level in (("dtr", self.dtr), ("rts", self.rts)):
            if level is not None:
                words.append(f"{name}={'on' if level else 'off'}")
        words += [f"{name}={value}" for name, value in self.settings.items()]
        if self.ask:
            words.append(f"ask={self.ask.hex()}")
        figures = (("every", self.every_s or None), ("range", self.range_v), ("nplc", self.cycles))
        words += [f"{name}={value:g}" for name, value in figures if value is not None]
        if self.visa != "@py":
            words.append(f"visa={self.visa}")
        return ",".join(words)


def parse_address(text: str) -> Address:
    """Read an address.

    Raises:
        AddressError: It is none; the message says what is wrong and what one looks like.

    >>> parse_address("segments:/dev/ttyUSB1,rts=off").baud
    2400
    """
    shown = text[:80]
    if len(text) > _MAX_ADDRESS or not text.isprintable():
        raise AddressError(f"{shown!r} is no address of a meter. {_HELP}")
    driver, colon, rest = text.partition(":")
    if not colon or driver not in DRIVERS:
        known = ", ".join(DRIVERS)
        raise AddressError(
            f"{shown!r} is no address of a meter: it begins with none of the drivers ({known}) "
            f"and a colon. {_HELP}"
        )
    port, *words = [word.strip() for word in rest.split(",")]
    if not port:
        raise AddressError(f"{shown!r} names no port. {_HELP}")
    values: dict[str, str] = {}
    for word in words:
        name, value = _named(word, shown)
        if name in values:
            raise AddressError(f"{shown!r} gives {name} twice. {_HELP}")
        values[name] = value
    return _address(driver, port, values, shown)


def _named(word: str, shown: str) -> tuple[str, str]:
    if "=" in word:
        name, _, value = word.partition("=")
        if name in _NAMES and value:
            return name, value
    elif word.isascii() and word.isdigit():
        return "baud", word
    elif _FRAMING.fullmatch(word):
        return "framing", word.upper()
    known = ", ".join(f"{name}=" for name in _NAMES)
    raise AddressError(
        f"In {shown!r}, {word[:40]!r} is not understood. After the port come a speed (9600), a "
        f"framing (8N1) and any of {known}."
    )


def _address(driver: str, port: str, values: Mapping[str, str], shown: str) -> Address:
    settings = {name: values[name] for name in ("unit", "function") if name in values}
    try:
        make_decoder(driver, settings)
    except DriverError as error:
        raise AddressError(f"In {shown!r}: {error}") from error
    ask = values.get("ask", "")
    if ask and not _ASK.fullmatch(ask):
        raise AddressError(
            f"In {shown!r}, ask={ask[:40]} is not bytes in hex; R and a line end are 520a."
        )
    baud = int(values.get("baud", DEFAULT_BAUD[driver]))
    if not 50 <= baud <= MAX_BAUD:
        raise AddressError(f"In {shown!r}, {baud} is no speed of a serial line.")
    return Address(
        driver,
        port,
        baud,
        values.get("framing", "8N1"),
        _level(values, "dtr", shown),
        _level(values, "rts", shown),
        bytes.fromhex(ask),
        _figure(values, "every", shown, 3600.0) or 0.0,
        _figure(values, "range", shown, 1000.0),
        _figure(values, "nplc", shown, 1000.0),
        values.get("visa", "@py"),
        settings,
    )


def _level(values: Mapping[str, str], name: str, shown: str) -> bool | None:
    if name not in values:
        return None
    if values[name] not in ("on", "off"):
        raise AddressError(f"In {shown!r}, {name} must be on or off.")
    return values[name] == "on"


def _figure(values: Mapping[str, str], name: str, shown: str, most: float) -> float | None:
    if name not in values:
        return None
    try:
        figure = float(values[name])
    except ValueError:
        figure = 0.0
    if not 0 < figure <= most:
        raise AddressError(f"In {shown!r}, {name} must be a number above 0, at most {most:g}.")
    return figure


class Link(Protocol):
    """An open way to a meter."""

    def read(self, timeout_s: float) -> bytes:
        """Bytes as soon as there are some, or nothing once the time is up.

        Raises:
            OperatingError: The far end is gone.
        """

    def write(self, data: bytes) -> None:
        """Send bytes.

        Raises:
            OperatingError: The far end is gone or does not take them.
        """

    def close(self) -> None:
        """Let go of the port. Calling it again does nothing."""


class Begun(NamedTuple):
    """A meter that is set up.

    Attributes:
        identity: What it says it is; empty where it says nothing.
        settings: What a capture must say so that its bytes can be read again.
    """

    identity: str
    settings: dict[str, object]


def open_link(address: Address) -> Link:
    """Open the way to a meter; the library that is needed is imported here.

    Raises:
        OpeningError: Absent, busy, forbidden or refused; the message says which.
        UnavailableError: The library for it is not installed.
    """
    if address.is_visa:
        from drivers.visa_link import VisaLink

        return VisaLink(address)
    from drivers.serial_link import SerialLink

    return SerialLink(address)


def _steady_clock_id() -> int | None:
    """The system's clock that also counts time asleep, so that a suspend is seen as a gap."""
    system: str = sys.platform
    if system == "linux":
        return getattr(time, "CLOCK_BOOTTIME", None)
    if system == "darwin":
        return getattr(time, "CLOCK_MONOTONIC", None)
    return None  # Windows: time.monotonic counts time asleep


_CLOCK_ID = _steady_clock_id()


def steady_s() -> float:
    """Seconds since some moment in the past; never set back, whatever happens to the wall clock."""
    return time.monotonic() if _CLOCK_ID is None else time.clock_gettime(_CLOCK_ID)


class _Adapter(NamedTuple):
    """What tells one USB adapter from another."""

    vendor: int
    product: int
    serial: str | None
    location: str | None


class Finder:
    """Remembers which adapter a port was, and finds the port it is now."""

    def __init__(self, address: Address) -> None:
        """Look at the adapter while it is plugged in."""
        self._address = address
        self._adapter = None if address.is_visa else _adapters().get(address.port)

    def current(self) -> Address:
        """The address to try now: the same port, or another that the same adapter has become."""
        if self._adapter is None:
            return self._address
        adapters = _adapters()
        if self._address.port in adapters:
            return self._address
        for port, adapter in adapters.items():
            if _same(adapter, self._adapter):
                return replace(self._address, port=port)
        return self._address


def _same(one: _Adapter, other: _Adapter) -> bool:
    """By serial number; adapters without one are told apart by the socket they are in."""
    if one[:3] != other[:3]:
        return False
    return one.serial is not None or one.location == other.location


def _adapters() -> dict[str, _Adapter]:
    from serial.tools.list_ports import comports

    return {
        port.device: _Adapter(port.vid, port.pid, port.serial_number, port.location)
        for port in comports()
        if port.vid is not None and port.pid is not None
    }
