"""After a crash: recordings and log are brought into agreement, and nothing is removed."""

import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drivers.capture import CaptureReader, CaptureWriter
from drivers.readings import Event, Header, Mark, Received
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import Job, write_job
from meterlink.live.visit_recording import close_open_test, marks_of, recover
from meterlink.testlog.log import TestLog
from meterlink.testlog.reader import read_rows
from meterlink.testlog.recorded import LOGGED_FILE

TEST = Mark(1.0, "test", hookup="neutral-ground", lead_a="A", load_at="A")


@pytest.fixture
def job(tmp_path: Path) -> Job:
    made = write_job(tmp_path / "job", Circuit("Two", ("A", "B"), volts=120.0, load_amps=10.0))
    made.captures_path.mkdir()
    return made


def recording(job: Job, *events: Event, name: str = "visit-1.jsonl") -> Path:
    path = job.captures_path / name
    started = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
    writer = CaptureWriter(path, Header(started, "lines"))
    for event in events:
        writer.write(event)
    writer.close()
    return path


def whole_test(start_s: float) -> list[Event]:
    """A test with a jump of 200 mV, four readings a second."""
    events: list[Event] = [Mark(start_s, "test", hookup="neutral-ground", lead_a="A", load_at="A")]
    for n in range(80):
        t_s = start_s + 0.25 * (n + 1)
        if n in (30, 60):
            events.append(Mark(t_s, "load-on" if n == 30 else "load-off"))
        level_mv = 208.0 if 32 <= n < 62 else 8.0
        events.append(Received(t_s, f"{level_mv + 0.1 * (n % 3):.1f} mV AC\r\n".encode()))
    return [*events, Mark(start_s + 20.5, "end")]


@pytest.mark.parametrize(
    ("text", "said"),
    [("5.00000", "supply is OFF"), ("changing", "supply is OFF"), ("0.00000", "load is off")],
)
def test_a_supply_that_was_on_when_the_program_was_killed_is_named(
    job: Job, text: str, said: str
) -> None:
    recording(job, TEST, Mark(2.0, "source", text))
    with TestLog(job.log_path) as log:
        (told,) = recover(job, log)
        assert said in told
        assert list(recover(job, log)) == []


@pytest.mark.parametrize(
    ("events", "done", "is_open"),
    [
        ([], 0, False),
        ([TEST], 0, True),
        ([TEST, Mark(2.0, "end")], 1, False),
        ([TEST, Mark(2.0, "void")], 0, False),
        ([TEST, Mark(2.0, "test", hookup="line-drop", lead_a="A", load_at="A")], 1, True),
        ([Mark(0.5, "end")], 0, False),
    ],
)
def test_marks_tell_which_tests_were_done(
    job: Job, events: list[Event], done: int, is_open: bool
) -> None:
    marks = marks_of(recording(job, *events))
    assert (marks.done, marks.is_open) == (done, is_open)


@pytest.mark.parametrize("torn", [b"", b'{"t": 3.2, "rx": "202'])
def test_an_open_test_is_closed_by_a_void_mark_and_every_byte_stays(job: Job, torn: bytes) -> None:
    path = recording(job, TEST, Mark(2.0, "load-on"))
    with path.open("ab") as stream:
        stream.write(torn)
    before = path.read_bytes()
    assert close_open_test(path).is_open
    assert path.read_bytes().startswith(before)
    with CaptureReader(path) as reader:
        kinds = [event.kind for event in reader if isinstance(event, Mark)]
    assert kinds == ["test", "load-on", "void"]
    assert not close_open_test(path).is_open


