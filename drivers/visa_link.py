"""Instruments behind VISA: network (socket, VXI-11, HiSLIP), USBTMC, serial, as the library can."""

import select
import socket
from contextlib import suppress
from typing import Any

from drivers.address import Address
from drivers.errors import OpeningError, OperatingError, UnavailableError

_WRITE_S = 3.0
_LEAST_TIMEOUT_MS = 10
#: On a bus or USB a message comes as a whole; giving up in the middle of it would lose it.
_WHOLE_MESSAGE_MS = 2000


def open_library(name: str) -> Any:
    """The resource manager of a VISA library.

    Raises:
        UnavailableError: pyvisa or the library is not there.
    """
    try:
        import pyvisa
    except ImportError as error:
        raise UnavailableError(
            "VISA addresses need the packages pyvisa and pyvisa-py: pip install pyvisa-py."
        ) from error
    try:
        return pyvisa.ResourceManager(name)
    except (OSError, ValueError, pyvisa.Error) as error:
        raise UnavailableError(
            f"The VISA library {name!r} is not there: {error}. Without the word visa the "
            "pure-Python one is used."
        ) from error


class VisaLink:
    """An open VISA resource."""

    def __init__(self, address: Address) -> None:
        """Open the resource with the library that the address names.

        Raises:
            UnavailableError: pyvisa or the VISA library is not there.
            OpeningError: No such resource, or it refuses.
        """
        self._address = address
        self._resource: Any = None
        manager = open_library(address.visa)
        import pyvisa

        self._errors = (pyvisa.Error, OSError)
        self._timeout_code = pyvisa.constants.StatusCode.error_timeout
        try:
            self._resource = manager.open_resource(address.port, open_timeout=3000)
            if address.is_serial:
                self._set_line(pyvisa.constants)
        except Exception as error:  # each backend raises its own kinds
            self.close()
            raise OpeningError(_opening_message(address.port, error)) from error
        name = address.port.upper()
        # On a socket a reply ends with its line feed and may come in pieces. Elsewhere a message
        # has an end of its own, and a line feed in it is only part of what it carries.
        self._is_socket = name.endswith("::SOCKET")
        if self._is_socket:
            self._resource.read_termination = "\n"
            suppress_end = pyvisa.constants.ResourceAttribute.suppress_end_enabled
            with suppress(*self._errors):  # let pieces through, do not hold them back
                self._resource.set_visa_attribute(suppress_end, False)

    def _set_line(self, constants: Any) -> None:
        framing = self._address.framing
        parities = {"N": "none", "E": "even", "O": "odd", "M": "mark", "S": "space"}
        stops = {"1": "one", "1.5": "one_and_a_half", "2": "two"}
        self._resource.baud_rate = self._address.baud
        self._resource.data_bits = int(framing[0])
        self._resource.parity = constants.Parity[parities[framing[1]]]
        self._resource.stop_bits = constants.StopBits[stops[framing[2:]]]

    def read(self, timeout_s: float) -> bytes:
        """One message with its line end, or nothing once the time is up (see ``Link``)."""
        resource = self._open_resource()
        least_ms = _LEAST_TIMEOUT_MS if self._is_socket else _WHOLE_MESSAGE_MS
        try:
            resource.timeout = max(least_ms, round(timeout_s * 1000))
            data: bytes = resource.read_raw()
        except self._errors as error:
            if getattr(error, "error_code", None) != self._timeout_code or self._hung_up():
                raise OperatingError(self._lost(error)) from error
            return b""
        # In a capture every reply ends with a line feed; on a bus its end may stand for it.
        return data if self._is_socket or data.endswith(b"\n") else data + b"\n"

    def _hung_up(self) -> bool:
        """Whether the far end of a socket is closed, which pyvisa-py reports as a timeout."""
        sessions = getattr(self._resource.visalib, "sessions", {})
        end = getattr(sessions.get(self._resource.session), "interface", None)
        if not isinstance(end, socket.socket):
            return False
        try:
            ready, _, _ = select.select([end], [], [], 0)
            return bool(ready) and not end.recv(1, socket.MSG_PEEK)
        except (OSError, ValueError):  # ValueError: closed here, by another thread
            return True

    def write(self, data: bytes) -> None:
        """Send one message (see ``Link``)."""
        resource = self._open_resource()
        try:
            resource.timeout = round(_WRITE_S * 1000)
            resource.write_raw(data)
        except self._errors as error:
            raise OperatingError(self._lost(error)) from error

    def close(self) -> None:
        """Let go of the resource."""
        resource, self._resource = self._resource, None
        if resource is not None:
            with suppress(*self._errors):
                resource.close()

    def _open_resource(self) -> Any:
        if self._resource is None:
            raise OperatingError(f"{self._address.port} is closed.")
        return self._resource

    def _lost(self, error: Exception) -> str:
        if "refused" in str(error).lower():  # found out with the first bytes only
            return _opening_message(self._address.port, error)
        return f"{self._address.port} is gone ({error}). Check power and cable."


def _opening_message(port: str, error: Exception) -> str:
    words = str(error).lower()
    if "refused" in words:
        return f"{port} refused the connection: nothing listens there. Check address and port."
    if "permission" in words or "access denied" in words:
        return (
            f"{port} may not be opened by this user. On Linux a udev rule must give access to the "
            "USB device."
        )
    return (
        f"{port} cannot be opened: {error}. Check that the instrument is on and that the address "
        "is right; 'meterlink meters' lists what is found."
    )
