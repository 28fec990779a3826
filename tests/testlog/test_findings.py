import os
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from filelock import FileLock
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from strategies import awkward_text

from meterlink.errors import LogError
from meterlink.testlog.findings import (
    FINDINGS_FILE,
    Cut,
    Finding,
    State,
    append_findings,
    read_findings,
)

ONE = Finding(
    1, datetime(2026, 3, 2, 9, 14, 5, tzinfo=UTC), Cut.DISCONNECTED, "Door", "Desk", State.DEAD
)

names = awkward_text.filter(bool)
findings = st.builds(
    Finding,
    number=st.just(0),
    time=st.datetimes(timezones=st.just(UTC)).map(lambda t: t.replace(microsecond=0)),
    cut=st.just(Cut.DISCONNECTED),
    at=names,
    receptacle=names,
    state=st.sampled_from(State),
    note=awkward_text,
)


def silent(text: str) -> None:
    raise AssertionError(text)


@given(st.lists(findings, min_size=1, max_size=4))
@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_what_is_written_is_read_back_whatever_the_names(
    tmp_path: Path, some: list[Finding]
) -> None:
    (tmp_path / FINDINGS_FILE).unlink(missing_ok=True)
    written = append_findings(tmp_path, some)
    assert [f.number for f in written] == list(range(1, len(some) + 1))
    assert read_findings(tmp_path, silent) == written


@given(st.binary(max_size=300))
@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_no_bytes_end_in_anything_but_findings_or_a_log_error(tmp_path: Path, data: bytes) -> None:
    (tmp_path / FINDINGS_FILE).write_bytes(data)
    try:
        found = read_findings(tmp_path, lambda _: None)
    except LogError:
        return
    assert all(isinstance(finding, Finding) for finding in found)


def test_no_file_is_no_findings(tmp_path: Path) -> None:
    assert read_findings(tmp_path, silent) == []


def test_a_half_row_is_left_out_by_readers_and_kept_aside_by_the_next_writer(
    tmp_path: Path,
) -> None:
    append_findings(tmp_path, [ONE])
    path = tmp_path / FINDINGS_FILE
    whole = path.read_bytes()
    path.write_bytes(whole + b"2,2026-03-02T09:1")
    told: list[str] = []
    assert read_findings(tmp_path, told.append) == [ONE]
    assert "line 3" in told[0]
    append_findings(tmp_path, [replace(ONE, receptacle="Bed")])
    assert [f.receptacle for f in read_findings(tmp_path, silent)] == ["Desk", "Bed"]
    assert path.with_name("isolation.csv.torn").read_bytes() == b"2,2026-03-02T09:1\n"


def test_a_second_writer_is_refused(tmp_path: Path) -> None:
    with FileLock(tmp_path / f".{FINDINGS_FILE}.lock"), pytest.raises(LogError, match="another"):
        append_findings(tmp_path, [ONE])


def test_a_file_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / FINDINGS_FILE).mkdir()
    with pytest.raises(LogError, match="cannot be written"):
        append_findings(tmp_path, [ONE])


@pytest.mark.parametrize(
    "line",
    [
        "x,2026-03-02T09:14:05+00:00,parted,Door,Desk,dead,",
        "1,2026-03-02T09:14:05,parted,Door,Desk,dead,",
        "1,2026-03-02T09:14:05+00:00,sawn,Door,Desk,dead,",
        "1,2026-03-02T09:14:05+00:00,parted,,Desk,dead,",
        "1,2026-03-02T09:14:05+00:00,breaker-off,Door,Desk,dead,",
        "1,2026-03-02T09:14:05+00:00,parted,Door,Desk,warm,",
        "1,2026-03-02T09:14:05+00:00,parted,Door,Desk",
    ],
)
def test_a_row_that_is_no_finding_is_told_and_left_out(tmp_path: Path, line: str) -> None:
    header = "finding,time,cut,at,receptacle,found,note"
    (tmp_path / FINDINGS_FILE).write_text(f"{header}\r\n{line}\r\n", "utf-8")
    told: list[str] = []
    assert read_findings(tmp_path, told.append) == []
    assert "line 2" in told[0]


def test_a_file_that_is_no_log_of_findings_or_a_pipe_is_said(tmp_path: Path) -> None:
    path = tmp_path / FINDINGS_FILE
    path.write_bytes(b"rubbish\n" * 200)
    with pytest.raises(LogError, match="no log of findings"):
        read_findings(tmp_path, lambda _text: None)
    path.unlink()
    os.mkfifo(path)
    with pytest.raises(LogError, match="cannot be read: it is a pipe"):
        read_findings(tmp_path, silent)
    with pytest.raises(LogError, match="cannot be written: it is a pipe"):
        append_findings(tmp_path, [ONE])


def test_findings_end_at_a_bound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    append_findings(tmp_path, [ONE, ONE])
    monkeypatch.setattr("meterlink.testlog.findings.MOST_FINDINGS", 2)
    with pytest.raises(LogError, match="is full"):
        append_findings(tmp_path, [ONE])
    assert len(read_findings(tmp_path, silent)) == 2


def test_a_tail_too_long_for_half_a_row_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / FINDINGS_FILE
    monkeypatch.setattr("meterlink.testlog.findings.MOST_BYTES", 100)
    path.write_bytes(b"x" * 200)
    with pytest.raises(LogError, match="too long"):
        append_findings(tmp_path, [ONE])
    assert path.read_bytes() == b"x" * 200
