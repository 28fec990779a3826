"""Lines of meters that print a reading a line.

Line forms: the capture format; NR1 to NR3: IEEE 488.2, 8.7.2 to 8.7.4; the rest common practice.
"""

import pytest

from drivers.errors import SettingsError
from drivers.lines import LINE_START_SILENCE_S, MAX_LINE_BYTES, LineDecoder, from_settings
from drivers.readings import Function, Reading

AC, DC, OTHER, UNKNOWN = Function.AC, Function.DC, Function.OTHER, Function.UNKNOWN


def one(line: bytes, decoder: LineDecoder | None = None) -> Reading | None:
    readings = (decoder or LineDecoder()).feed(line + b"\r\n", 1.0)
    assert len(readings) <= 1
    return readings[0] if readings else None


@pytest.mark.parametrize(
    ("line", "volts", "resolution_v", "function"),
    [
        (b"   4.34  mV AC", 0.00434, 1e-5, AC),
        (b"  120.0  V AC", 120.0, 0.1, AC),
        (b"+1.34840E-02", 0.013484, 1e-7, UNKNOWN),
        (b"-1.2e1", -12.0, 1.0, UNKNOWN),
        (b"146", 146.0, 1.0, UNKNOWN),
        (b".5", 0.5, 0.1, UNKNOWN),
        (b"5.", 5.0, 1.0, UNKNOWN),
        (b"12.3uV", 12.3e-6, 1e-7, UNKNOWN),
        ("12.3 µV".encode(), 12.3e-6, 1e-7, UNKNOWN),
        ("12.3 µV".encode("latin-1"), 12.3e-6, 1e-7, UNKNOWN),
        ("12.3 μV".encode(), 12.3e-6, 1e-7, UNKNOWN),
        (b"AC 12.3 mV", 0.0123, 1e-4, AC),
        (b"AUTO DC -0.30mV", -0.0003, 1e-5, DC),
        (b"12.3 mVAC", 0.0123, 1e-4, AC),
        (b"12.3 VDC AUTO", 12.3, 0.1, DC),
        (b"1.234\tV", 1.234, 1e-3, UNKNOWN),
        (b"0.00 mV AC", 0.0, 1e-5, AC),
    ],
)
def test_a_good_line_gives_its_value_in_volts(
    line: bytes, volts: float, resolution_v: float, function: Function
) -> None:
    assert one(line) == Reading(1.0, volts, function, resolution_v, False, False, line)


@pytest.mark.parametrize(
    "line",
    [
        b"+1.2345+1.23450E-03",
        b"   9.99    9.99  mV AC",
        b"   OL    999.9  mV AC",
        b"\xf0\xc9\x13   9.99  mV AC",
        b"I9<   9.99  mV AC",
        b"o\x1c\xa0+1.2E-03",
        b"\xa05.0 mV",
        b"1.2.3 mV",
        b"--1.2 mV",
        b"- 1.2 mV",
        b"1,234 mV",
        b"1.2E",
        b"1.2E-",
        b"1e999",
        b"1e-999",
        b"+1.0E+40",
        b"1" * 10_000,
        b"0." + b"1" * 10_000,
        b"1.5 MV",
        b"1.2E-03 mV",
        b"5L mV",
        b"mV AC",
        b"V AC 1.2 V",
        b"nan",
        b"inf",
        b"0x10",
        b"1_0",
        "１２.3 mV".encode(),
        b" " * 50,
        b"1.2 mV" + b" " * MAX_LINE_BYTES,
    ],
)
def test_a_damaged_line_is_no_reading_and_its_bytes_are_counted(line: bytes) -> None:
    decoder = LineDecoder()
    assert one(line, decoder) is None
    assert decoder.dropped_bytes == len(line)


def test_a_damaged_line_is_refused_also_when_good_ones_came_before() -> None:
    decoder = LineDecoder()
    assert one(b"   9.99  mV AC", decoder) is not None
    for line in (b"   9.99    9.99  mV AC", b"I9<   9.99  mV AC", b"   9L  mV AC"):
        assert one(line, decoder) is None


@pytest.mark.parametrize("text", [b"OL", b"0L", b"O.L", b".OL", b"OVLD", b"-OL", b"0.L", b".0L"])
@pytest.mark.parametrize("tail", [b"", b" mV AC", b"  V"])
def test_overload_is_a_reading_without_volts(text: bytes, tail: bytes) -> None:
    reading = one(b"   " + text + tail)
    assert reading is not None
    assert (reading.volts, reading.overload) == (None, True)


@pytest.mark.parametrize("number", [b"+9.9E+37", b"-9.90000E+37", b"9.9e37"])
def test_the_standards_infinity_is_overload(number: bytes) -> None:
    reading = one(number)
    assert reading is not None
    assert (reading.volts, reading.overload) == (None, True)


def test_the_standards_not_a_number_has_no_volts_and_is_no_overload() -> None:
    reading = one(b"+9.91000E+37")
    assert reading is not None
    assert (reading.volts, reading.overload) == (None, False)


@pytest.mark.parametrize("line", [b"HOLD 4.3 mV AC", b"4.3 mV AC H", b"4.3 mV AC MAX"])
def test_an_old_value_is_marked_as_held(line: bytes) -> None:
    reading = one(line)
    assert reading is not None
    assert reading.hold


