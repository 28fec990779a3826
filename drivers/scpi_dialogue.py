"""Commands and answers of one message-based instrument over an open link (IEEE 488.2, SCPI-99)."""

from collections.abc import Callable

from drivers.errors import SilentError
from drivers.events import Event, Received, Sent
from drivers.links import Link
from drivers.scpi_errors import ScpiError, parse_error

#: Line ends to try, most common first (over a serial line LF or CR LF; a few want CR).
_LINE_ENDS = (b"\n", b"\r\n", b"\r")
_IDENTIFY_S = 1.5
REPLY_S = 2.0
_POLL_S = 0.1
_MOST_ERRORS = 32  # a queue that never empties is a fault of the instrument
_MOST_REPLY_BYTES = 16_384


class Dialogue:
    """What is said to an instrument and what it answers.

    After each command that is tried the error queue is read empty, so that a refused command is
    known and named.
    """

    def __init__(
        self,
        link: Link,
        clock: Callable[[], float],
        emit: Callable[[Event], None] = lambda _: None,
    ) -> None:
        """``emit`` takes every byte sent and received, for a capture."""
        self._link = link
        self._clock = clock
        self._emit = emit
        self._line_end = b"\n"
        self._pending = b""
        self._knows_errors = True

    def identify(self, port: str) -> str:
        """What it says it is.

        Raises:
            SilentError: It says nothing; the message names ``port``.
        """
        for line_end in _LINE_ENDS:
            if line_end != _LINE_ENDS[0]:
                self._link.write(line_end)  # ends what it holds of the attempt before
            self._line_end = line_end
            identity = self.ask("*IDN?", _IDENTIFY_S)
            if identity:
                return identity[:72]
            self._pending = b""
        raise SilentError(
            f"Nothing at {port} answers *IDN?. Check power, cable, line speed and "
            "that the instrument's remote interface is on; a meter that streams without being "
            "asked is opened with lines: or segments:."
        )

    def send(self, message: str) -> None:
        """Send a command or a query."""
        data = message.encode() + self._line_end
        self._link.write(data)
        self._emit(Sent(self._clock(), data))

    def ask(self, query: str, within_s: float = REPLY_S) -> str | None:
        """The answer to a query, ``None`` where none comes in time."""
        self.send(query)
        until_s = self._clock() + within_s
        while (left_s := until_s - self._clock()) > 0:
            reply = self.reply(min(left_s, _POLL_S))
            if reply:
                return reply.decode("latin-1").strip()
        return None

    def attempt(self, command: str) -> list[ScpiError]:
        """Send a command; returns what the instrument has against it."""
        self.send(command)
        return [error.about(command) for error in self.errors()]

    def errors(self) -> list[ScpiError]:
        """Read the error queue until it is empty (SCPI-99 vol. 2, 21.8)."""
        found: list[ScpiError] = []
        while self._knows_errors and len(found) < _MOST_ERRORS:
            reply = self.ask("SYST:ERR?")
            error = parse_error(reply) if reply is not None else None
            if error is None:
                self._knows_errors = False  # an instrument from before SCPI; its errors stay unread
            elif error.code == 0:
                break
            else:
                found.append(error)
        return found

    def reply(self, timeout_s: float) -> bytes | None:
        """One whole reply, or ``None`` if it is not there yet."""
        data = self._link.read(timeout_s)
        if data:
            self._emit(Received(self._clock(), data))
            self._pending = (self._pending + data)[-_MOST_REPLY_BYTES:]
        joined = self._pending.replace(b"\r", b"\n").lstrip(b"\n")
        reply, end, rest = joined.partition(b"\n")
        if not end:
            return None
        self._pending = rest
        return reply
