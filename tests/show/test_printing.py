"""PDF and PNG through a browser that is played: what it is told, and what happens if it fails."""

import subprocess
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from urllib.request import url2pathname

import pytest

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import Job, write_job
from meterlink.errors import MeterlinkError
from meterlink.show import report
from meterlink.show.map_svg import draw_map, size_of
from meterlink.show.report import (
    BROWSER_VARIABLE,
    BrowserError,
    Wanted,
    draw_png,
    find_browser,
    hand_over,
    print_pdf,
)

from .maps import chain, known


class PlayedBrowser:
    """Writes the file that it is told to, or fails in a way of its own."""

    def __init__(self, *, fails: Exception | None = None, makes: bool = True) -> None:
        self.fails = fails
        self.makes = makes
        self.commands: list[list[str]] = []
        self.sources: list[str] = []

    def run(self, command: list[str], **how: object) -> None:
        self.commands.append(command)
        assert how["timeout"] == report.TIMEOUT_S
        if self.fails is not None:
            raise self.fails
        source = url2pathname(command[-1].removeprefix("file://"))
        self.sources.append(Path(source).read_text("utf-8"))
        options = [word.partition("=") for word in command]
        target = next(to for name, _, to in options if name in ("--print-to-pdf", "--screenshot"))
        if self.makes:
            Path(target).write_bytes(b"made")


@pytest.fixture
def browser(monkeypatch) -> Callable[..., PlayedBrowser]:
    def play(**how: object) -> PlayedBrowser:
        played = PlayedBrowser(**how)
        monkeypatch.setattr(
            report,
            "subprocess",
            SimpleNamespace(run=played.run, TimeoutExpired=subprocess.TimeoutExpired),
        )
        monkeypatch.setattr(report, "find_browser", lambda: "/usr/bin/chromium")
        return played

    return play


@pytest.fixture
def page(tmp_path: Path) -> Path:
    path = tmp_path / "report 1.html"
    path.write_text("<!doctype html>", encoding="utf-8")
    return path


def test_a_page_is_printed_without_the_browsers_own_lines(browser, page: Path) -> None:
    played = browser()
    print_pdf(page, page.with_suffix(".pdf"))
    [command] = played.commands
    assert command[0] == "/usr/bin/chromium"
    assert "--headless" in command
    assert "--no-pdf-header-footer" in command
    assert command[-1].endswith("report%201.html")
    assert page.with_suffix(".pdf").read_bytes() == b"made"


def test_a_picture_is_drawn_in_its_own_size_twice_as_sharp(browser, tmp_path: Path) -> None:
    played = browser()
    source = tmp_path / "map.svg"
    source.write_text("<svg/>", encoding="utf-8")
    draw_png(source, tmp_path / "map.png", 640.4, 479.6)
    [command] = played.commands
    assert "--window-size=640,480" in command
    assert "--force-device-scale-factor=2" in command


@pytest.mark.parametrize("root", [True, False])
def test_only_root_goes_without_the_sandbox(browser, page: Path, monkeypatch, root: bool) -> None:
    monkeypatch.setattr(report, "_is_root", lambda: root)
    played = browser()
    print_pdf(page, page.with_suffix(".pdf"))
    assert ("--no-sandbox" in played.commands[0]) is root


def test_nothing_of_the_browser_is_left_behind(browser, page: Path) -> None:
    played = browser()
    print_pdf(page, page.with_suffix(".pdf"))
    [profile] = [word for word in played.commands[0] if word.startswith("--user-data-dir=")]
    assert not Path(profile.partition("=")[2]).parent.exists()
    assert sorted(path.name for path in page.parent.iterdir()) == ["report 1.html", "report 1.pdf"]


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ({"fails": subprocess.TimeoutExpired("x", 60)}, "did not finish"),
        ({"fails": PermissionError(13, "Permission denied")}, "cannot be started: Permission"),
        ({"makes": False}, "made no file for"),
    ],
)
def test_a_browser_that_fails_says_how_to_print_without_it(
    browser, page: Path, how: dict, words: str
) -> None:
    browser(**how)
    page.with_suffix(".pdf").write_bytes(b"old")
    with pytest.raises(BrowserError) as failed:
        print_pdf(page, page.with_suffix(".pdf"))
    assert words in str(failed.value)
    assert page.with_suffix(".pdf").read_bytes() == b"old"


def test_a_place_that_takes_no_file_is_named(browser, page: Path, tmp_path: Path) -> None:
    browser()
    with pytest.raises(BrowserError, match="cannot be written"):
        print_pdf(page, tmp_path / "nowhere" / "report.pdf")


def test_a_browser_that_is_named_goes_before_the_usual_ones(monkeypatch, tmp_path: Path) -> None:
    own = tmp_path / "my-browser"
    own.write_text("#!/bin/sh\n")
    own.chmod(0o755)
    monkeypatch.setenv(BROWSER_VARIABLE, str(own))
    assert find_browser() == str(own)
    monkeypatch.setenv(BROWSER_VARIABLE, "no-such-browser")
    with pytest.raises(BrowserError, match=r"tried no-such-browser"):
        find_browser()


def test_without_any_browser_the_message_names_what_to_install(monkeypatch, tmp_path: Path) -> None:
    monkeypatch.delenv(BROWSER_VARIABLE, raising=False)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(BrowserError) as failed:
        find_browser()
    assert "Install the package 'chromium'" in str(failed.value)
    assert "use --svg for the picture" in str(failed.value)


# everything that is handed over


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return write_job(tmp_path / "job", Circuit("Flat", ("Porch", "Attic", "Bed"), volts=120.0))


EVERYTHING = Wanted(pdf=True, svg=True, png=True, label=True)


def test_files_are_named_after_the_page_and_given_as_they_are_whole(browser, job: Job) -> None:
    played = browser()
    paths = []
    for path in hand_over(job, (), known(chain()), job.folder / "out.html", wanted=EVERYTHING):
        assert path.stat().st_size > 0
        paths.append(path.name)
    assert paths == [
        "out.html",
        "out-map.svg",
        "out-label.txt",
        "out-label.html",
        "out.pdf",
        "out-map.png",
    ]
    printed, drawn = played.sources
    assert printed == (job.folder / "out.html").read_text("utf-8")
    picture = (job.folder / "out-map.svg").read_text("utf-8")
    assert drawn == picture
    width, height = (round(x) for x in size_of(picture))
    assert f"--window-size={width},{height}" in played.commands[1]
    assert size_of(draw_map(chain(), None, heading="Flat"))[0] > 0


def test_what_was_whole_stays_where_the_browser_fails_later(browser, job: Job) -> None:
    browser(makes=False)
    made = hand_over(job, (), known(chain()), job.folder / "out.html", wanted=EVERYTHING)
    assert [next(made).name for _ in range(4)][-1] == "out-label.html"
    with pytest.raises(BrowserError):
        next(made)
    assert (job.folder / "out.html").exists()


def test_a_page_that_cannot_be_written_says_to_give_another_place(job: Job) -> None:
    made = hand_over(job, (), known(chain()), job.folder / "no" / "out.html", wanted=Wanted())
    with pytest.raises(MeterlinkError, match="Give another place with --out"):
        next(made)
