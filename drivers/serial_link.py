"""Serial ports and pyserial's URL ports (a socket of a device server, a loop)."""

import errno
import sys
from contextlib import suppress

import serial

from drivers.address import Address
from drivers.errors import OpeningError, OperatingError

#: Longest time that a read sleeps in one go, and that a write may take.
_SLICE_S = 0.25
_WRITE_S = 2.0
_CHUNK = 65_536
#: What pyserial raises where a port cannot be opened or set (its SerialException is an OSError).
_REFUSALS: tuple[type[Exception], ...] = (OSError, ValueError)
if sys.platform != "win32":
    import termios

    _REFUSALS += (termios.error,)  # a framing that the port does not do


class SerialLink:
    """An open serial port, for this program alone."""

    def __init__(self, address: Address) -> None:
        """Open the port and throw away what had piled up in it.

        Raises:
            OpeningError: Absent, busy, forbidden, or it is no serial port.
        """
        self._address = address
        self._is_url = "://" in address.port
        bits, parity, stop = address.framing[0], address.framing[1], address.framing[2:]
        try:
            self._port = serial.serial_for_url(
                address.port,
                do_not_open=True,
                baudrate=address.baud,
                bytesize=int(bits),
                parity=parity,
                stopbits=float(stop) if "." in stop else int(stop),
                timeout=_SLICE_S,
                write_timeout=_WRITE_S,
                exclusive=None if self._is_url or sys.platform == "win32" else True,
            )
            # Set before opening, so that a cable fed from these lines has power from the start.
            if address.dtr is not None:
                self._port.dtr = address.dtr
            if address.rts is not None:
                self._port.rts = address.rts
            self._port.open()
        except _REFUSALS as error:
            raise OpeningError(opening_message(address.port, error)) from error
        with suppress(OSError):
            self._port.reset_input_buffer()

    def read(self, timeout_s: float) -> bytes:
        """Bytes as soon as there are some, or nothing once the time is up (see ``Link``)."""
        try:
            if self._is_url:
                return self._read_url(timeout_s)
            while True:
                data: bytes = self._port.read(1)
                if data:
                    return data + bytes(self._port.read(self._port.in_waiting))
                timeout_s -= _SLICE_S
                if timeout_s <= 0:
                    return b""
        except (OSError, TypeError) as error:  # pyserial: TypeError when closed while it reads
            raise OperatingError(_lost(self._address.port, error)) from error

    def _read_url(self, timeout_s: float) -> bytes:
        # URL ports cannot say how much is waiting; with no timeout they give what they have.
        self._port.timeout = timeout_s
        data: bytes = self._port.read(1)
        if data:
            self._port.timeout = 0
            data += bytes(self._port.read(_CHUNK))
        return data

    def write(self, data: bytes) -> None:
        """Send bytes (see ``Link``)."""
        try:
            self._port.write(data)
        except (OSError, TypeError) as error:
            raise OperatingError(_lost(self._address.port, error)) from error

    def close(self) -> None:
        """Let go of the port."""
        with suppress(OSError, TypeError):
            self._port.close()


def _lost(port: str, error: Exception) -> str:
    if isinstance(error, serial.SerialTimeoutException):
        return f"{port} takes no bytes. Check the cable and the meter's link switch."
    return f"{port} is gone: the cable was pulled, or the adapter lost power."


def opening_message(port: str, error: Exception) -> str:
    """Tell absent, busy, forbidden and refused apart, and say what to do about each."""
    number = getattr(error, "errno", None) or next(iter(error.args), None)
    words = str(error).lower()
    if (
        number in (errno.EACCES, errno.EPERM)
        or "permission" in words
        or "access is denied" in words
    ):
        if sys.platform == "win32":
            return f"{port} is in use by another program. Close that program and try again."
        return (
            f"{port} may not be opened by this user. On Linux, add yourself to the group that owns "
            f"the port ('ls -l {port}', often dialout) and log in again."
        )
    if number in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK) or "exclusively lock" in words:
        return f"{port} is in use by another program. Close that program and try again."
    if number == errno.ECONNREFUSED or "refused" in words:
        return f"{port} refused the connection: nothing listens there. Check host and port number."
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "filenotfound" in words:
        return (
            f"{port} is not there. Check that the cable is plugged in; 'meterlink meters' lists "
            "the ports that are."
        )
    if number == errno.EINVAL:
        return f"{port} does not do this speed or framing. Choose another in the address."
    if number == errno.ENOTTY or "inappropriate ioctl" in words or "not a tty" in words:
        return f"{port} is no serial port. 'meterlink meters' lists the ports that are."
    return f"{port} cannot be opened: {error}."
