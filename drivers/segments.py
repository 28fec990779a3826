"""Decoder for handheld meters that mirror their display as frames of 14 bytes.

The high nibble of byte k is k, so that a regular expression finds whole frames wherever they start;
the low nibbles are the segments and signs of the display (table in the capture format; common
practice among handheld meters, no published standard).
"""

import re
from collections.abc import Mapping
from functools import lru_cache

from drivers.readings import Function, Reading

FRAME_BYTES = 14
_FRAME = re.compile(b"".join(b"[\\x%x0-\\x%xf]" % (k, k) for k in range(1, 15)))
_MAX_REMEMBERED = 4096
_new = tuple.__new__

# Which segments make which character: a top, b upper right, c lower right, d bottom, e lower left,
# f upper left, g middle. Some displays leave the tail off 6, 7 and 9, or give 7 a hook.
_SHAPES = {
    "abcdef": "0",
    "bc": "1",
    "abdeg": "2",
    "abcdg": "3",
    "bcfg": "4",
    "acdfg": "5",
    "acdefg": "6",
    "cdefg": "6",
    "abc": "7",
    "abcf": "7",
    "abcdefg": "8",
    "abcdfg": "9",
    "abcfg": "9",
    "def": "L",
    "": " ",
}
# Bits 6 to 0 of a digit: e f a of its first byte, d c g b of its second.
_CHARACTERS = {
    sum(1 << (6 - "efadcgb".index(segment)) for segment in shape): character
    for shape, character in _SHAPES.items()
}
_BITS = {character: bits for bits, character in reversed(_CHARACTERS.items())}
# Two bytes of a digit -> what they show. Bit 3 of the first is the minus of digit 1, and the point
# in front of the others.
_DIGITS = [
    {
        bytes((high + (bits >> 4) + lit, high + 16 + (bits & 15))): before + character
        for bits, character in _CHARACTERS.items()
        for lit, before in ((0, ""), (8, "." if place else "-"))
    }
    for place, high in enumerate((0x20, 0x40, 0x60, 0x80))
]
# Signs (byte, bit) of the prefixes; a volt display with another prefix or two is no measurement.
_PREFIXES = {"n": (10, 2), "u": (10, 3), "m": (11, 3), "k": (10, 1), "M": (11, 1)}
_QUANTITIES = {
    "%": (11, 2),
    "F": (12, 3),
    "ohm": (12, 2),
    "A": (13, 3),
    "V": (13, 2),
    "Hz": (13, 1),
    "°C": (14, 0),
    "diode": (10, 0),
    "relative": (12, 1),
}
_EXPONENTS = {
    "V": {"": 0, "m": -3, "u": -6, "n": -9, "k": 3},
    "ohm": {"": 0, "m": -3, "u": -6, "k": 3, "M": 6},
}

#: What a frame says: the fields of a ``Reading`` after its time.
Display = tuple[
    float | None, Function, float | None, bool, bool, bytes, str, float | None, float | None
]


class SegmentDecoder:
    """Bytes of a display-mirroring meter in, readings out."""

    def __init__(self) -> None:
        self._pending = b""
        self._dropped = 0
        self._displays: dict[bytes, Display | None] = {}

    @property
    def dropped_bytes(self) -> int:
        """Bytes so far that belong to no frame, or to a frame that shows nothing that can be."""
        return self._dropped

    def feed(self, data: bytes, t_s: float) -> list[Reading]:
        """Take the bytes that arrived at ``t_s`` (any number) and return the readings they end."""
        buffer = self._pending + data
        frames: list[bytes] = _FRAME.findall(buffer)
        # A frame's bytes cannot begin inside another frame: their last place is the last match.
        end = buffer.rfind(frames[-1]) + FRAME_BYTES if frames else 0
        self._pending = _begun_frame(buffer[end:]) if end < len(buffer) else b""
        readings = []
        for frame in frames:
            display = self._read(frame)
            if display is not None:
                readings.append(reading_of(t_s, display))
        self._dropped += len(buffer) - len(self._pending) - FRAME_BYTES * len(readings)
        return readings

    def sent(self, data: bytes) -> None:
        """Nothing that is sent changes what a frame means."""

    def resync(self, t_s: float) -> None:
        """Forget a half frame; the next whole one is found by its numbering."""
        del t_s  # lines need it; frames are numbered
        self._dropped += len(self._pending)
        self._pending = b""

    def _read(self, frame: bytes) -> Display | None:
        # A display repeats itself: a level with its jitter is some hundred different frames.
        try:
            return self._displays[frame]
        except KeyError:
            if len(self._displays) >= _MAX_REMEMBERED:
                self._displays.clear()
            display = self._displays[frame] = read_frame(frame)
            return display


