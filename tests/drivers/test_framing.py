"""Lines at the wrong speed or framing, and guessing what they are."""

import random

import pytest

from drivers.readings import Function, as_read_at, guess, make_decoder
from drivers.simulated_bytes import lines_text, nr3_text, segment_frame

STREAM = b"".join(lines_text(0.004 + 0.0001 * k) for k in range(20))
FRAMES = b"".join(segment_frame(0.004 + 0.0001 * k) for k in range(20))


@pytest.mark.parametrize("baud", [1200, 2400, 9600, 115_200])
def test_the_right_speed_changes_nothing(baud: int) -> None:
    every_byte = bytes(range(256))
    assert as_read_at(every_byte, sent_baud=baud, read_baud=baud) == every_byte


@pytest.mark.parametrize("parity", ["E", "O"])
def test_seven_bits_with_parity_show_the_parity_as_the_eighth_bit(parity: str) -> None:
    """A 7-bit frame read as 8N1 shows the parity bit as bit 7 (public instrument manuals)."""
    seen = as_read_at(STREAM, sent_baud=9600, read_baud=9600, sent_parity=parity)
    assert bytes(byte & 0x7F for byte in seen) == STREAM
    assert {byte.bit_count() % 2 for byte in seen} == {0 if parity == "E" else 1}


@pytest.mark.parametrize("stream", [STREAM, FRAMES])
@pytest.mark.parametrize("driver", ["lines", "segments", "scpi"])
@pytest.mark.parametrize(
    ("sent", "read"), [(9600, 2400), (2400, 9600), (9600, 19_200), (1200, 9600)]
)
def test_the_wrong_speed_makes_no_readings(
    stream: bytes, driver: str, sent: int, read: int
) -> None:
    seen = as_read_at(stream, sent_baud=sent, read_baud=read)
    assert make_decoder(driver, {}).feed(seen, 0.0) == []


@pytest.mark.parametrize(
    ("stream", "driver"),
    [
        (STREAM, "lines"),
        (STREAM[5:-3], "lines"),
        (b"".join(nr3_text(0.004 + 1e-5 * k) for k in range(5)), "lines"),
        (FRAMES, "segments"),
        (FRAMES[6:-6], "segments"),
    ],
)
def test_a_stream_is_recognised(stream: bytes, driver: str) -> None:
    found = guess(stream)
    assert found is not None
    assert (found.driver, found.framing) == (driver, "8N1")
    assert found.example.volts is not None


@pytest.mark.parametrize(("parity", "framing"), [("E", "7E1"), ("O", "7O1")])
def test_a_parity_bit_is_recognised(parity: str, framing: str) -> None:
    seen = as_read_at(STREAM, sent_baud=9600, read_baud=9600, sent_parity=parity)
    found = guess(seen)
    assert found is not None
    assert (found.driver, found.framing) == ("lines", framing)
    assert found.example.function is Function.AC


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\x00" * 300,
        random.Random(1).randbytes(400),
        b"login: \r\npassword: \r\n",
        lines_text(0.004),
        b"temp=21.5;hum=40\r\n" * 10,
    ],
)
def test_what_no_meter_sends_is_not_guessed(data: bytes) -> None:
    assert guess(data) is None
