"""A logged test that is known to be wrong can be removed; it stays in the log."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from testlog.test_columns import GOOD

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import write_job
from meterlink.errors import LogError
from meterlink.testlog.columns import from_cells
from meterlink.testlog.findings import (
    WITHDRAWN_FILE,
    left_out_text,
    withdraw,
    withdrawn_from,
    withdrawn_tests,
)
from meterlink.testlog.log import TestLog

ROW = from_cells(GOOD)
NOW = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)


@pytest.fixture
def job(tmp_path: Path, meterlink) -> Path:
    folder = tmp_path / "job"
    write_job(folder, Circuit(receptacles=("A", "B"), name="A and B"))
    for load, idle, on in (("A", 5, 900), ("B", 5, 1500)):
        ends = ("--lead-a", load, "--load-at", load, "--idle", idle, "--on", on)
        assert meterlink("enter", folder, "--hookup", "neutral-ground", *ends).code == 0
    return folder


def test_a_test_that_was_taken_back_counts_no_more_and_stays_in_the_log(
    job: Path, meterlink
) -> None:
    before = (job / "tests.csv").read_bytes()
    done = meterlink("withdraw", job, 2, "--why", "the load was at A")
    assert done.code == 0
    answer = meterlink("map", job, "--json")
    assert json.loads(answer.out)["tests"] == 1
    assert "removed and left out: test 2" in answer.err
    assert (job / "tests.csv").read_bytes() == before


def test_a_test_is_taken_back_once(job: Path, meterlink) -> None:
    meterlink("withdraw", job, 1)
    again = meterlink("withdraw", job, 1)
    assert again.code == 0
    assert "before" in again.err
    assert len((job / WITHDRAWN_FILE).read_text().splitlines()) == 1


@pytest.mark.parametrize("number", ["3", "0", "x"])
def test_a_test_that_is_not_there_is_wrong_usage(job: Path, meterlink, number: str) -> None:
    assert meterlink("withdraw", job, number).code == 2
    assert not (job / WITHDRAWN_FILE).exists()


@pytest.mark.parametrize(
    "torn",
    [b'{"test": 9', b"\xff\n", b"[1]\n", b'{"test": "4"}\n', b'{"test": true}\n', b'{"test": 0}\n'],
)
def test_a_damaged_line_withdraws_nothing_and_the_next_one_counts(
    tmp_path: Path, torn: bytes
) -> None:
    (tmp_path / WITHDRAWN_FILE).write_bytes(torn)
    told: list[str] = []
    assert withdrawn_tests(tmp_path, told.append) == {}
    assert "line 1" in told[0]
    withdraw(tmp_path, 3, NOW, "wrong place")
    assert withdrawn_tests(tmp_path) == {3: "wrong place"}


def test_the_number_of_a_test_that_was_taken_back_is_not_given_again(tmp_path: Path) -> None:
    path = tmp_path / "tests.csv"
    with TestLog(path) as log:
        log.append_all([ROW, ROW, ROW])
        before = path.read_bytes()
    withdraw(tmp_path, 3, NOW)
    withdraw(tmp_path, 5, NOW)
    path.write_bytes(before[: before[:-1].rindex(b"\n") + 1])  # row 3 is deleted by hand
    with TestLog(path) as log:
        assert log.next_test == 4
        assert [row.test for row in log.append_all([ROW, ROW])] == [4, 6]


def test_a_withdrawal_while_the_log_is_open_is_seen_by_the_next_row(tmp_path: Path) -> None:
    with TestLog(tmp_path / "tests.csv") as log:
        log.append(ROW)
        withdraw(tmp_path, 2, NOW)
        assert log.append(ROW).test == 3


def test_a_test_can_be_taken_back_where_another_row_cannot_be_read(job: Path, meterlink) -> None:
    with (job / "tests.csv").open("ab") as stream:
        stream.write(b"rubbish\r\n")
    done = meterlink("withdraw", job, 1)
    assert done.code == 0
    assert "line 4" in done.err
    assert withdrawn_tests(job) == {1: ""}


def test_a_record_that_cannot_be_read_or_written_is_said(tmp_path: Path) -> None:
    (tmp_path / WITHDRAWN_FILE).mkdir()
    with pytest.raises(LogError, match="cannot be read"):
        withdrawn_tests(tmp_path)
    with pytest.raises(LogError, match="The test still counts"):
        withdraw(tmp_path, 3, NOW)


def test_only_the_log_of_a_job_has_tests_taken_back_and_many_are_told_in_short(
    tmp_path: Path,
) -> None:
    withdraw(tmp_path, 3, NOW)
    assert withdrawn_from(tmp_path / "other.csv") == {}
    assert withdrawn_from(tmp_path / "tests.csv") == {3: ""}
    assert left_out_text("log", [3]).startswith("log: 1 test was removed and is left out: 3 (")
    assert "25 tests were removed and are left out: 1, 2, " in left_out_text("log", range(1, 26))
    assert "20 and 5 more" in left_out_text("log", range(1, 26))
