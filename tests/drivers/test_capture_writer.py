"""Writing captures: durable, never over another, and valid whatever happens."""

import io
import os
import resource
import signal
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.capture import CaptureReader, CaptureWriter
from drivers.capture_lines import MAX_TEXT, write_event, write_header
from drivers.errors import CaptureError
from drivers.readings import Event, Header, Mark, Received, Sent

HEADER = Header(datetime(2026, 3, 2, 9, 14, 5, tzinfo=UTC), "lines", {"unit": "mV"})

texts = st.text(max_size=20).filter(lambda text: text == text.encode("utf-8", "replace").decode())
times = st.floats(0, 1e5).map(lambda t_s: round(t_s, 6))
events = st.one_of(
    st.builds(Received, times, st.binary(min_size=1, max_size=20)),
    st.builds(Sent, times, st.binary(min_size=1, max_size=20)),
    st.builds(Mark, times, st.sampled_from(["load-on", "load-off", "end", "note", "void"]), texts),
    st.builds(
        Mark,
        times,
        st.just("test"),
        texts,
        texts.filter(bool),
        texts.filter(bool),
        st.none() | texts.filter(bool),
        texts.filter(bool),
    ),
)


@given(written=st.lists(events, max_size=8))
@settings(max_examples=100, deadline=None)
def test_what_was_written_is_read_back_the_same(written: list[Event]) -> None:
    written.sort(key=lambda event: event.t_s)
    lines = write_header(HEADER) + b"".join(write_event(event) for event in written)
    capture = CaptureReader(io.BytesIO(lines))
    assert list(capture) == written
    assert capture.header == HEADER
    assert capture.damaged == []


def test_a_recording_never_overwrites(tmp_path: Path) -> None:
    path = tmp_path / "visit.jsonl"
    path.write_text("precious")
    with pytest.raises(CaptureError, match="never overwritten"):
        CaptureWriter(path, HEADER)
    assert path.read_text() == "precious"


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="cannot be created: no such file"):
        CaptureWriter(tmp_path / "none" / "visit.jsonl", HEADER)


@pytest.mark.parametrize(
    "mark", [Mark(1.0, "note", "x" * (MAX_TEXT + 1)), Mark(1.0, "test"), Mark(1.0, "dance")]
)
def test_what_could_not_be_read_back_is_not_written(mark: Mark, tmp_path: Path) -> None:
    with CaptureWriter(tmp_path / "visit.jsonl", HEADER) as writer:
        with pytest.raises(CaptureError, match="cannot be recorded"):
            writer.write(mark)
        writer.write(Mark(2.0, "end"))
    with CaptureReader(writer.path) as capture:
        assert list(capture) == [Mark(2.0, "end")]


def test_writing_after_the_end_is_refused(tmp_path: Path) -> None:
    writer = CaptureWriter(tmp_path / "visit.jsonl", HEADER)
    writer.close()
    writer.close()
    with pytest.raises(CaptureError, match="closed"):
        writer.write(Mark(2.0, "end"))


def test_marks_reach_the_disk_at_once_and_bytes_within_a_second(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now_s = 0.0
    synced: list[float] = []
    with CaptureWriter(tmp_path / "visit.jsonl", HEADER, clock=lambda: now_s) as writer:
        monkeypatch.setattr(os, "fsync", lambda file: synced.append(now_s))
        for step in range(25):
            now_s = step / 10
            writer.write(Received(now_s, b"1"))
        assert synced == [1.0, 2.0]
        writer.write(Mark(2.45, "end"))
        assert synced == [1.0, 2.0, 2.4]
        writer.sync_if_due()
        assert len(synced) == 3


WRITE_UNTIL_KILLED = """
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from drivers.capture import CaptureWriter
from drivers.readings import Header, Received
writer = CaptureWriter(sys.argv[1], Header(datetime(2026, 3, 2, tzinfo=UTC), "lines"))
for step in range(10**9):
    writer.write(Received(step / 1000, b"%d\\n" % step))
    if step % 50 == 0:
        print(step, flush=True)
"""


def test_killing_the_writer_loses_nothing_that_it_reported(tmp_path: Path) -> None:
    path = tmp_path / "visit.jsonl"
    command = [sys.executable, "-c", WRITE_UNTIL_KILLED, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        reported = 0
        while reported < 500:
            reported = int(process.stdout.readline())
        process.send_signal(signal.SIGKILL)
        rest = process.stdout.read().split(b"\n")[:-1]
    reported = int(rest[-1]) if rest else reported
    with CaptureReader(path) as capture:
        received = [event for event in capture if isinstance(event, Received)]
    assert [event.data for event in received] == [b"%d\n" % k for k in range(len(received))]
    assert len(received) > reported
    assert capture.damaged == []
    assert len(capture.warnings) <= 1


FILL = """
import resource, signal, sys
from collections.abc import Callable
from datetime import UTC, datetime
from drivers.capture import CaptureWriter
from drivers.readings import Header, Received
from drivers.errors import CaptureError
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000))
writer = CaptureWriter(sys.argv[1], Header(datetime(2026, 3, 2, tzinfo=UTC), "lines"))
try:
    for step in range(1000):
        writer.write(Received(step / 10, b"12.34 mV"))
except CaptureError as error:
    print(error)
"""


@pytest.mark.skipif(not hasattr(resource, "RLIMIT_FSIZE"), reason="no file size limit here")
def test_a_full_disk_stops_the_recording_with_a_message_and_a_valid_file(tmp_path: Path) -> None:
    path = tmp_path / "visit.jsonl"
    run = subprocess.run(
        [sys.executable, "-c", FILL, str(path)], capture_output=True, text=True, check=True
    )
    assert "recording stopped" in run.stdout
    assert "lines before are safe" in run.stdout
    with CaptureReader(path) as capture:
        assert len(list(capture)) > 20
    assert (capture.damaged, capture.warnings) == ([], [])


@pytest.mark.parametrize("move", [Path.unlink, lambda path: path.rename(path.with_suffix(".old"))])
def test_a_recording_that_was_moved_away_is_said_at_the_next_mark(
    tmp_path: Path, move: Callable[[Path], object]
) -> None:
    header = Header(datetime(2026, 5, 4, 9, 0, tzinfo=UTC), "lines")
    with CaptureWriter(tmp_path / "visit.jsonl", header) as writer:
        writer.write(Mark(1.0, "note"))
        move(writer.path)
        with pytest.raises(CaptureError, match="moved, deleted or replaced"):
            writer.write(Mark(2.0, "note"))


def test_a_recording_in_a_folder_that_is_not_there_or_on_a_dead_disk_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(CaptureError, match="cannot be created: no such file"):
        CaptureWriter(tmp_path / "none" / "visit.jsonl", HEADER)

    def fails(handle: int) -> None:
        raise OSError(5, "Input/output error")

    with CaptureWriter(tmp_path / "visit.jsonl", HEADER) as writer:
        with monkeypatch.context() as patch:
            patch.setattr(os, "fsync", fails)
            with pytest.raises(CaptureError, match="recording stopped: input/output error"):
                writer.write(Mark(1.0, "note"))
        writer.write(Mark(2.0, "note"))
    assert len(writer.path.read_bytes().splitlines()) == 3
