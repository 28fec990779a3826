"""Where a port is after its cable was pulled and put back: often under another name."""

from dataclasses import replace
from typing import NamedTuple

from drivers.address import Address


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
