"""Decoder for handheld meters that mirror their display as frames of 14 bytes.

The high nibble of byte k is k, so that a regular expression finds whole frames wherever they start;
the low nibbles are the segments and signs of the display (table in the capture format; common
practice among handheld meters, no published standard).
"""

import re
from collections.abc import Mapping
from typing import NamedTuple

from drivers.readings import Function, Reading

FRAME_BYTES = 14
_FRAME = re.compile(b"".join(b"[\\x%x0-\\x%xf]" % (k, k) for k in range(1, 15)))
_MAX_REMEMBERED = 4096

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
_VOLT_EXPONENTS = {"": 0, "m": -3, "u": -6, "n": -9, "k": 3}


class _Display(NamedTuple):
    """A frame taken apart, all but its time."""

    volts: float | None
    function: Function
    resolution_v: float | None
    overload: bool
    hold: bool
    quantity: str


class SegmentDecoder:
    """Bytes of a display-mirroring meter in, readings out."""

    def __init__(self) -> None:
        self._pending = b""
        self._dropped = 0
        self._displays: dict[bytes, _Display | None] = {}

    @property
    def dropped_bytes(self) -> int:
        """Bytes so far that belong to no frame, or to a frame that shows nothing that can be."""
        return self._dropped

    def feed(self, data: bytes, t_s: float) -> list[Reading]:
        """Take the bytes that arrived at ``t_s`` (any number) and return the readings they end."""
        buffer = self._pending + data
        readings = []
        framed = 0
        end = 0
        for match in _FRAME.finditer(buffer):
            frame = match[0]
            end = match.end()
            framed += FRAME_BYTES
            display = self._read(frame)
            if display is None:
                self._dropped += FRAME_BYTES
                continue
            volts, function, resolution_v, overload, hold, quantity = display
            readings.append(
                Reading(t_s, volts, function, resolution_v, overload, hold, frame, quantity)
            )
        self._pending = _begun_frame(buffer[end:])
        self._dropped += len(buffer) - framed - len(self._pending)
        return readings

    def sent(self, data: bytes) -> None:
        """Nothing that is sent changes what a frame means."""

    def resync(self, t_s: float) -> None:  # noqa: ARG002 (the decoders' protocol)
        """Forget a half frame; the next whole one is found by its numbering."""
        self._dropped += len(self._pending)
        self._pending = b""

    def _read(self, frame: bytes) -> _Display | None:
        try:
            return self._displays[frame]
        except KeyError:
            if len(self._displays) >= _MAX_REMEMBERED:
                self._displays.clear()
            display = self._displays[frame] = read_frame(frame)
            return display


def _begun_frame(tail: bytes) -> bytes:
    """The bytes at the end that may be the beginning of a frame."""
    tail = tail[-(FRAME_BYTES - 1) :]
    for length in range(len(tail), 0, -1):
        part = tail[-length:]
        if all(byte >> 4 == place for place, byte in enumerate(part, start=1)):
            return part
    return b""


def read_frame(frame: bytes) -> _Display | None:
    """Take a frame apart.

    Args:
        frame: 14 bytes, high nibbles 1 to 14.

    Returns:
        What the display shows, or ``None`` where its segments make no number (a damaged frame).
    """
    nibbles = [byte & 15 for byte in frame]
    text = _shown_text(nibbles)
    mode = _mode(nibbles)
    if text is None or mode is None:
        return None
    function, quantity, exponent = mode
    hold = bool(nibbles[11] & 1)
    # "0L", "OL", "0.L" with blanks around; other digits beside the L are damage.
    overload = "L" in text
    if overload and text.strip(" -0.L"):
        return None
    digits = text.lstrip("-").strip(" ")
    if not overload and " " in digits:
        return None  # a hole between digits: the display was in mid-change
    if overload or quantity != "V" or not digits.strip("."):
        return _Display(None, function, None, overload, hold, quantity)
    sign = "-" if text.startswith("-") else ""
    decimals = len(digits) - digits.find(".") - 1 if "." in digits else 0
    volts = float(f"{sign}{digits}e{exponent}")
    return _Display(volts, function, float(f"1e{exponent - decimals}"), False, hold, "V")


def _shown_text(nibbles: list[int]) -> str | None:
    text = "-" if nibbles[1] & 8 else ""
    for digit in range(4):
        first, second = nibbles[1 + 2 * digit], nibbles[2 + 2 * digit]
        character = _CHARACTERS.get((first & 7) << 4 | second)
        if character is None:
            return None
        if digit and first & 8:
            text += "."
        text += character
    return None if text.count(".") > 1 else text


def _lit(nibbles: list[int], signs: dict[str, tuple[int, int]]) -> list[str]:
    return [name for name, (byte, bit) in signs.items() if nibbles[byte - 1] >> bit & 1]


def _mode(nibbles: list[int]) -> tuple[Function, str, int] | None:
    """Function, quantity and power of ten that the signs say; ``None`` where no unit is lit."""
    lit = _lit(nibbles, _QUANTITIES)
    prefixes = _lit(nibbles, _PREFIXES)
    exponent = _VOLT_EXPONENTS.get("".join(prefixes))
    ac, dc = nibbles[0] & 8, nibbles[0] & 4
    if not lit:
        return None
    if lit != ["V"]:
        return Function.OTHER, " ".join(lit), 0
    if exponent is None:
        return None
    if ac and dc:
        return Function.OTHER, "V AC+DC", 0
    function = Function.AC if ac else Function.DC if dc else Function.UNKNOWN
    return function, "V", exponent


def from_settings(settings: Mapping[str, object]) -> SegmentDecoder:
    """Make a decoder; frames say all there is to know, so no setting is used."""
    del settings
    return SegmentDecoder()
