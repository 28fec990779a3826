"""Decoder for meters that print a reading a line.

A line is one number among known words (see ``drivers.words``), or a word for overload in place of
the number. The regular expression only splits a line into words, number, words; whether the words
make sense is looked up in a small table that fills as lines of a new make-up come. Everything else
(foreign bytes, two numbers run together) is dropped and counted.
"""

import re
from collections.abc import Mapping

from drivers.errors import SettingsError
from drivers.readings import Function, Reading
from drivers.words import VOLT_EXPONENTS, Manner, read_words

#: Longest line that can be a reading. Displays print some 20 characters; the rest is allowance.
MAX_LINE_BYTES = 200
#: A line under way when the port was opened goes on without pause. Silence as long as this means
#: that the next byte begins a line (one character at 1200 baud takes 8.3 ms).
LINE_START_SILENCE_S = 0.2
#: Volts beyond this are no measurement on a mains circuit but a damaged line.
MAX_VOLTS = 1e6

OVERLOADS = (9.9e37, -9.9e37)  # SCPI-99 vol. 1, 7.2.1.4: infinities
NOT_A_NUMBER = 9.91e37  # SCPI-99 vol. 1, 7.2.1.5

# NR1, NR2 or NR3 (IEEE 488.2, 8.7.2 to 8.7.4), at most 12 digits on each side of the point.
NUMBER = rb"[+-]?(?:\d{1,12}\.?\d{0,12}|\.\d{1,12})(?:[eE][+-]?\d{1,2})?"
_LINE = re.compile(rb"([^0-9+.\-]*)(" + NUMBER + rb")([^0-9]*)")
_OVERLOAD = re.compile(
    rb"((?:.*[ \t])?)[+-]?[ ]?(?:[O0]\.?L\.?|\.[O0]L|OVLD|OVL)(?![A-Za-z0-9.])([^0-9]*)"
)
_MAX_MANNERS = 64  # different make-ups of words remembered; a meter has a handful


class LineDecoder:
    """Bytes of a line-printing meter in, readings out.

    >>> LineDecoder().feed(b"   4.34  mV AC" + bytes([13, 10]), 0.5)[0].volts
    0.00434
    """

    def __init__(self, unit: str = "V", function: Function = Function.UNKNOWN) -> None:
        """Set what the meter leaves unsaid.

        Args:
            unit: Unit of a line without one: ``V``, ``mV``, ``uV`` …
            function: Function of a line that does not say.

        Raises:
            SettingsError: The unit is none of volts.
        """
        if unit not in VOLT_EXPONENTS:
            known = ", ".join(("V", "mV", "uV"))
            raise SettingsError(f"Unit {unit[:20]!r} is not one of volts. Use one of: {known}.")
        self._unit = unit
        self._function = function
        self._manners: dict[tuple[bytes, bytes], Manner] = {}
        self._pending = b""
        self._skipping = False
        self._opened_s: float | None = None
        self._dropped = 0

    @property
    def dropped_bytes(self) -> int:
        """Bytes so far that belong to no reading and no line end."""
        return self._dropped

    def feed(self, data: bytes, t_s: float) -> list[Reading]:
        """Take the bytes that arrived at ``t_s`` (any number) and return the readings they end."""
        if self._opened_s is not None and data:
            self._skipping = t_s - self._opened_s < LINE_START_SILENCE_S
            self._opened_s = None
        lines = (self._pending + data).replace(b"\r", b"\n").split(b"\n")
        rest = lines.pop()
        if self._skipping and lines:
            self._dropped += len(lines.pop(0))
            self._skipping = False
        readings = []
        for line in lines:
            if line:
                reading = self._read_line(line, t_s)
                if reading is None:
                    self._dropped += len(line)
                else:
                    readings.append(reading)
        if self._skipping or len(rest) > MAX_LINE_BYTES:
            self._skipping = True
            self._dropped += len(rest)
            rest = b""
        self._pending = rest
        return readings

    def sent(self, data: bytes) -> None:
        """Nothing that is sent changes what a line means."""

    def resync(self, t_s: float) -> None:
        """Forget a half line; skip the first one too unless silence shows that it starts whole."""
        self._dropped += len(self._pending)
        self._pending = b""
        self._skipping = False
        self._opened_s = t_s

    def _read_line(self, line: bytes, t_s: float) -> Reading | None:
        match = _LINE.fullmatch(line)
        if match is None or len(line) > MAX_LINE_BYTES:
            return self._read_overload(line, t_s)
        before, number, after = match.groups()
        manner = self._manners.get((before, after)) or self._learn(before, after)
        if manner is None:
            return self._read_overload(line, t_s)
        exponent, function, hold, quantity = manner
        if quantity != "V":
            return Reading(t_s, None, function, None, False, hold, line, quantity)
        value = shifted(number, exponent)
        if -MAX_VOLTS < value < MAX_VOLTS:
            resolution_v = last_digit(number, exponent)
            return Reading(t_s, value, function, resolution_v, False, hold, line)
        if value in OVERLOADS or value == NOT_A_NUMBER:
            return Reading(t_s, None, function, None, value != NOT_A_NUMBER, hold, line)
        return None

    def _read_overload(self, line: bytes, t_s: float) -> Reading | None:
        match = _OVERLOAD.fullmatch(line) if len(line) <= MAX_LINE_BYTES else None
        if match is None:
            return None
        manner = self._learn(match[1], match[2])
        if manner is None:
            return None
        _, function, hold, quantity = manner
        return Reading(t_s, None, function, None, True, hold, line, quantity)

    def _learn(self, before: bytes, after: bytes) -> Manner | None:
        text = as_text(before) + " " + as_text(after)
        manner = read_words(text, self._unit, self._function)
        if manner is not None:
            if len(self._manners) >= _MAX_MANNERS:
                self._manners.clear()
            self._manners[before, after] = manner
        return manner


