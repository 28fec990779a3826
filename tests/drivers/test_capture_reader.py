"""Reading captures, sound and damaged."""

import io
import json
import math
import os
import tracemalloc
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.capture import CaptureReader, decode, replay
from drivers.capture_lines import MAX_LINE_BYTES, MAX_TEXT
from drivers.errors import CaptureError
from drivers.readings import Event, Mark, Received, Sent

FIXTURES = Path(__file__).parents[2] / "fixtures"
HEADER = b'{"capture": 1, "started": "2026-03-02T09:14:05+00:00", "driver": "lines"}\n'


def reader(body: bytes, header: bytes = HEADER) -> CaptureReader:
    return CaptureReader(io.BytesIO(header + body))


def read(body: bytes) -> tuple[list[Event], CaptureReader]:
    capture = reader(body)
    return list(capture), capture


# Counted once by an independent throw-away decoder (readings, overloads) and looked through by eye
# for the lines left out; a change here means that the decoders changed.
GOLDEN = [
    ("circuit-101", 1375, 0, 40, 204, 0.013484, 0.006117, 891.047754),
    ("circuit-102", 2110, 26, 80, 427, 0.00342, 0.00596, 158.17194),
    ("circuit-105", 1940, 14, 76, 257, 120.0, 0.00619, 59294.9351),
    ("circuit-106", 3800, 70, 144, 428, 0.00914, 0.01373, 3347.81975),
    ("circuit-111", 1065, 32, 60, 36, 0.00979, 0.01295, 401.73869),
    ("circuit-112", 5770, 0, 84, 986, 0.0095958, 0.0093185, 2442.550625),
    ("circuit-115", 2114, 0, 60, 261, 0.012231, 0.00503, 747.55724),
]


@pytest.mark.parametrize("golden", GOLDEN, ids=[golden[0] for golden in GOLDEN])
def test_a_recorded_visit_gives_the_readings_it_always_gave(golden: tuple[object, ...]) -> None:
    with CaptureReader(FIXTURES / "captures" / str(golden[0]) / "visit.jsonl") as capture:
        decoder = capture.make_decoder()
        events = list(decode(capture, decoder))
    readings = [event for event in events if not isinstance(event, Mark)]
    volts = [reading.volts for reading in readings if reading.volts is not None]
    overloads = sum(reading.overload for reading in readings)
    marks = len(events) - len(readings)
    assert (capture.damaged, capture.warnings) == ([], [])
    assert golden[1:] == (
        len(readings),
        overloads,
        marks,
        decoder.dropped_bytes,
        volts[0],
        volts[-1],
        round(math.fsum(volts), 6),
    )
    assert [event.t_s for event in events] == sorted(event.t_s for event in events)


# What each file of fixtures/damaged holds: events that are left, damaged lines, lines warned of.
DAMAGED = [
    ("torn-last-line.jsonl", 5, [], [7]),
    ("cut-in-the-middle.jsonl", 5, [4, 6], []),
    ("clock-leaps.jsonl", 5, [4, 6], []),
    ("unknown-mark.jsonl", 4, [], [3]),
    ("zeros-after-power-loss.jsonl", 4, [6], []),
    ("wrong-speed.jsonl", 40, [], []),
]


@pytest.mark.parametrize(("name", "events", "damaged", "warned"), DAMAGED)
def test_a_damaged_file_gives_all_that_is_sound_and_names_the_rest(
    name: str, events: int, damaged: list[int], warned: list[int]
) -> None:
    with CaptureReader(FIXTURES / "damaged" / name) as capture:
        assert len(list(capture)) == events
    assert [damage.line for damage in capture.damaged] == damaged
    assert capture.damaged_count == len(damaged)
    assert [warning.line for warning in capture.warnings] == warned


def test_bytes_taken_at_the_wrong_speed_give_no_reading() -> None:
    with CaptureReader(FIXTURES / "damaged" / "wrong-speed.jsonl") as capture:
        assert list(replay(capture)) == []