def test_tests_that_were_done_are_logged_once_and_an_open_one_is_said_to_be_void(job: Job) -> None:
    last = Mark(60.0, "test", hookup="neutral-ground", lead_a="B", load_at="B")
    recording(job, *whole_test(1.0), *whole_test(30.0), last)
    with TestLog(job.log_path) as log:
        said = list(recover(job, log))
        assert len(said) == 3
        assert "discarded" in said[0]
        rows = list(log.rows())
        assert [(row.test, row.source.value, row.verdict.value) for row in rows] == [
            (1, "live", "in-path"),
            (2, "live", "in-path"),
        ]
        assert list(recover(job, log)) == []
        assert list(log.rows()) == rows


def test_a_recording_without_a_byte_is_removed_and_an_unreadable_one_is_named(job: Job) -> None:
    empty = job.captures_path / "visit-0.jsonl"
    empty.touch()
    other = job.captures_path / "visit-2.jsonl"
    other.write_bytes(b"no capture\n")
    with TestLog(job.log_path) as log:
        (said,) = recover(job, log)
    assert "visit-2.jsonl" in said
    assert not empty.exists()
    assert other.read_bytes() == b"no capture\n"


def logged_tests(job: Job) -> list[int]:
    """What the log holds after a start of a visit."""
    with TestLog(job.log_path) as log:
        list(recover(job, log))
    return [row.test for row in read_rows(job.log_path, lambda _problem: None)]


def is_first_start(job: Job) -> Path:
    path = recording(job, *whole_test(1.0), *whole_test(30.123))
    assert logged_tests(job) == [1, 2]
    return path


MADE_OLD = [False, True]  # whether the job is older than the ledger


@pytest.mark.parametrize("old", MADE_OLD)
@pytest.mark.parametrize("copy", ["visit-0.jsonl", "visit-1-copy.jsonl", "visit-9.jsonl"])
def test_a_copied_or_renamed_recording_is_logged_once(job: Job, copy: str, *, old: bool) -> None:
    path = is_first_start(job)
    if old:
        (job.folder / LOGGED_FILE).unlink()
    (job.captures_path / copy).write_bytes(path.read_bytes())
    assert logged_tests(job) == [1, 2]
    path.unlink()
    assert logged_tests(job) == [1, 2]


@pytest.mark.parametrize("old", MADE_OLD)
def test_times_cut_to_seconds_are_still_those_of_the_tests(job: Job, *, old: bool) -> None:
    is_first_start(job)
    if old:
        (job.folder / LOGGED_FILE).unlink()
    data = job.log_path.read_bytes()
    assert b":30.123+00:00" in data
    job.log_path.write_bytes(data.replace(b".123+", b"+").replace(b".000+", b"+"))
    assert logged_tests(job) == [1, 2]


def test_rows_that_a_table_program_spoilt_are_not_logged_again(job: Job) -> None:
    is_first_start(job)
    data = job.log_path.read_bytes()
    job.log_path.write_bytes(data.replace(b"2026-05-04T09", b"04.05.2026 9"))
    assert logged_tests(job) == []


def test_a_row_that_a_person_removed_stays_removed(job: Job) -> None:
    is_first_start(job)
    lines = job.log_path.read_bytes().splitlines(keepends=True)
    job.log_path.write_bytes(b"".join([lines[0], lines[2]]))
    assert logged_tests(job) == [2]


def test_odd_files_among_the_recordings_stop_nothing_and_stay(job: Job) -> None:
    folder = job.captures_path
    os.mkfifo(folder / "visit-a.jsonl")
    (folder / "visit-b.jsonl").symlink_to(folder / "nowhere")
    (folder / "visit-c.jsonl").mkdir()
    (folder / "empty").touch()
    (folder / "visit-d.jsonl").symlink_to(folder / "empty")
    odd = os.fsencode(folder) + b"/visit-\xff.jsonl"
    before = set(folder.iterdir())
    Path(os.fsdecode(odd)).write_bytes(recording(job, *whole_test(1.0)).read_bytes())
    assert logged_tests(job) == [1]
    (row,) = read_rows(job.log_path)
    assert row.capture in ("visit-1.jsonl", "visit-?.jsonl")
    assert before < set(folder.iterdir())