def shifted(number: bytes, exponent: int) -> float:
    """Value of a number times a power of ten, rounded once: "4.34", -3 is exactly 0.00434."""
    if not exponent:
        return float(number)
    if b"e" in number or b"E" in number:
        mantissa, _, power = number.upper().partition(b"E")
        return float(b"%se%d" % (mantissa, int(power) + exponent))
    return float(b"%se%d" % (number, exponent))


def last_digit(number: bytes, exponent: int) -> float:
    """Weight of the last digit of a number in units of ten to the ``exponent``.

    >>> last_digit(b"+1.34840E-02", 0), last_digit(b"119.4", 0), last_digit(b"4.34", -3)
    (1e-07, 0.1, 1e-05)
    """
    mark = number.find(b"E")
    if mark < 0:
        mark = number.find(b"e")
    if mark >= 0:
        exponent += int(number[mark + 1 :])
        number = number[:mark]
    point = number.find(b".")
    if point >= 0:
        exponent -= len(number) - point - 1
    return float(f"1e{exponent}")


def as_text(words: bytes) -> str:
    """Words in UTF-8, or in Latin-1 where they are not (µ is one byte there)."""
    try:
        return words.decode("utf-8")
    except UnicodeDecodeError:
        return words.decode("latin-1")


def from_settings(settings: Mapping[str, object]) -> LineDecoder:
    """Make a decoder from the settings of a capture or an address.

    Raises:
        SettingsError: ``unit`` or ``function`` is not one that is known.
    """
    unit = settings.get("unit", "V")
    if not isinstance(unit, str):
        raise SettingsError(f"The setting unit must be a text such as 'mV', not {unit!r:.40}.")
    return LineDecoder(unit=unit, function=function_setting(settings))


def function_setting(settings: Mapping[str, object]) -> Function:
    """Read the setting ``function``: ``AC``, ``DC`` or missing.

    Raises:
        SettingsError: It is something else.
    """
    function = settings.get("function")
    if function is None:
        return Function.UNKNOWN
    if function not in ("AC", "DC"):
        raise SettingsError(f"The setting function must be AC or DC, not {function!r:.40}.")
    return Function(str(function))
