"""Lines out of bytes, and the decimal number out of a line; shared by ``lines`` and ``scpi``.

A meter prints the same line format again and again with other digits. So the place of the
number, its unit and the weight of its last digit are worked out once per *shape* (the line with all
its digits made 0) and looked up from then on; only the digits themselves are read each time.
"""

from typing import NamedTuple

from drivers.readings import Function, Reading

# NR1, NR2 or NR3 (IEEE 488.2, 8.7.2 to 8.7.4), at most 12 digits on each side of the point.
NUMBER = rb"[+-]?(?:\d{1,12}\.?\d{0,12}|\.\d{1,12})(?:[eE][+-]?\d{1,3})?"
#: Longest reply of an instrument: several hundred numbers, more than any query here asks for.
MAX_REPLY_BYTES = 16_384
#: Volts or ohms beyond this are no measurement on a mains circuit but a damaged line.
MAX_VOLTS = 1e6
MAX_OHMS = 1e11
OVERLOADS = (9.9e37, -9.9e37)  # SCPI-99 vol. 1, 7.2.1.4: infinities
NOT_A_NUMBER = 9.91e37  # SCPI-99 vol. 1, 7.2.1.5

_ZEROS = bytes(0x30 if 0x30 <= byte <= 0x39 else byte for byte in range(256))
_MAX_SHAPES = 256  # a meter has a dozen; foreign bytes must not fill memory
_MAX_WEIGHTS = 256


class Shape(NamedTuple):
    """Where the number stands in every line of one format, and what it means.

    Attributes:
        start, stop: The number's place.
        power: Where the digits of its exponent begin (sign included); 0 where it has none.
        shift: Exponent to be added for the unit, as text ("e-3" for mV), or empty.
        resolution: Weight of the last digit, in volts or ohms; with an exponent, that of the
            mantissa's last digit.
        function: What the meter measures.
        hold: The value is an old one.
    """

    start: int
    stop: int
    power: int
    shift: bytes
    resolution: float
    function: Function
    hold: bool


class Shapes:
    """The shapes seen so far, a bounded number of them."""

    def __init__(self) -> None:
        self._shapes: dict[bytes, Shape] = {}
        self._weights: dict[tuple[float, bytes], float] = {}

    def find(self, line: bytes) -> Shape | None:
        """The shape of a line, if it was learnt."""
        return self._shapes.get(line.translate(_ZEROS))

    def read(self, line: bytes, shape: Shape, t_s: float) -> Reading | None:
        """Read the number of a line that has the given shape.

        Returns:
            The reading, of overload or without volts where the number is one of the standard's
            sentinels; ``None`` where it is beyond all sense.
        """
        start, stop, power, shift, resolution, function, hold = shape
        value = float(line[start:stop] + shift)
        is_ohms = function is Function.OHM
        most = MAX_OHMS if is_ohms else MAX_VOLTS
        if -most < value < most:
            if power:
                resolution = self._weight(resolution, line[power:stop])
                if not resolution:  # below what a double can hold: rubbish such as 1e-999
                    return None
            if is_ohms:
                none = (t_s, None, function, None, False, hold, line, "ohm")
                return Reading(*none, value, resolution)
            return Reading(t_s, value, function, resolution, False, hold, line)
        if value in OVERLOADS or value == NOT_A_NUMBER:
            over = value != NOT_A_NUMBER
            return Reading(t_s, None, function, None, over, hold, line, "ohm" if is_ohms else "V")
        return None

    def learn(
        self, line: bytes, start: int, number: bytes, exponent: int, function: Function, hold: bool
    ) -> Shape | None:
        """Work out and keep the shape of a line.

        Args:
            line: The line, from which the number was taken.
            start: The place of the number.
            number: The number itself; matches ``NUMBER``.
            exponent: Power of ten of the unit.
            function: What the words of the line say is measured.
            hold: Whether they say that the value is an old one.

        Returns:
            The shape; ``None`` where the number has an exponent and the unit a prefix, which no
            meter prints: "1.2E-03 mV" can be taken two ways.
        """
        mantissa, _, power_text = number.upper().partition(b"E")
        if power_text and exponent:
            return None
        _, _, decimals = mantissa.partition(b".")
        shape = Shape(
            start,
            start + len(number),
            start + len(mantissa) + 1 if power_text else 0,
            b"e%d" % exponent if exponent else b"",
            float(f"1e{exponent - len(decimals)}"),
            function,
            hold,
        )
        if len(self._shapes) >= _MAX_SHAPES:
            self._shapes.clear()
        self._shapes[line.translate(_ZEROS)] = shape
        return shape

    def _weight(self, mantissa_weight: float, power: bytes) -> float:
        """Weight of the last digit of a number with an exponent, correctly rounded."""
        try:
            return self._weights[mantissa_weight, power]
        except KeyError:
            if len(self._weights) >= _MAX_WEIGHTS:
                self._weights.clear()
            place = int(f"{mantissa_weight:e}".partition("e")[2])  # an exact power of ten
            weight = float(f"1e{int(power) + place}")
            self._weights[mantissa_weight, power] = weight
            return weight


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
