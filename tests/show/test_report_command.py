from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from meterlink.show.report import BROWSER_VARIABLE

Meterlink = Callable[..., Any]


@pytest.fixture
def job(meterlink: Meterlink, captures: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "job"
    visit = captures / "circuit-111" / "visit.jsonl"
    assert meterlink("replay", visit, "--job", folder).code == 0
    return folder


def test_the_page_goes_into_the_job_and_its_path_to_standard_output(
    meterlink: Meterlink, job: Path
) -> None:
    done = meterlink("report", job)
    assert done.code == 0
    assert done.out == f"{job / 'report.html'}\n"
    assert "First after the panel: Shelf" in (job / "report.html").read_text(encoding="utf-8")


def test_two_runs_write_the_same_bytes(meterlink: Meterlink, job: Path, tmp_path: Path) -> None:
    pages = [tmp_path / "one.html", tmp_path / "two.html"]
    for page in pages:
        assert meterlink("report", job, "--out", page).code == 0
    assert pages[0].read_bytes() == pages[1].read_bytes()


def test_picture_and_label_stand_beside_the_page(
    meterlink: Meterlink, job: Path, tmp_path: Path
) -> None:
    done = meterlink("report", job, "--out", tmp_path / "hand.html", "--svg", "--label")
    assert done.out.splitlines() == [
        str(tmp_path / name)
        for name in ("hand.html", "hand-map.svg", "hand-label.txt", "hand-label.html")
    ]
    assert (tmp_path / "hand-map.svg").read_text(encoding="utf-8").startswith("<svg")
    assert "Shelf" in (tmp_path / "hand-label.txt").read_text(encoding="utf-8")


def test_without_a_browser_the_page_is_written_and_the_message_says_how_to_go_on(
    meterlink: Meterlink, job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(BROWSER_VARIABLE, "no-such-browser")
    done = meterlink("report", job, "--pdf")
    assert done.code == 1
    assert "no-such-browser" in done.err
    assert (job / "report.html").exists()


def test_a_job_that_is_not_there_is_an_error(meterlink: Meterlink, tmp_path: Path) -> None:
    done = meterlink("report", tmp_path / "nowhere")
    assert done.code == 1
    assert "nowhere" in done.err


def test_a_place_that_cannot_be_written_is_named(
    meterlink: Meterlink, job: Path, tmp_path: Path
) -> None:
    done = meterlink("report", job, "--out", tmp_path / "missing" / "page.html")
    assert done.code == 1
    assert "page.html cannot be written" in done.err
    assert "--out" in done.err


def test_reading_changes_nothing_in_the_job(meterlink: Meterlink, job: Path) -> None:
    before = {path: path.read_bytes() for path in job.rglob("*") if path.is_file()}
    assert meterlink("report", job).code == 0
    for path, content in before.items():
        assert path.read_bytes() == content


def test_help_has_an_example(meterlink: Meterlink) -> None:
    done = meterlink("report", "--help")
    assert done.code == 0
    assert "meterlink report upstairs" in done.out
