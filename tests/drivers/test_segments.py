"""Frames of meters that mirror their display.

The oracle here lights segments by name from the table of the capture format, and shares no code or
table with the decoder.
"""

import pytest

from drivers.readings import Function, Reading
from drivers.segments import SegmentDecoder

# Seven-segment figures: common practice (a top, then clockwise, g in the middle).
FIGURES = {
    "0": "abcdef",
    "1": "bc",
    "2": "abdeg",
    "3": "abcdg",
    "4": "bcfg",
    "5": "acdfg",
    "6": "acdefg",
    "7": "abc",
    "8": "abcdefg",
    "9": "abcdfg",
    "L": "def",
    " ": "",
    "?": "ag",
}
SIGNS = {
    "AC": (1, 3),
    "DC": (1, 2),
    "AUTO": (1, 1),
    "-": (2, 3),
    "u": (10, 3),
    "n": (10, 2),
    "k": (10, 1),
    "diode": (10, 0),
    "m": (11, 3),
    "%": (11, 2),
    "M": (11, 1),
    "F": (12, 3),
    "ohm": (12, 2),
    "rel": (12, 1),
    "hold": (12, 0),
    "A": (13, 3),
    "V": (13, 2),
    "Hz": (13, 1),
    "battery": (13, 0),
    "C": (14, 0),
}


def frame(digits: str, *signs: str, points: tuple[int, ...] = ()) -> bytes:
    """``digits``: four characters; ``points``: the digits (2 to 4) that have one in front."""
    nibbles = dict.fromkeys(range(1, 15), 0)
    for place, character in enumerate(digits):
        for segment in FIGURES[character]:
            first, second = 2 + 2 * place, 3 + 2 * place
            byte, bit = {
                "e": (first, 2),
                "f": (first, 1),
                "a": (first, 0),
                "d": (second, 3),
                "c": (second, 2),
                "g": (second, 1),
                "b": (second, 0),
            }[segment]
            nibbles[byte] |= 1 << bit
    for point in points:
        nibbles[2 * point] |= 8
    for sign in signs:
        byte, bit = SIGNS[sign]
        nibbles[byte] |= 1 << bit
    return bytes(number << 4 | nibble for number, nibble in nibbles.items())


def one(data: bytes) -> Reading | None:
    readings = SegmentDecoder().feed(data, 1.0)
    assert len(readings) <= 1
    return readings[0] if readings else None


@pytest.mark.parametrize(
    ("shown", "volts", "resolution_v", "function"),
    [
        (frame("0979", "AC", "V", "m", points=(3,)), 0.00979, 1e-5, Function.AC),
        (frame("1234", "AC", "V", "AUTO", points=(4,)), 123.4, 0.1, Function.AC),
        (frame("1234", "DC", "V", "-", points=(2,)), -1.234, 1e-3, Function.DC),
        (frame("5678", "AC", "V", "m", "battery"), 5.678, 1e-3, Function.AC),
        (frame(" 434", "AC", "V", "m", points=(3,)), 0.00434, 1e-5, Function.AC),
        (frame("0012", "V", "u", points=(4,)), 1.2e-6, 1e-7, Function.UNKNOWN),
    ],
)
def test_a_frame_gives_what_its_display_shows(
    shown: bytes, volts: float, resolution_v: float, function: Function
) -> None:
    assert one(shown) == Reading(1.0, volts, function, resolution_v, False, False, shown)


@pytest.mark.parametrize("digits", [" 0L ", "0L  ", "  0L", "   L"])
def test_an_l_is_overload(digits: str) -> None:
    reading = one(frame(digits, "AC", "V", "m"))
    assert reading is not None
    assert (reading.volts, reading.overload) == (None, True)


def test_a_blank_display_is_a_reading_without_volts() -> None:
    reading = one(frame("    ", "AC", "V"))
    assert reading is not None
    assert (reading.volts, reading.overload) == (None, False)


def test_hold_is_seen() -> None:
    reading = one(frame("0979", "AC", "V", "hold"))
    assert reading is not None
    assert reading.hold


@pytest.mark.parametrize(
    ("signs", "ohms", "step"),
    [
        (("ohm",), 979.0, 1.0),
        (("ohm", "k"), 979e3, 1e3),
        (("ohm", "M"), 979e6, 1e6),
        (("ohm", "m"), 0.979, 1e-3),
        (("ohm", "rel"), 979.0, 1.0),
    ],
)
def test_ohms_are_ohms_and_never_volts(signs: tuple[str, ...], ohms: float, step: float) -> None:
    reading = one(frame("0979", *signs))
    assert reading is not None
    assert (reading.volts, reading.function, reading.quantity) == (None, Function.OHM, "ohm")
    assert (reading.ohms, reading.resolution_ohm) == (ohms, step)


@pytest.mark.parametrize(
    ("signs", "quantity"),
    [
        (("A", "m", "AC"), "A"),
        (("Hz",), "Hz"),
        (("%",), "%"),
        (("C",), "°C"),
        (("F", "n"), "F"),
        (("V", "diode", "DC"), "V diode"),
        (("V", "rel", "AC"), "V relative"),
        (("V", "AC", "DC"), "V AC+DC"),
    ],
)
def test_another_function_never_becomes_volts(signs: tuple[str, ...], quantity: str) -> None:
    reading = one(frame("0979", *signs))
    assert reading is not None
    assert reading.volts is None
    assert (reading.function, reading.quantity) == (Function.OTHER, quantity)


@pytest.mark.parametrize(
    "damaged",
    [
        frame("09?9", "AC", "V"),
        frame("1 34", "AC", "V"),
        frame("08L0", "AC", "V"),
        frame("1234", "AC", "V", points=(2, 3)),
        frame("1234", "AC"),
        frame("1234", "AC", "V", "m", "k"),
        frame("1234", "AC", "V")[1:],
        frame("1234", "AC", "V")[::-1],
    ],
)
def test_a_display_that_cannot_be_is_no_reading(damaged: bytes) -> None:
    decoder = SegmentDecoder()
    whole = frame("1234", "AC", "V", points=(4,))
    readings = decoder.feed(damaged + whole, 1.0)
    assert [reading.volts for reading in readings] == [123.4]
    assert decoder.dropped_bytes == len(damaged)


def test_it_falls_into_step_in_the_middle_of_a_frame() -> None:
    whole = frame("1234", "AC", "V", points=(4,))
    for cut in range(1, 14):
        decoder = SegmentDecoder()
        readings = decoder.feed(whole[cut:] + whole + whole[:cut] + whole, 1.0)
        assert [reading.volts for reading in readings] == [123.4, 123.4]
        assert decoder.dropped_bytes == 14


def test_a_frame_begun_before_the_port_was_opened_anew_is_forgotten() -> None:
    decoder = SegmentDecoder()
    whole = frame("1234", "AC", "V", points=(4,))
    decoder.feed(whole[:8], 1.0)
    decoder.resync(2.0)
    assert decoder.feed(whole[8:], 2.0) == []
    assert decoder.dropped_bytes == 14
