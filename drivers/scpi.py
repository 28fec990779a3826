"""Decoder for message-based instruments that speak IEEE 488.2 and SCPI-99.

A reply is one line (some instruments end it by CR alone). It holds readings only if every part of
it between commas is a number, so that an identity, an error message or a block is none. A bare
number may still answer another question (``*OPC?`` gives 1): when the decoder is told what was
sent, only replies to queries that read the meter count.
"""

import re
from collections.abc import Mapping

from drivers.lines import function_setting
from drivers.numbers import MAX_REPLY_BYTES, NUMBER, LineBuffer, Shapes
from drivers.readings import Function, Reading

_NUMBER = re.compile(rb"[ \t]*(" + NUMBER + rb")[ \t]*")
# Queries whose reply is measured values: READ?, FETCh?, MEASure…?, R? and DATA? (SCPI-99 vol. 2).
_READING_QUERY = re.compile(
    rb"(?:^|[;:\s])(?:read|fetc|fetch|meas|measure|r|data|init)\b[^?;\n]*\?", re.IGNORECASE
)


class ScpiDecoder:
    """Replies of an instrument in, readings out.

    >>> ScpiDecoder().feed(b"+1.5E-03,+9.9E+37" + bytes([10]), 0.0)[1].overload
    True
    """

    def __init__(self, function: Function = Function.UNKNOWN) -> None:
        """``function``: what the instrument was set to measure; replies do not say."""
        self._function = function
        self._shapes = Shapes()
        self._lines = LineBuffer(MAX_REPLY_BYTES)
        self._wanted = True

    @property
    def dropped_bytes(self) -> int:
        """Bytes so far that belong to no reading and no line end."""
        return self._lines.dropped

    def feed(self, data: bytes, t_s: float) -> list[Reading]:
        """Take the bytes that arrived at ``t_s`` (any number) and return the readings they end."""
        readings: list[Reading] = []
        for line in self._lines.add(data):
            if not line:
                continue
            shape = self._shapes.find(line) if self._wanted else None
            if shape is None:
                readings += self._read_reply(line, t_s)
                continue
            reading = self._shapes.read(line, shape, t_s)
            if reading is None:
                self._lines.dropped += len(line)
            else:
                readings.append(reading)
        return readings

    def sent(self, data: bytes) -> None:
        """Take note of a command: the replies from now on answer its query, if it has one."""
        if b"?" in data:
            self._wanted = _READING_QUERY.search(data) is not None

    def resync(self, t_s: float) -> None:
        """Forget a half reply. The next one is asked for, so that it starts whole."""
        del t_s  # lines that stream need it; a reply does not
        self._lines.forget()

    def _read_reply(self, line: bytes, t_s: float) -> list[Reading]:
        """A reply format not seen before, or of several numbers."""
        readings = []
        if self._wanted and len(line) <= MAX_REPLY_BYTES:
            for part in line.split(b","):
                reading = self._read_number(part, t_s)
                if reading is None:
                    break
                readings.append(reading)
            else:
                return readings
        self._lines.dropped += len(line)
        return []

    def _read_number(self, part: bytes, t_s: float) -> Reading | None:
        shape = self._shapes.find(part)
        if shape is None:
            match = _NUMBER.fullmatch(part)
            if match is None:
                return None
            shape = self._shapes.learn(part, match.start(1), match[1], 0, self._function, False)
        return None if shape is None else self._shapes.read(part, shape, t_s)


def from_settings(settings: Mapping[str, object]) -> ScpiDecoder:
    """Make a decoder from the settings of a capture or an address.

    Raises:
        SettingsError: ``function`` is not one that is known.
    """
    return ScpiDecoder(function=function_setting(settings))