def test_events_come_as_they_were_written() -> None:
    events, capture = read(
        b'{"t": 0.5, "mark": "test", "hookup": "neutral-neutral", "lead_a": "Desk",'
        b' "lead_b": "D\xc3\xb6\xc3\xb6r", "load_at": "Bed"}\n'
        b'{"t": 1, "tx": "524541443f0a"}\n'
        b'{"t": 1.5, "rx": "312E350A", "more": [1]}\n'
        b"\n"
        b'{"t": 2.0, "mark": "note", "text": "hm"}\n'
    )
    assert events == [
        Mark(0.5, "test", "", "neutral-neutral", "Desk", "Döör", "Bed"),
        Sent(1.0, b"READ?\n"),
        Received(1.5, b"1.5\n"),
        Mark(2.0, "note", "hm"),
    ]
    assert (capture.damaged, capture.warnings) == ([], [])


@pytest.mark.parametrize(
    "line",
    [
        b"hello",
        b"[1, 2]",
        b"null",
        b'{"t": 1.0}',
        b'{"rx": "00"}',
        b'{"t": "1", "rx": "00"}',
        b'{"t": true, "rx": "00"}',
        b'{"t": -1, "rx": "00"}',
        b'{"t": NaN, "rx": "00"}',
        b'{"t": 1e400, "rx": "00"}',
        b'{"t": 1' + b"0" * 5000 + b', "rx": "00"}',
        b'{"t": 1' + b"0" * 400 + b', "rx": "00"}',
        b'{"t": 1.0, "rx": "0"}',
        b'{"t": 1.0, "rx": "0g"}',
        b'{"t": 1.0, "rx": "00 00"}',
        b'{"t": 1.0, "rx": 7}',
        b'{"t": 1.0, "rx": "00", "mark": "end"}',
        b'{"t": 1.0, "mark": 7}',
        b'{"t": 1.0, "mark": "test", "hookup": "neutral-ground"}',
        b'{"t": 1.0, "mark": "note", "text": 7}',
        b'{"t": 1.0, "mark": "note", "text": "' + b"x" * (MAX_TEXT + 1) + b'"}',
        b'{"t": 1.0, "rx": "00", "deep": ' + b"[" * 20 + b"]" * 20 + b"}",
        b"[" * 100_000,
        b'{"a":' * 50_000,
        b'{"t": 1.0, "rx": "\xff"}',
        b"\x00" * 100,
        b'{"t": 1.0, "mark": "note", "text": "' + b"x" * MAX_LINE_BYTES * 3 + b'"}',
    ],
)
def test_a_line_that_is_no_event_is_skipped_and_named(line: bytes) -> None:
    events, capture = read(line + b'\n{"t": 2.0, "mark": "end"}\n')
    assert events == [Mark(2.0, "end")]
    assert [damage.line for damage in capture.damaged] == [2]


def test_brackets_in_a_text_are_not_nesting() -> None:
    text = "[{" * 200 + '\\"[' * 10
    events, _ = read(json.dumps({"t": 1.0, "mark": "note", "text": text}).encode() + b"\n")
    assert events == [Mark(1.0, "note", text)]


def test_a_last_line_without_line_end_is_kept_if_it_is_whole() -> None:
    events, capture = read(b'{"t": 2.0, "mark": "end"}')
    assert events == [Mark(2.0, "end")]
    assert capture.warnings == []


def test_small_swaps_of_time_are_put_right() -> None:
    events, capture = read(
        b'{"t": 2.0, "rx": "31"}\n{"t": 1.6, "mark": "end"}\n{"t": 2.1, "rx": "32"}\n'
    )
    assert [event.t_s for event in events] == [2.0, 2.0, 2.1]
    assert capture.damaged == []


