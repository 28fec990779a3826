"""Decoder for meters that print a reading a line, and the number out of a line, for others too.

A line is one number among known words (unit, function, hold), or a word for overload in place of
the number. The words are those of the capture format and of common practice among meters that print
lines; any other word makes the line no reading, for a damaged line must never pass for a good one.

A line format not seen before is split into words, number, words and looked at closely. A meter
prints the same format again and again with other digits, so the place of the number, its unit and
the weight of its last digit are worked out once per *shape* (the line with all its digits made 0)
and looked up from then on; only the digits themselves are read each time. Everything else (foreign
bytes, two numbers run together) is dropped and counted. A reading that leaves what the meter has
shown waits for the next to confirm it (``drivers.confirmation``).
"""

import re
from collections.abc import Mapping
from typing import NamedTuple

from drivers.confirmation import Confirmation
from drivers.errors import SettingsError
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


class Meaning(NamedTuple):
    """What the words of a line say about its number.

    Attributes:
        exponent: Power of ten from the unit to volts or ohms (-3 for mV); 0 where there are none.
        function: What the meter measures.
        hold: The value is an old or a remembered one (hold, min, max, average).
        quantity: "V", "ohm", or the unit as shown where it is neither.
    """

    exponent: int
    function: Function
    hold: bool
    quantity: str


#: Power of ten of each spelling of a volt unit. Case matters for the prefix: M would be mega.
VOLT_EXPONENTS = {
    f"{prefix}{volt}": exponent
    for prefix, exponent in (("n", -9), ("u", -6), ("µ", -6), ("μ", -6), ("m", -3), ("", 0))
    for volt in ("V", "v")
} | {"kV": 3, "UV": -6}

#: The same for ohms; the ohm sign and the Greek letter look alike and are two characters.
OHM_EXPONENTS = {
    f"{prefix}{ohm}": exponent
    for prefix, exponent in (
        *(("u", -6), ("µ", -6), ("μ", -6), ("m", -3)),
        *(("", 0), ("k", 3), ("K", 3), ("M", 6), ("G", 9)),
    )
    for ohm in ("ohm", "ohms", "Ohm", "Ohms", "OHM", "OHMS", "\u03a9", "\u2126")
}

_FUNCTIONS = {
    "ac": Function.AC,
    "~": Function.AC,
    "vac": Function.AC,
    "dc": Function.DC,
    "=": Function.DC,
    "vdc": Function.DC,
}
# AC+DC and relative readings are volts, but not the magnitude of the mains component alone: their
# arithmetic would be wrong, so they are passed on as another function and never used.
# Relative ohms are ohms with the leads nulled, which is what is asked for.
_NOT_PLAIN_VOLTS = {"ac+dc": "V AC+DC", "acdc": "V AC+DC", "rel": "V relative", "δ": "V relative"}
_HELD = {"hold", "h", "max", "min", "avg", "peak", "maxmin", "mem"}
_NEUTRAL = {
    *(
        "auto",
        "man",
        "manu",
        "manual",
        "range",
        "rng",
        "rms",
        "true",
        "trms",
        "rmt",
        "usb",
        "rs232",
    ),
    *("fast", "slow", "med", "bat", "batt", "lobat", "lowbat", "low", "apo"),
}
_OTHER_UNIT = re.compile(
    r"[pnuµμmkM]?(?:A|Aac|AAC|ADC|Adc|Hz|HZ|F|S|W|VA)|°[CF]|deg[CF]|%|dBm?|dB[Vv]"
)
_BLANKS = re.compile(r"[ \t]+")  # not \s: that would pass control characters off as blanks
_GLUED = re.compile(r"([nuµμmk]?[Vv])(~|=|[aA][cC]|[dD][cC])")


def read_words(text: str, unit: str, function: Function) -> Meaning | None:
    """Work out what the words around a number say.

    Args:
        text: All words of the line, blanks between them.
        unit: Unit where the line has none; a key of ``VOLT_EXPONENTS`` or ``OHM_EXPONENTS``.
        function: Function where the line has none.

    Returns:
        The meaning, or ``None`` where a word is not known or the words contradict each other.
    """
    units: list[str] = []
    functions: set[Function] = set()
    hold, odd = False, ""
    for word in _BLANKS.split(text):
        if not word:
            continue
        glued = _GLUED.fullmatch(word)
        if glued is not None:
            units.append(glued[1])
            functions.add(_FUNCTIONS[glued[2].lower()])
            continue
        small = word.lower()
        if word in VOLT_EXPONENTS or word in OHM_EXPONENTS:
            units.append(word)
        elif _OTHER_UNIT.fullmatch(word):
            units.append(word)
            odd = word
        elif small in _FUNCTIONS:
            functions.add(_FUNCTIONS[small])
        elif small in _NOT_PLAIN_VOLTS:
            odd = odd or _NOT_PLAIN_VOLTS[small]
        elif small in _HELD:
            hold = True
        elif small not in _NEUTRAL:
            return None
    if len(units) > 1:
        return None
    if len(functions) > 1:
        odd = odd or "V AC+DC"
    if odd and not (odd == "V relative" and units and units[0] in OHM_EXPONENTS):
        return Meaning(0, Function.OTHER, hold, odd)
    shown = units[0] if units else unit
    if shown in OHM_EXPONENTS:
        if functions:  # "ohm AC" is no reading that a meter gives
            return None
        return Meaning(OHM_EXPONENTS[shown], Function.OHM, hold, "ohm")
    known = functions.pop() if functions else function
    if known is Function.OHM:  # the settings say ohms, the line says volts: the line knows
        known = Function.UNKNOWN
    return Meaning(VOLT_EXPONENTS[shown], known, hold, "V")


