"""Links to meters: what they can do, the clock they are timed by, and where a port is now.

A link moves bytes and tells faults apart; it parses nothing. After its cable was pulled and put
back a port often has another name.
"""

import sys
import time
from dataclasses import replace
from typing import NamedTuple, Protocol

from drivers.address import Address


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
