"""Bytes cut anywhere become lines; shared by the drivers whose readings are lines."""


class LineBuffer:
    r"""Collects bytes until a line ends (``\n``, ``\r`` or ``\r\n``); bounded.

    Attributes:
        dropped: Bytes that came to nothing, for the owner to count on.
    """

    def __init__(self, most_bytes: int) -> None:
        """A line longer than ``most_bytes`` is dropped."""
        self._most_bytes = most_bytes
        self._pending = b""
        self._skipping = False
        self.dropped = 0

    def add(self, data: bytes) -> list[bytes]:
        """Take bytes; returns the lines they end, empty ones among them, line ends left out.

        A line that came whole in one go may be longer than the bound; the owner looks at that.
        """
        lines = (self._pending + data).replace(b"\r", b"\n").split(b"\n")
        rest = lines.pop()
        if self._skipping and lines:
            self.dropped += len(lines.pop(0))
            self._skipping = False
        if self._skipping or len(rest) > self._most_bytes:
            self._skipping = True
            self.dropped += len(rest)
            rest = b""
        self._pending = rest
        return lines

    def forget(self) -> None:
        """Drop the line that has begun."""
        self.dropped += len(self._pending)
        self._pending = b""
        self._skipping = False

    def skip_line(self) -> None:
        """Drop what comes up to the next line end."""
        self._skipping = True
