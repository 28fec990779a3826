import stat
from pathlib import Path

import pytest

from meterlink.show.report import (
    BROWSER_VARIABLE,
    BrowserError,
    draw_png,
    find_browser,
    print_pdf,
)


def stand_in(folder: Path, script: str) -> Path:
    """A program in the browser's place, which gets the browser's arguments."""
    path = folder / "browser"
    path.write_text(f"#!/bin/sh\n{script}\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


def test_without_a_browser_the_message_says_what_to_install_and_what_to_do_instead(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.delenv(BROWSER_VARIABLE, raising=False)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(BrowserError, match=r"Install the package 'chromium'.*print it.*--svg"):
        find_browser()


def test_a_named_browser_goes_before_those_on_the_path(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    named = stand_in(tmp_path, "exit 0")
    monkeypatch.setenv(BROWSER_VARIABLE, str(named))
    assert find_browser() == str(named)
    monkeypatch.setenv(BROWSER_VARIABLE, str(tmp_path / "nowhere"))
    with pytest.raises(BrowserError, match="nowhere"):
        find_browser()


def test_the_browser_is_asked_for_a_file_that_then_stands_in_its_place(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    script = """for word in "$@"; do case "$word" in
    --print-to-pdf=*) echo "$@" > "${word#*=}";; --screenshot=*) echo "$@" > "${word#*=}";;
    esac; done"""
    monkeypatch.setenv(BROWSER_VARIABLE, str(stand_in(tmp_path, script)))
    page = tmp_path / "a page.html"
    page.write_text("")
    print_pdf(page, tmp_path / "page.pdf")
    draw_png(page, tmp_path / "map.png", 320.0, 200.0)
    asked = (tmp_path / "page.pdf").read_text()
    assert "a%20page.html" in asked
    assert "--headless" in asked
    assert "--window-size=320,200" in (tmp_path / "map.png").read_text()


@pytest.mark.parametrize("script", ["exit 1", "exit 0"])
def test_a_browser_that_makes_no_file_is_an_error_with_a_way_out(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, script: str
) -> None:
    monkeypatch.setenv(BROWSER_VARIABLE, str(stand_in(tmp_path, script)))
    page = tmp_path / "page.html"
    page.write_text("")
    with pytest.raises(BrowserError, match="made no file"):
        print_pdf(page, tmp_path / "page.pdf")
    assert not (tmp_path / "page.pdf").exists()
