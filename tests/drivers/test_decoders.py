"""What holds for every driver, whatever the bytes and however they are cut."""

import tracemalloc
from functools import partial
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.readings import DRIVERS, Reading, make_decoder
from drivers.simulated_bytes import lines_text, nr3_text, segment_frame

WRITERS = {
    "lines": [lines_text, nr3_text],
    "segments": [segment_frame],
    "scpi": [partial(nr3_text, decimals=8)],
}
volts = st.none() | st.floats(-599.0, 599.0, width=32)
rubbish = st.binary(max_size=30) | st.sampled_from(
    [b"\n", b"\r", b"   4.34  mV AC", b"+1.2", b"OL", b"1,2\n", b"\x1b\x27\x3d", b"E" * 300]
)


@st.composite
def streams(draw: st.DrawFn, name: str) -> bytes:
    """Readings with rubbish between and inside them."""
    pieces = []
    for _ in range(draw(st.integers(0, 8))):
        piece = draw(st.sampled_from(WRITERS[name]))(draw(volts))
        if draw(st.integers(0, 3)) == 0:
            start = draw(st.integers(0, len(piece)))
            piece = piece[:start] + draw(rubbish) + piece[draw(st.integers(0, len(piece))) :]
        pieces.append(piece)
    return b"".join(pieces)


@pytest.mark.parametrize("name", DRIVERS)
@given(data=st.data())
@settings(max_examples=80, deadline=None)
def test_any_chunking_gives_the_same_readings(name: str, data: st.DataObject) -> None:
    stream = data.draw(streams(name) | st.binary(max_size=100))
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=6)))
    whole, bytewise, cut = (make_decoder(name, {}) for _ in range(3))
    expected = whole.feed(stream, 1.0)
    by_byte = [r for i in range(len(stream)) for r in bytewise.feed(stream[i : i + 1], 1.0)]
    places = [0, *cuts, len(stream)]
    by_chunk = [r for a, b in pairwise(places) for r in cut.feed(stream[a:b], 1.0)]
    assert by_byte == expected
    assert by_chunk == expected
    assert bytewise.dropped_bytes == cut.dropped_bytes == whole.dropped_bytes


@pytest.mark.parametrize("name", DRIVERS)
@given(chunks=st.lists(st.binary(max_size=200), max_size=10), opened=st.integers(0, 10))
@settings(max_examples=60, deadline=None)
def test_any_bytes_give_readings_or_nothing(name: str, chunks: list[bytes], opened: int) -> None:
    decoder = make_decoder(name, {})
    for place, chunk in enumerate(chunks):
        if place == opened:
            decoder.resync(float(place))
            decoder.sent(chunk)
        for reading in decoder.feed(chunk, float(place)):
            assert isinstance(reading, Reading)
            assert reading.volts is None or abs(reading.volts) < 1e6
    assert 0 <= decoder.dropped_bytes <= sum(map(len, chunks))


@pytest.mark.parametrize("name", DRIVERS)
@given(values=st.lists(volts, max_size=20))
@settings(max_examples=40, deadline=None)
def test_a_sound_stream_loses_nothing(name: str, values: list[float | None]) -> None:
    values = [value for value in values for _ in range(3)]  # a level is shown more than once
    for write in WRITERS[name]:
        decoder = make_decoder(name, {})
        readings = decoder.feed(b"".join(write(value) for value in values), 0.0)
        assert len(readings) == len(values)
        assert decoder.dropped_bytes == 0
        for reading, value in zip(readings, values, strict=True):
            if value is None:
                assert reading.overload
            else:
                assert reading.volts is not None
                assert reading.resolution_v is not None
                assert abs(reading.volts - value) <= 0.51 * reading.resolution_v


@pytest.mark.parametrize("name", DRIVERS)
@pytest.mark.parametrize(
    "pattern",
    [b"\x00", b"1", b" ", b"\x1b", b"\x1b\x2f\x3f", b"AC ", b"1,", b"\r\n", b"0123 V\n", b"OL"],
)
def test_memory_stays_bounded_on_endless_rubbish(name: str, pattern: bytes) -> None:
    decoder = make_decoder(name, {})
    chunk = pattern * (10_000 // len(pattern))
    tracemalloc.start()
    try:
        for _ in range(3):
            decoder.feed(chunk, 0.0)
        before = tracemalloc.get_traced_memory()[0]
        for _ in range(50):
            decoder.feed(chunk, 0.0)
        grown = tracemalloc.get_traced_memory()[0] - before
    finally:
        tracemalloc.stop()
    assert grown < 100_000


@pytest.mark.parametrize("name", DRIVERS)
def test_memory_stays_bounded_when_no_two_readings_are_alike(name: str) -> None:
    decoder = make_decoder(name, {})
    tracemalloc.start()
    try:
        for step in range(6_000):
            decoder.feed(WRITERS[name][0](step * 1e-4), 0.0)
            decoder.feed(b"%d.%d mV AC\n" % (10 ** (step % 9), step), 0.0)
        assert tracemalloc.get_traced_memory()[0] < 3_000_000
    finally:
        tracemalloc.stop()
