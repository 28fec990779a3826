"""Replies of message-based instruments, against the facts of IEEE 488.2 and SCPI-99."""

import csv
import json
from pathlib import Path

import pytest

from drivers.readings import Function, Reading
from drivers.scpi import MAX_REPLY_BYTES, ScpiDecoder

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference"


def read(data: bytes) -> list[Reading]:
    return ScpiDecoder(function=Function.AC).feed(data, 1.0)


@pytest.mark.parametrize(
    ("reply", "volts"),
    [
        (b"+9.59580000E-03\n", [0.0095958]),
        (b"+9.59580000E-03\r\n", [0.0095958]),
        (b"146\n", [146.0]),
        (b"-0.123\n", [-0.123]),
        (b"1.0E-3,-2.5E-3, 3\n", [0.001, -0.0025, 3.0]),
        (b"1\n2\n", [1.0, 2.0]),
    ],
)
def test_numbers_of_all_forms_are_readings(reply: bytes, volts: list[float]) -> None:
    assert [reading.volts for reading in read(reply)] == volts


def test_the_resolution_is_that_of_the_last_digit() -> None:
    assert read(b"+9.59580000E-03\n")[0].resolution_v == 1e-11
    assert read(b"+1.5\n")[0].resolution_v == 0.1


@pytest.mark.parametrize("spelling", ["9.91E37", "+9.91000000E+37", "991E35", "9.91e+37"])
def test_every_spelling_of_not_a_number_has_no_volts(spelling: str) -> None:
    facts = json.loads((REFERENCE / "scpi_facts.json").read_text("utf-8"))["numbers"]
    assert float(spelling) == facts["not_a_number"]
    [reading] = read(spelling.encode() + b"\n")
    assert (reading.volts, reading.overload) == (None, False)


@pytest.mark.parametrize("sign", ["+", "-", ""])
@pytest.mark.parametrize("digits", ["9.9E37", "9.90000000E+37", "99e36"])
def test_every_spelling_of_infinity_is_overload(sign: str, digits: str) -> None:
    facts = json.loads((REFERENCE / "scpi_facts.json").read_text("utf-8"))["numbers"]
    known = (facts["positive_infinity"], facts["negative_infinity"])
    assert float(sign + digits) in known
    [reading] = read((sign + digits).encode() + b"\n")
    assert (reading.volts, reading.overload) == (None, True)


def error_replies() -> list[bytes]:
    with (REFERENCE / "scpi_errors.csv").open(encoding="utf-8") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        return [f'{row["code"]},"{row["text"]}"\n'.encode() for row in rows]


@pytest.mark.parametrize(
    "reply",
    [
        *error_replies(),
        b"MAKER,MODEL 7,1234,1.0\n",
        b"#213+1.50000E-03\n\n",
        b"+9.99999+9.99999999E-99\n",
        b"\xc5&\xc9+9.99999999E-99\n",
        b"1,,2\n",
        b"1,2,\n",
        b"1e400\n",
        b"1" * 10_000 + b"\n",
        b"\n",
        b"#HFF\n",
        b"1.5\x00\n",
        b"1\x001.5\n",
    ],
)
def test_a_reply_that_is_not_all_numbers_is_no_reading(reply: bytes) -> None:
    assert read(reply) == []


def test_a_number_that_answers_another_question_is_no_reading() -> None:
    decoder = ScpiDecoder()
    decoder.sent(b"*OPC?\n")
    assert decoder.feed(b"1\n", 0.0) == []
    decoder.sent(b"CONF:VOLT:AC\n")
    assert decoder.feed(b"1\n", 0.0) == []
    decoder.sent(b"READ?\n")
    assert [reading.volts for reading in decoder.feed(b"1.5\n", 0.0)] == [1.5]


@pytest.mark.parametrize(
    "query",
    [b"READ?", b"FETC?", b":FETCH?", b"MEAS:VOLT:AC?", b"INIT;FETC?", b"R?", b"data:rem? 5"],
)
def test_queries_that_read_the_meter_give_readings(query: bytes) -> None:
    decoder = ScpiDecoder()
    decoder.sent(query + b"\n")
    assert len(decoder.feed(b"1.5\n", 0.0)) == 1


def test_an_endless_reply_is_dropped_and_the_next_one_read() -> None:
    decoder = ScpiDecoder()
    for _ in range(50):
        assert decoder.feed(b"7," * 2000, 0.0) == []
    assert len(decoder._lines._pending) <= MAX_REPLY_BYTES
    assert [reading.volts for reading in decoder.feed(b"7\n1.5\n", 0.0)] == [1.5]
    assert decoder.dropped_bytes == 200_001


def test_half_a_reply_is_forgotten_when_the_link_is_opened_anew() -> None:
    decoder = ScpiDecoder()
    decoder.feed(b"+1.5", 0.0)
    decoder.resync(1.0)
    assert [reading.volts for reading in decoder.feed(b"2.5\n", 1.0)] == [2.5]