#: Longest line that can be a reading. Displays print some 20 characters; the rest is allowance.
MAX_LINE_BYTES = 200
#: A line under way when the port was opened goes on without pause. Silence as long as this means
#: that the next byte begins a line (one character at 1200 baud takes 8.3 ms).
LINE_START_SILENCE_S = 0.2
_LINE = re.compile(rb"([^0-9+.\-]*)(" + NUMBER + rb")([^0-9]*)")
_OVERLOAD = re.compile(
    rb"((?:.*[ \t])?)[+-]?[ ]?(?:[O0]\.?L\.?|\.[O0]L|OVLD|OVL)(?![A-Za-z0-9.])([^0-9]*)"
)


class LineDecoder:
    """Bytes of a line-printing meter in, readings out.

    >>> LineDecoder().feed(b"   4.34  mV AC" + bytes([13, 10]), 0.5)[0].volts
    0.00434
    """

    def __init__(self, unit: str = "V", function: Function = Function.UNKNOWN) -> None:
        """Set what the meter leaves unsaid.

        Args:
            unit: Unit of a line without one: ``V``, ``mV``, ``uV``, ``ohm``, ``mohm`` …
            function: Function of a line that does not say.

        Raises:
            SettingsError: The unit is none of volts or ohms.
        """
        if unit not in VOLT_EXPONENTS and unit not in OHM_EXPONENTS:
            raise SettingsError(
                f"Unit {unit[:20]!r} is not one of volts or ohms. Use one of: V, mV, uV, ohm, mohm."
            )
        self._unit = unit
        self._function = function
        self._shapes = Shapes()
        self._confirmation = Confirmation()
        self._lines = LineBuffer(MAX_LINE_BYTES)
        self._opened_s: float | None = None

    @property
    def dropped_bytes(self) -> int:
        """Bytes so far that belong to no reading and no line end."""
        return self._lines.dropped + self._confirmation.dropped

    def feed(self, data: bytes, t_s: float) -> list[Reading]:
        """Take the bytes that arrived at ``t_s`` (any number) and return the readings they end."""
        if self._opened_s is not None and data:
            if t_s - self._opened_s < LINE_START_SILENCE_S:
                self._lines.skip_line()
            self._opened_s = None
        readings = []
        for line in self._lines.add(data):
            if line:
                reading = self._read_line(line, t_s)
                if reading is None:
                    self._lines.dropped += len(line)
                else:
                    readings += self._confirmation.take(reading)
        return readings

    def sent(self, data: bytes) -> None:
        """Nothing that is sent changes what a line means."""

    def resync(self, t_s: float) -> None:
        """Forget a half line; skip the first one too unless silence shows that it starts whole."""
        self._lines.forget()
        self._confirmation.forget()
        self._opened_s = t_s

    def _read_line(self, line: bytes, t_s: float) -> Reading | None:
        shape = self._shapes.find(line)
        if shape is None:
            return self._read_new(line, t_s)
        return self._shapes.read(line, shape, t_s)

    def _read_new(self, line: bytes, t_s: float) -> Reading | None:
        if len(line) > MAX_LINE_BYTES:
            return None
        match = _LINE.fullmatch(line)
        meaning = self._meaning(match[1], match[3]) if match is not None else None
        if match is None or meaning is None:
            return self._read_overload(line, t_s)
        exponent, function, hold, quantity = meaning
        if function is Function.OTHER:
            return Reading(t_s, None, function, None, False, hold, line, quantity)
        shape = self._shapes.learn(line, match.start(2), match[2], exponent, function, hold)
        return None if shape is None else self._shapes.read(line, shape, t_s)

    def _read_overload(self, line: bytes, t_s: float) -> Reading | None:
        match = _OVERLOAD.fullmatch(line)
        meaning = self._meaning(match[1], match[2]) if match is not None else None
        if meaning is None:
            return None
        _, function, hold, quantity = meaning
        return Reading(t_s, None, function, None, True, hold, line, quantity)

    def _meaning(self, before: bytes, after: bytes) -> Meaning | None:
        return read_words(f"{as_text(before)} {as_text(after)}", self._unit, self._function)


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
    function = function_setting(settings)
    if function is Function.OHM and "unit" not in settings:
        unit = "ohm"
    return LineDecoder(unit=unit, function=function)


def function_setting(settings: Mapping[str, object]) -> Function:
    """Read the setting ``function``: ``AC``, ``DC``, ``OHM`` or missing.

    Raises:
        SettingsError: It is something else.
    """
    function = settings.get("function")
    if function is None:
        return Function.UNKNOWN
    if function not in ("AC", "DC", "OHM"):
        raise SettingsError(f"The setting function must be AC, DC or OHM, not {function!r:.40}.")
    return Function(str(function))
