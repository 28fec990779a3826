"""The far end of a pseudo-terminal: what a simulated meter holds in place of a cable."""

import os
import select
import socket
import sys
from contextlib import suppress

from drivers.errors import UnavailableError


def available() -> bool:
    """Whether this system has pseudo-terminals (Linux, macOS)."""
    return sys.platform != "win32"


class PseudoTerminal:
    """A serial line of which the other end is a device that programs can open.

    Attributes:
        port: Name of that device.
    """

    def __init__(self) -> None:
        """Make one.

        Raises:
            UnavailableError: The system has none.
        """
        if not available():
            raise UnavailableError(
                "This system has no pseudo-terminals. Use a loopback socket (socket=True)."
            )
        import tty

        self._far, self._near = os.openpty()
        # The near end is kept open here too, so that the line outlives the programs that use it.
        tty.setraw(self._near)
        os.set_blocking(self._far, False)
        self.port = os.ttyname(self._near)

    def write(self, data: bytes) -> int:
        """Send bytes; returns how many the line took."""
        try:
            return os.write(self._far, data)
        except BlockingIOError:
            return 0

    def read(self, timeout_s: float) -> bytes:
        """What the program sent, waiting at most so long."""
        ready, _, _ = select.select([self._far], [], [], timeout_s)
        if ready:
            with suppress(OSError):
                return os.read(self._far, 4096)
        return b""

    def close(self) -> None:
        """Pull the cable."""
        for descriptor in (self._far, self._near):
            with suppress(OSError):
                os.close(descriptor)


class LoopbackSocket:
    """The same over a TCP port of this machine, for one program at a time.

    Attributes:
        port: pyserial URL of it.
        number: The port number.
    """

    def __init__(self) -> None:
        """Listen on a free port of the loopback interface."""
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.setblocking(False)
        self.number = int(self._listener.getsockname()[1])
        self.port = f"socket://127.0.0.1:{self.number}"
        self._peer: socket.socket | None = None

    def write(self, data: bytes) -> int:
        """Send bytes; returns how many were taken. Without a program they are lost."""
        peer = self._connected()
        if peer is None:
            return len(data)
        try:
            return peer.send(data)
        except BlockingIOError:
            return 0
        except OSError:
            self._hang_up()
            return len(data)

    def read(self, timeout_s: float) -> bytes:
        """What the program sent, waiting at most so long."""
        peer = self._connected()
        ready, _, _ = select.select([peer or self._listener], [], [], timeout_s)
        if not ready or peer is None:
            return b""
        try:
            data = peer.recv(4096)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def close(self) -> None:
        """Pull the cable."""
        self._hang_up()
        self._listener.close()

    def _connected(self) -> socket.socket | None:
        if self._peer is None:
            with suppress(BlockingIOError):
                self._peer, _ = self._listener.accept()
                self._peer.setblocking(False)
        return self._peer

    def _hang_up(self) -> None:
        if self._peer is not None:
            self._peer.close()
            self._peer = None
