"""Volts to the bytes that a meter of each kind would send: the decoders' other half."""

from drivers.readings import Function
from drivers.segments import character_nibbles

#: Full scale in volts and digits after the point (in the shown unit) of a 6000-count display.
_RANGES = (
    (0.006, "mV", 3),
    (0.06, "mV", 2),
    (0.6, "mV", 1),
    (6.0, "V", 3),
    (60.0, "V", 2),
    (600.0, "V", 1),
)


def range_of(volts: float, lowest_range: int = 1) -> int:
    """Index of the range that an auto-ranging display takes for a value."""
    for place, (full_v, _, _) in enumerate(_RANGES[lowest_range:], start=lowest_range):
        if abs(volts) < full_v:
            return place
    return len(_RANGES)


def shown(volts: float, lowest_range: int = 1) -> tuple[str, str] | None:
    """What an auto-ranging display shows: digits and unit, or ``None`` beyond the last range.

    Args:
        volts: The value.
        lowest_range: Index of the most sensitive range that the meter has.
    """
    place = range_of(volts, lowest_range)
    if place == len(_RANGES):
        return None
    _, unit, decimals = _RANGES[place]
    return f"{volts * (1e3 if unit == 'mV' else 1.0):.{decimals}f}", unit


def lines_text(
    volts: float | None,
    function: Function = Function.AC,
    *,
    hold: bool = False,
    quantity: str = "V",
) -> bytes:
    """A line of a streaming handheld meter; ``None`` is overload.

    Args:
        volts: The value; in units of ``quantity`` where that is not "V".
        function: AC or DC.
        hold: The hold key is pressed.
        quantity: "V", or the unit of another function.
    """
    display = shown(volts) if volts is not None else None
    digits, unit = display if display is not None else ("OL", "V")
    words = f"{unit} {function.value}" if quantity == "V" else quantity
    return f"{digits:>7}  {words}{' HOLD' if hold else ''}\r\n".encode()


def nr3_text(volts: float | None) -> bytes:
    """A line of a bench meter that prints NR3 numbers and no unit (IEEE 488.2, 8.7.4)."""
    return f"{9.9e37 if volts is None else volts:+.5E}\r\n".encode()


def scpi_reply(volts: float | None) -> bytes:
    """A reply of a message-based instrument; overload is 9.9E+37 (SCPI-99 vol. 1, 7.2.1.4)."""
    return f"{9.9e37 if volts is None else volts:+.8E}\n".encode()


def segment_frame(
    volts: float | None,
    function: Function = Function.AC,
    *,
    hold: bool = False,
    quantity: str = "V",
) -> bytes:
    """A frame of 14 bytes of a display-mirroring meter (table in ``drivers.segments``)."""
    display = shown(volts) if volts is not None else (" 0L ", "V")
    digits, unit = display if display is not None else (" 0L ", "V")
    negative = digits.startswith("-")
    digits = digits.lstrip("-")
    point = digits.find(".")
    bare = digits.replace(".", "")
    if point >= 0:
        point += 4 - len(bare)
        bare = bare.rjust(4)
    nibbles = [0] * 14
    nibbles[0] = {Function.AC: 8, Function.DC: 4}.get(function, 0) | 3
    for place, character in enumerate(bare):
        first, second = character_nibbles(character)
        nibbles[1 + 2 * place] = first | (8 if place and place == point else 0)
        nibbles[2 + 2 * place] = second
    nibbles[1] |= 8 if negative else 0
    nibbles[10] = 8 if unit == "mV" and quantity == "V" else 0
    nibbles[11] = (1 if hold else 0) | (4 if quantity == "ohm" else 0)
    nibbles[12] = {"V": 4, "A": 8, "Hz": 2}.get(quantity, 0)
    return bytes((place << 4) | nibble for place, nibble in enumerate(nibbles, start=1))
