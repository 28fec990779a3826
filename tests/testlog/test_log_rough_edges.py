"""What people and table programs do to a log while it is in use, and before."""

import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from meterlink.circuit.setup import Verdict
from meterlink.errors import LogError
from meterlink.testlog.columns import COLUMNS, from_cells
from meterlink.testlog.log import TestLog
from meterlink.testlog.reader import read_rows
from meterlink.testlog.recorded import LOGGED_FILE, Ledger

from .test_columns import GOOD

ROW = from_cells(GOOD | {"drop_mV": "123.4", "note": "a"})
HEADER = ",".join(COLUMNS).encode() + b"\r\n"
ONE = b"1,2026-03-02T09:14:05+00:00,neutral-ground,Desk,,Bed,,,,,,,,,,,in-path,,,entered,,,x"
ONE += b"," * (len(COLUMNS) - 23)


def numbers(path: Path) -> list[int]:
    return [row.test for row in read_rows(path, lambda _problem: None)]


@pytest.mark.parametrize("blank", [b"\n", b"\r\n\r\n", b"\r", b"\n\n\r", b"\xef\xbb\xbf", b"\r\r"])
def test_a_log_of_blank_lines_gets_its_header_and_keeps_its_rows(
    tmp_path: Path, blank: bytes
) -> None:
    path = tmp_path / "tests.csv"
    path.write_bytes(blank)
    with TestLog(path) as log:
        log.append_all([ROW, ROW])
    assert numbers(path) == [1, 2]
    with TestLog(path) as log:
        assert log.problems == []


@pytest.mark.parametrize("end", [b"\r", b"\r\n\r", b"\r\n\n\r", b"\n\r"])
def test_a_log_that_ends_in_a_lone_return_keeps_new_rows(tmp_path: Path, end: bytes) -> None:
    path = tmp_path / "tests.csv"
    path.write_bytes(HEADER + ONE + end)
    with TestLog(path) as log:
        log.append(ROW)
    assert numbers(path) == [1, 2]


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.sampled_from([b"\r", b"\n", b'"', b",", b" ", b"x", ONE, b"\xff"]), max_size=8))
def test_a_row_that_was_appended_without_an_error_is_there(
    tmp_path: Path, pieces: list[bytes]
) -> None:
    path = tmp_path / "tests.csv"
    path.write_bytes(HEADER + ONE + b"\r\n" + b"".join(pieces))
    before = len(numbers(path))
    try:
        with TestLog(path) as log:
            row = log.append(ROW)
    except LogError:
        return
    rows = list(read_rows(path, lambda _problem: None))
    assert rows[-1] == row
    assert len(rows) >= before  # a quote closed by the end of the file may set a row free


def test_a_doubled_row_counts_once_and_is_named(tmp_path: Path) -> None:
    path = tmp_path / "tests.csv"
    path.write_bytes(HEADER + (ONE + b"\r\n") * 300)
    problems: list[object] = []
    assert [row.test for row in read_rows(path, problems.append)] == [1]
    assert len(problems) == 299
    assert "line 3: test 1 is there twice, and counts once" in str(problems[0])


def table_program_saves(path: Path) -> None:
    data = path.read_bytes()
    path.with_suffix(".tmp").write_bytes(data)
    path.with_suffix(".tmp").replace(path)


@pytest.mark.parametrize(
    "move",
    [
        Path.unlink,
        table_program_saves,
        lambda path: path.rename(path.with_suffix(".bak")),
        lambda path: path.parent.rename(path.parent.with_suffix(".bak")),
    ],
)
def test_a_log_that_is_moved_while_it_is_open_is_said_and_takes_no_row(
    tmp_path: Path, move: object
) -> None:
    path = tmp_path / "job" / "tests.csv"
    path.parent.mkdir()
    assert callable(move)
    with TestLog(path) as log:
        log.append(ROW)
        move(path)
        with pytest.raises(LogError, match="is not the file that was opened"):
            log.append(ROW)
        if path.exists():  # saved anew: the next row goes into what is there now
            assert log.append(ROW).test == 2
            assert numbers(path) == [1, 2]
        else:
            with pytest.raises(LogError, match="is not the file that was opened"):
                log.append(ROW)


def test_a_folder_that_is_put_back_takes_rows_again(tmp_path: Path) -> None:
    path = tmp_path / "job" / "tests.csv"
    path.parent.mkdir()
    with TestLog(path) as log:
        log.append(ROW)
        path.parent.rename(tmp_path / "away")
        with pytest.raises(LogError):
            log.append(ROW)
        (tmp_path / "away").rename(path.parent)
        assert log.append(ROW).test == 2
    with pytest.raises(LogError, match="is closed"):
        log.append(ROW)


def test_another_writer_in_the_new_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "tests.csv"
    with TestLog(path) as log:
        table_program_saves(path)
        with pytest.raises(LogError, match="not the file"):
            log.append(ROW)
        with TestLog(path), pytest.raises(LogError, match="another meterlink"):
            log.append(ROW)
        assert log.append(ROW).test == 1


