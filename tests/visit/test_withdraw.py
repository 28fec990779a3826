"""A logged test that is known to be wrong can be taken back; it stays in the log."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from meterlink.testlog.withdrawn import WITHDRAWN_FILE, withdraw, withdrawn_tests

NOW = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)


@pytest.fixture
def job(tmp_path: Path, meterlink) -> Path:
    folder = tmp_path / "job"
    meterlink("start", folder, "--receptacle", "A", "--receptacle", "B", "--confirm-cautions")
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
    assert "taken back and left out: test 2" in answer.err
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


@pytest.mark.parametrize("torn", [b'{"test": 9', b"\xff\n", b"[1]\n", b'{"test": "4"}\n'])
def test_a_damaged_line_withdraws_nothing_and_the_next_one_counts(
    tmp_path: Path, torn: bytes
) -> None:
    (tmp_path / WITHDRAWN_FILE).write_bytes(torn)
    assert withdrawn_tests(tmp_path) == {}
    withdraw(tmp_path, 3, NOW, "wrong place")
    assert withdrawn_tests(tmp_path) == {3: "wrong place"}
