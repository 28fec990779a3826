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


def shown_ohms(ohms: float, decimals: int = 1) -> tuple[str, str]:
    """What a display of 6000 counts shows of a resistance, by default in steps of 0.1 ohm."""
    for unit, scale in (("ohm", 1.0), ("kohm", 1e3), ("Mohm", 1e6)):
        if abs(ohms) < 600 * scale or unit == "Mohm":
            return f"{ohms / scale:.{decimals if unit == 'ohm' else 2}f}", unit
    raise AssertionError


def _display(value: float | None, quantity: str, overload: str) -> tuple[str, str]:
    """Digits and unit of a value in the quantity's own unit; ``None`` is overload."""
    if value is None:
        return overload, "V" if quantity == "V" else quantity
    if quantity == "ohm":
        return shown_ohms(value)
    digits, unit = shown(value) or (overload, "V")
    return digits, unit if quantity == "V" else quantity


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
    digits, unit = _display(volts, quantity, "OL")
    words = f"{unit} {function.value}" if quantity == "V" else unit
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
    digits, unit = _display(volts, quantity, " 0L ")
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
    nibbles[9] = 2 if unit == "kohm" else 0
    nibbles[10] = {"mV": 8, "Mohm": 2}.get(unit, 0)
    nibbles[11] = (1 if hold else 0) | (4 if quantity == "ohm" else 0)
    nibbles[12] = {"V": 4, "A": 8, "Hz": 2}.get(quantity, 0)
    return bytes((place << 4) | nibble for place, nibble in enumerate(nibbles, start=1))