@pytest.mark.parametrize("name", ["tests.csv", "withdrawn.jsonl", LOGGED_FILE])
def test_a_pipe_in_the_place_of_a_file_keeps_nobody_waiting(tmp_path: Path, name: str) -> None:
    os.mkfifo(tmp_path / name)
    with pytest.raises(LogError, match="pipe"), TestLog(tmp_path / "tests.csv") as log:
        log.append(ROW)


def test_a_link_stays_a_link_and_the_rows_go_where_it_leads(tmp_path: Path) -> None:
    path = tmp_path / "tests.csv"
    path.symlink_to(tmp_path / "elsewhere.csv")
    for _ in range(2):
        with TestLog(path) as log:
            log.append(ROW)
    assert path.is_symlink()
    assert numbers(tmp_path / "elsewhere.csv") == [1, 2]


def test_a_reader_of_a_pipe_is_not_kept_waiting(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "tests.csv")
    with pytest.raises(LogError, match="pipe"):
        list(read_rows(tmp_path / "tests.csv"))


@pytest.mark.parametrize(
    ("column", "cell"),
    [
        ("amps", "99999999"),
        ("amps", "-1"),
        ("amps", "nan"),
        ("idle_mV", "1e300"),
        ("on_mV", "-1e7"),
        ("drop_u_mV", "-0.1"),
        ("on_sd_mV", "-1"),
        ("limit_mV", "inf"),
        ("limit_mV", "-2"),
        ("idle_sd_mV", "1e9"),
        ("delta_mV", "1e9"),
        ("drop_mV", "-1e9"),
        ("after_mV", "2e6"),
        ("level_u_mV", "-1"),
        ("path_mohm", "1e12"),
        ("path_u_mohm", "-5"),
        ("time", "0001-01-01T00:00:00+00:00"),
    ],
)
def test_a_number_that_makes_no_sense_is_refused_with_its_row(
    tmp_path: Path, column: str, cell: str
) -> None:
    path = tmp_path / "tests.csv"
    cells = dict(zip(COLUMNS, ONE.decode().split(","), strict=True))
    spoilt = ",".join((cells | {"test": "2", column: cell}).values()).encode()
    path.write_bytes(HEADER + ONE + b"\r\n" + spoilt + b"\r\n")
    problems: list[object] = []
    assert [row.test for row in read_rows(path, problems.append)] == [1]
    assert f"line 3: {column} is '{cell}'; expected" in str(problems[0])


def test_a_measured_test_of_senseless_figures_is_logged_as_unclear_without_them(
    tmp_path: Path,
) -> None:
    path = tmp_path / "tests.csv"
    with TestLog(path) as log:
        log.append(replace(ROW, idle_mv=5e8, drop_u_mv=float("nan"), verdict=Verdict.IN_PATH))
    (row,) = read_rows(path)
    assert (row.idle_mv, row.drop_u_mv, row.verdict) == (None, None, Verdict.UNCLEAR)
    assert row.note == "a; no sensible figure: idle_mv, drop_u_mv"


def test_a_log_whose_numbers_are_used_up_says_so_and_takes_no_row(tmp_path: Path) -> None:
    path = tmp_path / "tests.csv"
    path.write_bytes(HEADER + ONE.replace(b"1,", b"999999999999,", 1) + b"\r\n")
    before = path.read_bytes()
    with TestLog(path) as log, pytest.raises(LogError, match="cannot hold this test: test is"):
        log.append(ROW)
    assert path.read_bytes() == before


def test_the_ledger_knows_a_test_whatever_became_of_its_row(tmp_path: Path) -> None:
    path = tmp_path / "tests.csv"
    with TestLog(path) as log:
        log.append_all([ROW, ROW], digests=["ab" * 32, None])
        assert log.number_of("ab" * 32) == 1
        assert log.number_of(None) is None
    with (tmp_path / LOGGED_FILE).open("ab") as stream:
        stream.write(b'{"test": true, "sha256": "cd"}\n{"test": 9, "sha256": 5}\n{"test": 3')
    path.write_bytes(HEADER)
    with TestLog(path) as log:
        assert log.number_of("ab" * 32) == 1
        assert log.has_number("ab" * 32)
        log.append(ROW, digest="ef" * 32)  # takes the number that is free again
        assert not log.has_number("ab" * 32)
    assert Ledger(path).number_of("ef" * 32) == 1


def test_a_row_is_logged_though_the_ledger_cannot_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(path: Path, *entries: object) -> None:
        raise OSError(28, "No space left on device")

    with TestLog(tmp_path / "tests.csv") as log:
        monkeypatch.setattr("meterlink.testlog.recorded.append_json", fails)
        assert log.append(ROW, digest="ab" * 32).test == 1
        assert "No space left" in log.remarks[0]