@pytest.mark.parametrize(
    ("header", "words"),
    [
        (b"", "empty"),
        (b"\x00\xff\x1b\x02 rubbish", "not a capture"),
        (b"a,b,c\n1,2,3\n", "not a capture"),
        (b'{"t": 1.0, "mark": "end"}\n', "no header"),
        (HEADER.replace(b": 1,", b": 2,"), "version 2"),
        (HEADER.replace(b": 1,", b": true,"), "version True"),
        (HEADER.replace(b"lines", b"morse"), "'morse' is not known"),
        (HEADER.replace(b"2026-03-02T", b"yesterday "), "ISO 8601"),
        (HEADER.replace(b"+00:00", b""), "offset"),
        (HEADER.replace(b"}", b', "settings": {"unit": "A"}}'), "Unit 'A'"),
        (HEADER.replace(b"}", b', "settings": 7}'), "settings"),
        (HEADER.replace(b"}", b', "circuit": []}'), "circuit"),
        (b"{" * 2_000_000, "not a capture"),
    ],
)
def test_what_is_no_capture_is_refused_in_words(header: bytes, words: str) -> None:
    with pytest.raises(CaptureError, match=words):
        reader(b"", header)


@pytest.mark.parametrize("name", ["nothing-here.jsonl", "."])
def test_a_path_that_cannot_be_opened_is_named(name: str, tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="cannot be opened"):
        CaptureReader(tmp_path / name)


def test_a_pipe_keeps_nobody_waiting(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "visit.jsonl")
    with pytest.raises(CaptureError, match="cannot be opened: it is a pipe"):
        CaptureReader(tmp_path / "visit.jsonl")


def test_the_header_gives_circuit_and_instrument() -> None:
    header = HEADER.replace(
        b"}", b', "circuit": {"name": "Up"}, "instrument": {"identity": "bench", "n": 1}}'
    )
    capture = reader(b"", b"\xef\xbb\xbf" + header)
    assert capture.header.circuit == {"name": "Up"}
    assert capture.header.instrument == {"identity": "bench"}
    assert capture.header.started.isoformat() == "2026-03-02T09:14:05+00:00"


@given(body=st.binary(max_size=400))
@settings(max_examples=150, deadline=None)
def test_any_bytes_after_the_header_are_read_without_an_error(body: bytes) -> None:
    events, capture = read(body)
    assert len(events) + capture.damaged_count + len(capture.warnings) <= body.count(b"\n") + 1


event_objects = st.fixed_dictionaries(
    {},
    optional={
        "t": st.none() | st.floats() | st.integers() | st.text(max_size=3),
        "rx": st.none() | st.text("0123456789abcdefg", max_size=6),
        "tx": st.text("0123456789abcdef", max_size=6),
        "mark": st.sampled_from(["test", "note", "end", "load-on", "odd"]) | st.integers(),
        "hookup": st.text(max_size=5) | st.integers(),
        "lead_a": st.text(max_size=5) | st.none(),
        "load_at": st.text(max_size=5) | st.lists(st.integers(), max_size=1),
        "text": st.text(max_size=5) | st.floats(),
    },
)


@given(objects=st.lists(event_objects, max_size=6))
@settings(max_examples=150, deadline=None)
def test_events_with_odd_fields_are_read_in_order_or_named(objects: list[object]) -> None:
    events, capture = read(b"".join(json.dumps(value).encode() + b"\n" for value in objects))
    times = [event.t_s for event in events]
    assert times == sorted(times)
    assert len(events) + capture.damaged_count + len(capture.warnings) == len(objects)


def test_reading_takes_no_more_memory_for_a_longer_file() -> None:
    class Endless(io.RawIOBase):
        """Half a gigabyte of one line without an end, made as it is read."""

        left = 500

        def readline(self, size: int | None = -1, /) -> bytes:
            if self.left == 500:
                self.left -= 1
                return HEADER
            self.left -= 1
            return b"x" * (size or 0) if self.left > 0 else b""

    tracemalloc.start()
    try:
        capture = CaptureReader(Endless())
        assert list(capture) == []
        assert tracemalloc.get_traced_memory()[1] < 10 * MAX_LINE_BYTES
    finally:
        tracemalloc.stop()
    assert capture.damaged_count == 1