def reading_of(t_s: float, display: Display) -> Reading:
    """Put the time in front; by ``tuple.__new__``, which takes half as long as the constructor."""
    return _new(Reading, (t_s, *display))


def character_nibbles(character: str) -> tuple[int, int]:
    """Low nibbles of a digit's two bytes (point and minus left out); for simulated meters."""
    bits = _BITS[character]
    return bits >> 4, bits & 15


def _begun_frame(tail: bytes) -> bytes:
    """The bytes at the end that may be the beginning of a frame."""
    tail = tail[-(FRAME_BYTES - 1) :]
    for length in range(len(tail), 0, -1):
        part = tail[-length:]
        if all(byte >> 4 == place for place, byte in enumerate(part, start=1)):
            return part
    return b""


def read_frame(frame: bytes) -> Display | None:
    """Take a frame apart.

    Args:
        frame: 14 bytes, high nibbles 1 to 14.

    Returns:
        What the display shows, or ``None`` where its segments make no number (a damaged frame).
    """
    text = _shown_text(frame)
    mode = _mode(frame[:1] + frame[9:])
    if text is None or mode is None:
        return None
    function, quantity, exponent, hold = mode
    # "0L", "OL", "0.L" with blanks around; other digits beside the L are damage.
    overload = "L" in text
    if overload and text.strip(" -0.L"):
        return None
    digits = text.lstrip("-").strip(" ")
    if not overload and " " in digits:
        return None  # a hole between digits: the display was in mid-change
    if overload or quantity not in _EXPONENTS or not digits.strip("."):
        return (None, function, None, overload, hold, frame, quantity, None, None)
    sign = "-" if text.startswith("-") else ""
    _, _, decimals = digits.partition(".")
    value = float(f"{sign}{digits}e{exponent}")
    resolution = float(f"1e{exponent - len(decimals)}")
    if function is Function.OHM:
        return (None, function, None, False, hold, frame, "ohm", value, resolution)
    return (value, function, resolution, False, hold, frame, "V", None, None)


def _shown_text(frame: bytes) -> str | None:
    first, second, third, fourth = _DIGITS
    try:
        text = first[frame[1:3]] + second[frame[3:5]] + third[frame[5:7]] + fourth[frame[7:9]]
    except KeyError:
        return None
    return None if text.count(".") > 1 else text


@lru_cache(maxsize=64)
def _mode(signs: bytes) -> tuple[Function, str, int, bool] | None:
    """Function, quantity, power of ten and hold, from bytes 1 and 10 to 14 of a frame.

    Returns:
        ``None`` where no unit is lit, or more than one prefix.
    """
    nibbles = {1: signs[0] & 15} | {10 + k: byte & 15 for k, byte in enumerate(signs[1:])}
    lit = _lit(nibbles, _QUANTITIES)
    quantity = " ".join(lit)
    if quantity == "ohm relative":  # the leads are nulled, as is asked for
        quantity = "ohm"
    exponent = _EXPONENTS.get(quantity, {}).get("".join(_lit(nibbles, _PREFIXES)))
    hold = bool(nibbles[12] & 1)
    ac, dc = nibbles[1] & 8, nibbles[1] & 4
    if not lit or (quantity in _EXPONENTS and exponent is None):
        return None
    if quantity == "ohm":
        return Function.OHM, "ohm", exponent or 0, hold
    if lit != ["V"]:
        return Function.OTHER, " ".join(lit), 0, hold
    if ac and dc:
        return Function.OTHER, "V AC+DC", 0, hold
    function = Function.AC if ac else Function.DC if dc else Function.UNKNOWN
    return function, "V", exponent or 0, hold


def _lit(nibbles: Mapping[int, int], signs: Mapping[str, tuple[int, int]]) -> list[str]:
    return [name for name, (byte, bit) in signs.items() if nibbles[byte] >> bit & 1]


def from_settings(settings: Mapping[str, object]) -> SegmentDecoder:
    """Make a decoder; frames say all there is to know, so no setting is used."""
    del settings
    return SegmentDecoder()
