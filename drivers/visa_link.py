"""Instruments behind VISA: network (socket, VXI-11, HiSLIP), USBTMC, serial, as the library can."""

from contextlib import suppress
from typing import Any

from drivers.address import Address
from drivers.errors import OpeningError, OperatingError, UnavailableError

_WRITE_S = 3.0
_LEAST_TIMEOUT_MS = 10


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
        try:
            import pyvisa
        except ImportError as error:
            raise UnavailableError(
                "VISA addresses need the packages pyvisa and pyvisa-py: pip install pyvisa-py."
            ) from error
        self._errors = (pyvisa.Error, OSError)
        self._timeout_code = pyvisa.constants.StatusCode.error_timeout
        try:
            manager = pyvisa.ResourceManager(address.visa)
        except (OSError, ValueError, pyvisa.Error) as error:
            raise UnavailableError(
                f"The VISA library {address.visa!r} is not there: {error}. Without visa= the "
                "pure-Python one is used."
            ) from error
        try:
            self._resource = manager.open_resource(address.port, open_timeout=3000)
        except Exception as error:  # noqa: BLE001 (each backend raises its own kinds)
            raise OpeningError(_opening_message(address.port, error)) from error
        # Sockets and serial lines have no end-of-message line: a reply ends with its line feed.
        # A bus or USB has one, and the line feed is only part of what it carries.
        self._streams = address.port.upper().endswith(
            "::SOCKET"
        ) or address.port.upper().startswith("ASRL")
        if self._streams:
            self._resource.read_termination = "\n"
        if address.port.upper().startswith("ASRL"):
            self._resource.baud_rate = address.baud
        self._resource.write_termination = ""

    def read(self, timeout_s: float) -> bytes:
        """One message with its line end, or nothing once the time is up (see ``Link``)."""
        resource = self._open_resource()
        try:
            resource.timeout = max(_LEAST_TIMEOUT_MS, round(timeout_s * 1000))
            data: bytes = resource.read_raw()
        except self._errors as error:
            if getattr(error, "error_code", None) == self._timeout_code:
                return b""
            raise OperatingError(self._lost(error)) from error
        # In a capture every reply ends with a line feed; on a bus the end line may stand for it.
        return data if self._streams or data.endswith(b"\n") else data + b"\n"

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
