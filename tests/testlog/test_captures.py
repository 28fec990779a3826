"""The folder of captures: what is kept, what is left alone, and which tests are logged."""

import os
from pathlib import Path

import pytest

from drivers.errors import CaptureError
from meterlink.circuit.job import read_job
from meterlink.errors import LogError
from meterlink.testlog.captures import (
    CapturesLog,
    kept_name,
    name_of,
    recordings_in,
    remove_if_empty,
)
from meterlink.testlog.from_capture import read_visit, replay_into
from meterlink.testlog.reader import read_rows
from meterlink.testlog.recorded import LOGGED_FILE, recorded_tests


@pytest.fixture
def capture(captures: Path) -> Path:
    return captures / "circuit-101" / "visit.jsonl"


def odd_folder(folder: Path) -> list[Path]:
    """A folder with what does not belong there; returns that."""
    folder.mkdir()
    os.mkfifo(folder / "pipe")
    (folder / "to nothing").symlink_to(folder / "nowhere")
    (folder / "folder").mkdir()
    return sorted(folder.iterdir())


def test_only_files_are_recordings(tmp_path: Path) -> None:
    odd_folder(tmp_path / "captures")
    (tmp_path / "captures" / "a").touch()
    (tmp_path / "captures" / "link").symlink_to(tmp_path / "captures" / "a")
    names = [path.name for path in recordings_in(tmp_path / "captures")]
    assert names == ["a", "link"]
    assert recordings_in(tmp_path / "captures", "l*") == [tmp_path / "captures" / "link"]
    assert recordings_in(tmp_path / "none") == []


def test_only_an_empty_file_is_removed(tmp_path: Path) -> None:
    odd = odd_folder(tmp_path / "captures")
    empty, full = tmp_path / "empty", tmp_path / "full"
    empty.touch()
    full.write_bytes(b"x")
    (tmp_path / "link").symlink_to(empty)
    for path in (*odd, full, tmp_path / "link", tmp_path / "none"):
        assert not remove_if_empty(path)
    assert remove_if_empty(empty)
    assert sorted((tmp_path / "captures").iterdir()) == odd


def test_a_capture_is_replayed_among_odd_files_and_none_of_them_is_touched(
    tmp_path: Path, capture: Path
) -> None:
    job = tmp_path / "job"
    job.mkdir()
    odd = odd_folder(job / "captures")
    done = replay_into(capture, job)
    assert done.added == len(done.rows) > 0
    assert set(odd) < set((job / "captures").iterdir())
    assert replay_into(capture, job).added == 0


@pytest.mark.parametrize("taken", ["pipe", "to nothing", "folder"])
def test_a_name_that_something_odd_has_is_not_taken(
    tmp_path: Path, capture: Path, taken: str
) -> None:
    odd_folder(tmp_path / "captures")
    copy = tmp_path / taken
    copy.write_bytes(capture.read_bytes())
    name = kept_name(copy, tmp_path / "captures")
    assert name.startswith(f"{taken}-")
    assert not (tmp_path / "captures" / name).exists()


def test_a_name_that_is_no_text_is_kept_under_one_that_is(tmp_path: Path, capture: Path) -> None:
    odd = Path(os.fsdecode(os.fsencode(tmp_path) + b"/visit-\xff.jsonl"))
    odd.write_bytes(capture.read_bytes())
    assert name_of(odd) == "visit-?.jsonl"
    done = replay_into(odd, tmp_path / "job")
    assert done.rows[0].capture == "visit-?.jsonl"
    assert replay_into(odd, tmp_path / "job").added == 0


def test_a_pipe_is_no_capture(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(CaptureError, match="pipe"):
        read_visit(tmp_path / "pipe", tmp_path)


def test_the_tests_of_a_copy_are_the_same_and_those_of_another_visit_are_not(
    tmp_path: Path, captures: Path, capture: Path
) -> None:
    first = list(recorded_tests(capture))
    copy = tmp_path / "copy.jsonl"
    copy.write_bytes(capture.read_bytes().replace(b"\n", b"\r\n"))
    assert list(recorded_tests(copy)) == first
    other = list(recorded_tests(captures / "circuit-115" / "visit.jsonl"))
    assert not {test.digest for test in first} & {test.digest for test in other}
    assert len({test.digest for test in first}) == len(first)


def test_a_test_in_mid_recording_is_open_and_a_void_one_is_none(tmp_path: Path) -> None:
    path = tmp_path / "visit.jsonl"
    head = '{"capture": 1, "started": "2026-05-04T09:00:00+00:00", "driver": "lines"}\n'
    test = '{"t": %d, "mark": "test", "hookup": "neutral-ground", "lead_a": "A", "load_at": "A"}\n'
    path.write_text(head + test % 1 + '{"t": 2, "mark": "void"}\n' + test % 3)
    (only,) = recorded_tests(path)
    assert (only.begun_s, only.is_open) == (3.0, True)
    path.write_text("no capture\n" + test % 1)
    assert list(recorded_tests(path)) == []


def test_rows_taken_out_come_back_by_a_replay_and_spoilt_ones_are_not_doubled(
    tmp_path: Path, capture: Path
) -> None:
    log = tmp_path / "tests.csv"
    whole = replay_into(capture, tmp_path).rows
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join([*lines[:2], *lines[3:]]))
    assert replay_into(capture, tmp_path).added == 1
    data = log.read_bytes()
    log.write_bytes(data.replace(b"neutral-neutral", b"n-n", 1))
    again = replay_into(capture, tmp_path)
    assert (again.added, len(again.rows)) == (0, len(whole))


def test_a_log_older_than_the_ledger_is_known_by_its_rows_and_then_by_the_ledger(
    tmp_path: Path, capture: Path
) -> None:
    count = len(replay_into(capture, tmp_path).rows)
    before = (tmp_path / LOGGED_FILE).read_bytes()
    (tmp_path / LOGGED_FILE).unlink()
    assert replay_into(capture, tmp_path).added == 0
    assert (tmp_path / LOGGED_FILE).read_bytes() == before
    assert len(list(read_rows(tmp_path / "tests.csv"))) == count


def test_a_capture_that_cannot_be_kept_logs_nothing(tmp_path: Path, capture: Path) -> None:
    replay_into(capture, tmp_path / "job")
    with CapturesLog(read_job(tmp_path / "job")) as log:
        with pytest.raises(LogError, match="cannot be kept"):
            log.add(tmp_path / "gone.jsonl", [], [])
        assert log.count("visit.jsonl") > 0
        assert log.count("other.jsonl") == 0