@pytest.mark.parametrize(
    ("line", "quantity"),
    [
        (b"1.2 A AC", "A"),
        (b"60.00 Hz", "Hz"),
        (b"21.5 degC", "degC"),
        (b"12.3 mV AC+DC", "V AC+DC"),
        (b"12.3 mV AC DC", "V AC+DC"),
        (b"REL 12.3 mV AC", "V relative"),
    ],
)
def test_another_function_never_becomes_volts(line: bytes, quantity: str) -> None:
    reading = one(line)
    assert reading is not None
    assert (reading.volts, reading.function, reading.quantity) == (None, OTHER, quantity)


@pytest.mark.parametrize(
    ("line", "ohms", "step"),
    [
        (b"  0.143 ohm", 0.143, 0.001),
        (b"12.3ohm AUTO", 12.3, 0.1),
        ("12.3 kΩ".encode(), 12300.0, 100.0),
        ("0.41 \u2126".encode(), 0.41, 0.01),
        (b"143.2 mOhm", 0.1432, 1e-4),
        (b"1.20 Mohm", 1.2e6, 1e4),
        (b"-0.002 Ohms", -0.002, 1e-3),
        (b"REL 0.143 ohm", 0.143, 1e-3),
    ],
)
def test_ohms_are_ohms_and_never_volts(line: bytes, ohms: float, step: float) -> None:
    reading = one(line)
    assert reading is not None
    assert (reading.volts, reading.function, reading.quantity) == (None, Function.OHM, "ohm")
    assert reading.ohms == pytest.approx(ohms, rel=1e-12)
    assert reading.resolution_ohm == pytest.approx(step, rel=1e-12)


def test_an_open_circuit_in_ohms_is_overload() -> None:
    reading = one(b"OL Mohm")
    assert reading is not None
    assert (reading.ohms, reading.overload, reading.function) == (None, True, Function.OHM)


@pytest.mark.parametrize("line", [b"12.3 ohm AC", b"1.2 ohm mV", b"12 Gohms x"])
def test_ohms_with_another_quantity_are_no_reading(line: bytes) -> None:
    assert one(line) is None


def test_settings_say_what_a_bare_number_is() -> None:
    bare = from_settings({"function": "OHM"}).feed(b"0.143\r\n", 0.0)[0]
    assert (bare.ohms, bare.function) == (0.143, Function.OHM)
    told = from_settings({"unit": "mohm"}).feed(b"143 \r\n", 0.0)[0]
    assert told.ohms == 0.143
    said = from_settings({"function": "OHM"}).feed(b"4.3 mV\r\n", 0.0)[0]
    assert (said.volts, said.function) == (0.0043, Function.UNKNOWN)


@pytest.mark.parametrize("end", [b"\r\n", b"\n", b"\r"])
def test_every_line_end_ends_one_line(end: bytes) -> None:
    decoder = LineDecoder(unit="mV", function=AC)
    readings = decoder.feed(end.join([b"1.5", b"2.5", b""]), 0.0)
    assert [reading.volts for reading in readings] == [0.0015, 0.0025]
    assert decoder.dropped_bytes == 0


def test_the_line_overrules_the_settings() -> None:
    settings = {"unit": "mV", "function": "DC"}
    assert one(b"1.5", from_settings(settings)) == Reading(1.0, 0.0015, DC, 1e-4, raw=b"1.5")
    assert one(b"1.5 V AC", from_settings(settings)) == Reading(1.0, 1.5, AC, 0.1, raw=b"1.5 V AC")


@pytest.mark.parametrize(
    "settings", [{"unit": "A"}, {"unit": 5}, {"function": "ohm"}, {"function": 1}]
)
def test_settings_that_make_no_sense_are_refused(settings: dict[str, object]) -> None:
    with pytest.raises(SettingsError):
        from_settings(settings)


def test_an_endless_line_is_dropped_and_the_next_one_read() -> None:
    decoder = LineDecoder()
    for _ in range(100):
        assert decoder.feed(b"7" * 5000, 0.0) == []
    assert len(decoder._lines._pending) <= MAX_LINE_BYTES
    assert [r.volts for r in decoder.feed(b"7\n1.5 mV\n", 0.0)] == [0.0015]
    assert decoder.dropped_bytes == 500_001


def test_half_a_line_after_opening_is_not_read_as_a_number() -> None:
    decoder = LineDecoder()
    decoder.feed(b"12", 0.0)
    decoder.resync(5.0)
    readings = decoder.feed(b"4.5 mV\r\n7.5 mV\r\n", 5.0 + LINE_START_SILENCE_S / 2)
    assert [reading.volts for reading in readings] == [0.0075]
    assert decoder.dropped_bytes == 2 + len(b"4.5 mV")


def test_a_line_that_begins_after_silence_is_read_whole() -> None:
    decoder = LineDecoder()
    decoder.resync(5.0)
    assert decoder.feed(b"", 5.0) == []
    readings = decoder.feed(b"124.5 mV\r\n", 5.0 + LINE_START_SILENCE_S)
    assert [reading.volts for reading in readings] == [0.1245]
