"""Files that are whole or not there, and files that only grow."""

import errno
import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers import append_file
from meterlink.errors import LogError
from meterlink.files import (
    AppendFile,
    MovedFileError,
    append_json,
    json_lines,
    keep_torn,
    open_regular,
    write_durably,
    writing_alone,
)


def failing_after(count: int) -> object:
    """``os.write`` of a disk that takes so many bytes more."""
    left = [count]

    def write(handle: int, data: bytes) -> int:
        if not left[0]:
            raise OSError(errno.ENOSPC, "No space left on device")
        taken = real_write(handle, data[: left[0]])
        left[0] -= taken
        return taken

    real_write = os.write
    return write


def test_an_append_is_at_the_end_and_an_old_file_stays(tmp_path: Path) -> None:
    path = tmp_path / "grows"
    path.write_bytes(b"one\n")
    with AppendFile(path) as file:
        file.append_durably(b"two\n")
        assert file.size == 8
        assert file.read(4, 99) == b"two\n"
    assert path.read_bytes() == b"one\ntwo\n"


@pytest.mark.parametrize("room", range(4))
def test_an_append_that_does_not_fit_leaves_the_file_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, room: int
) -> None:
    with AppendFile(tmp_path / "grows") as file:
        file.append(b"one\n")
        monkeypatch.setattr(append_file.os, "write", failing_after(room))
        with pytest.raises(OSError, match="No space"):
            file.append(b"two\n")
    assert file.path.read_bytes() == b"one\n"


def test_an_append_that_does_not_reach_the_disk_is_taken_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(handle: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    with AppendFile(tmp_path / "grows") as file:
        file.append_durably(b"one\n")
        monkeypatch.setattr(append_file.os, "fsync", fails)
        with pytest.raises(OSError, match="Input/output"):
            file.append_durably(b"two\n")
    assert file.path.read_bytes() == b"one\n"


def replace_by_another(path: Path) -> None:
    path.with_suffix(".new").write_bytes(path.read_bytes())
    path.with_suffix(".new").replace(path)


MOVES = {
    "renamed": lambda path: path.rename(path.with_suffix(".old")),
    "deleted": Path.unlink,
    "replaced": replace_by_another,
    "its folder renamed": lambda path: path.parent.rename(path.parent.with_suffix(".old")),
}


@pytest.mark.parametrize("how", MOVES)
def test_a_file_that_was_moved_away_takes_no_append(tmp_path: Path, how: str) -> None:
    folder = tmp_path / "job"
    folder.mkdir()
    with AppendFile(folder / "grows") as file:
        file.append_durably(b"one\n")
        MOVES[how](file.path)
        with pytest.raises(MovedFileError, match="moved, deleted or replaced"):
            file.append_durably(b"two\n")
        assert file.size == 4


def test_a_file_that_is_put_back_takes_appends_again(tmp_path: Path) -> None:
    with AppendFile(tmp_path / "grows") as file:
        file.path.rename(tmp_path / "away")
        with pytest.raises(MovedFileError):
            file.check_place()
        (tmp_path / "away").rename(file.path)
        file.append_durably(b"one\n")
    assert file.path.read_bytes() == b"one\n"


@pytest.mark.parametrize("opened", [AppendFile, open_regular])
def test_a_pipe_or_folder_is_refused_at_once(tmp_path: Path, opened: object) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert callable(opened)
    with pytest.raises(OSError, match="pipe"):
        opened(tmp_path / "pipe")
    with pytest.raises(OSError, match=r"directory|not a file"):
        opened(tmp_path)


def test_a_new_file_is_never_an_old_one(tmp_path: Path) -> None:
    (tmp_path / "old").touch()
    with pytest.raises(FileExistsError):
        AppendFile(tmp_path / "old", new=True)


@pytest.mark.parametrize(
    ("before", "after"), [(b"", b""), (b"a\n", b"a\n"), (b"a", b"a\n"), (b"a\r", b"a\r\n")]
)
def test_half_a_line_is_ended(tmp_path: Path, before: bytes, after: bytes) -> None:
    (tmp_path / "lines").write_bytes(before)
    with AppendFile(tmp_path / "lines") as file:
        assert file.end_line() is (before != after)
    assert file.path.read_bytes() == after


def test_a_half_row_is_kept_beside_and_a_long_one_left(tmp_path: Path) -> None:
    (tmp_path / "rows").write_bytes(b"whole\nhalf")
    with AppendFile(tmp_path / "rows") as file:
        assert keep_torn(file, 6, most_bytes=3) is None
        assert file.size == 10
        assert keep_torn(file, 6, most_bytes=4) == (tmp_path / "rows.torn", 4)
    assert file.path.read_bytes() == b"whole\n"
    assert (tmp_path / "rows.torn").read_bytes() == b"half\n"


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=200), st.lists(st.integers(), max_size=3))
def test_entries_after_any_bytes_are_read_back(
    tmp_path: Path, rubbish: bytes, numbers: list[int]
) -> None:
    path = tmp_path / "lines.jsonl"
    path.write_bytes(rubbish)
    for number in numbers:
        append_json(path, {"number": number})
    found = [entry for _, entry in json_lines(path, most_bytes=10_000) if entry is not None]
    assert [entry.get("number") for entry in found][-len(numbers) or len(found) :] == numbers


def test_no_file_has_no_lines_and_too_long_a_one_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "lines.jsonl"
    assert list(json_lines(path, most_bytes=10)) == []
    path.write_bytes(b'{"a": 1}\n[1]\n\n')
    assert list(json_lines(path, most_bytes=20)) == [(1, {"a": 1}), (2, None)]
    with pytest.raises(OSError, match="longer than 10 bytes"):
        list(json_lines(path, most_bytes=10))


def test_one_writer_at_a_time(tmp_path: Path) -> None:
    with writing_alone(tmp_path / "file"):
        with pytest.raises(LogError, match="another meterlink"), writing_alone(tmp_path / "file"):
            pass
        with writing_alone(tmp_path / "other"):
            pass
    with writing_alone(tmp_path / "file"):
        pass


def test_a_file_is_replaced_as_a_whole_or_left(tmp_path: Path) -> None:
    path = tmp_path / "whole"
    write_durably(path, [b"one ", b"two"])
    assert path.read_bytes() == b"one two"
    assert path.stat().st_mode & 0o777 == 0o666 & ~_umask()

    def breaks() -> object:
        yield b"three"
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_durably(path, breaks())
    assert path.read_bytes() == b"one two"
    assert [entry.name for entry in tmp_path.iterdir()] == ["whole"]


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
