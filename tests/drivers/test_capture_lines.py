"""Lines of a capture: what is written is read back, and what is none is refused in words."""

import json
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.capture_lines import (
    MAX_LINE_BYTES,
    MAX_TEXT,
    LineError,
    UnknownMarkError,
    read_event,
    read_header,
    read_object,
    write_event,
    write_header,
)
from drivers.readings import MARK_KINDS, Event, Header, Mark, Received, Sent

STARTED = datetime(2026, 3, 2, 9, 14, 5, tzinfo=UTC)
TIMES = st.floats(0, 1e7).map(lambda t_s: round(t_s, 6))
TEXTS = st.text(st.characters(exclude_categories=("Cs",)), max_size=40)
NAMES = st.none() | TEXTS.filter(bool)


@st.composite
def marks(draw: st.DrawFn) -> Mark:
    kind = draw(st.sampled_from(sorted(MARK_KINDS)))
    named = {name: draw(NAMES) for name in ("lead_b", "load_at", "side", "return_at")}
    needed = {"hookup": "neutral-ground", "lead_a": draw(TEXTS.filter(bool))}
    setting = draw(st.sampled_from([None, "low", "high"]))
    return Mark(draw(TIMES), kind, draw(TEXTS), setting=setting, **named, **needed)


EVENTS: st.SearchStrategy[Event] = st.one_of(
    st.builds(Received, TIMES, st.binary(min_size=1, max_size=100)),
    st.builds(Sent, TIMES, st.binary(min_size=1, max_size=100)),
    marks(),
)


@given(EVENTS)
def test_an_event_is_one_line_that_is_read_back_as_it_was(event: Event) -> None:
    line = write_event(event)
    assert line.endswith(b"\n")
    assert line.count(b"\n") == 1
    assert read_event(line) == event


@given(
    st.datetimes(datetime(1990, 1, 1), datetime(2090, 1, 1)),
    st.integers(-12, 14),
    st.none() | st.dictionaries(TEXTS, TEXTS | st.integers() | st.none(), max_size=4),
    st.dictionaries(TEXTS, TEXTS, max_size=3),
)
def test_a_header_is_read_back_as_it_was(started, hours, circuit, instrument) -> None:
    begun = started.replace(tzinfo=timezone(timedelta(hours=hours)))
    header = Header(begun, "lines", {"unit": "mV"}, circuit, instrument)
    assert read_header(write_header(header)) == header


def header_line(**changes: object) -> bytes:
    value = {"capture": 1, "started": STARTED.isoformat(), "driver": "lines"} | changes
    kept = {name: part for name, part in value.items() if part != "left out"}
    return json.dumps(kept).encode()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"capture": "left out"}, "no header"),
        ({"driver": "left out"}, "names no driver"),
        ({"driver": 7}, "names no driver"),
        ({"started": "left out"}, "does not say when it started"),
        ({"started": 1.5}, "does not say when it started"),
        ({"started": "yesterday"}, "is no ISO 8601 time"),
        ({"started": "2026-03-02T09:14:05"}, "has no offset from UTC"),
        ({"settings": []}, "settings in the header is not an object"),
        ({"circuit": "Up"}, "circuit in the header is not an object"),
        ({"instrument": 1}, "instrument in the header is not an object"),
    ],
)
def test_a_header_that_is_none_says_what_is_missing(changes: dict, words: str) -> None:
    with pytest.raises(LineError, match=words):
        read_header(header_line(**changes))


def test_a_header_of_a_newer_version_is_refused_by_its_number_and_unknown_keys_are_not() -> None:
    with pytest.raises(LineError, match="2"):
        read_header(header_line(capture=2))
    header = read_header(header_line(weather="rain", instrument={"identity": "bench", "age": 3}))
    assert header.instrument == {"identity": "bench"}
    assert header.circuit is None


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (b'{"rx": "31"}', "no time t"),
        (b'{"t": true, "rx": "31"}', "no time t"),
        (b'{"t": -1, "rx": "31"}', "not between 0 and 1e8"),
        (b'{"t": 1e9, "rx": "31"}', "not between 0 and 1e8"),
        (b'{"t": NaN, "rx": "31"}', "not a JSON object"),
        (b'{"t": 1}', "not exactly one of rx, tx and mark"),
        (b'{"t": 1, "rx": "31", "mark": "end"}', "not exactly one"),
        (b'{"t": 1, "rx": "3"}', "pairs of hex digits"),
        (b'{"t": 1, "rx": "3 1 "}', "pairs of hex digits"),
        (b'{"t": 1, "tx": "zz"}', "pairs of hex digits"),
        (b'{"t": 1, "rx": 31}', "pairs of hex digits"),
        (b'{"t": 1, "mark": 5}', "the mark is not a text"),
        (b'{"t": 1, "mark": "note", "text": 5}', "text is not a text"),
        (b'{"t": 1, "mark": "test", "lead_a": "A"}', "does not say hookup"),
        (b'{"t": 1, "mark": "test", "hookup": "nn"}', "does not say lead_a"),
        (b'{"t": 1, "mark": "load-on", "setting": "medium"}', "neither low nor high"),
        (b'{"t": 1, "rx": "\xff"}', "not UTF-8"),
        (b"[1]", "not a JSON object"),
        (b'{"a":' * 70 + b"1" + b"}" * 70, "nested deeper"),
        (b'{"t": 1, "mark": "note", "text": "' + b"x" * MAX_LINE_BYTES + b'"}', "longer than"),
    ],
)
def test_a_line_that_is_no_event_says_why(line: bytes, words: str) -> None:
    with pytest.raises(LineError, match=words):
        read_event(line)


def test_a_mark_of_a_kind_of_the_future_is_told_apart_from_a_damaged_line() -> None:
    with pytest.raises(UnknownMarkError, match="'dance' is not known"):
        read_event(b'{"t": 1, "mark": "dance"}')


def test_what_could_not_be_read_back_is_not_written() -> None:
    for text in ("x" * (MAX_TEXT + 1), "é" * MAX_LINE_BYTES):
        with pytest.raises(LineError, match="longer than"):
            write_event(Mark(1.0, "note", text))
    with pytest.raises(UnknownMarkError):
        write_event(Mark(1.0, "dance"))


@given(st.binary(max_size=200))
def test_any_bytes_are_an_object_or_the_one_error(line: bytes) -> None:
    try:
        found: object = read_object(line)
    except LineError:
        found = {}
    assert isinstance(found, dict)
