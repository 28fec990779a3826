"""The report as a browser and a printer see it. Needs Chromium, and pdftotext for the print."""

import base64
import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import write_job
from meterlink.show.report import render_report
from meterlink.tree.wiring import First, Point

from ..chromium import Chromium
from .maps import chain, known
from .test_report import HOSTILE, hostile_map

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no chromium on this machine")


@pytest.fixture(scope="module")
def browser() -> Iterator[Chromium]:
    assert BROWSER is not None
    with Chromium(BROWSER) as running:
        yield running


@pytest.mark.parametrize("width", [360, 1280])
def test_hostile_names_run_nothing_load_nothing_and_stick_out_nowhere(
    browser: Chromium, tmp_path: Path, width: int
) -> None:
    job = write_job(tmp_path, Circuit(HOSTILE[0], tuple(HOSTILE), volts=120, breaker_amps=15))
    page = tmp_path / "report.html"
    page.write_text(render_report(job, [], known(hostile_map())), encoding="utf-8")
    tab = browser.open(page.as_uri(), width=width)
    assert tab.complaints() == []
    assert tab.run("performance.getEntriesByType('resource').length") == 0
    assert tab.run("document.documentElement.scrollWidth") <= width
    assert tab.run("getComputedStyle(document.querySelector('.caution')).borderLeftWidth") == "6px"
    assert "<script>alert(1)</script>" in tab.text("#map + .map")


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext (poppler-utils)")
def test_the_printed_page_says_the_same(
    meterlink: Callable[..., Any], captures: Path, tmp_path: Path
) -> None:
    job = tmp_path / "job"
    meterlink("replay", captures / "circuit-111" / "visit.jsonl", "--job", job)
    done = meterlink("report", job, "--pdf", "--png")
    assert done.code == 0
    assert (job / "report-map.png").read_bytes().startswith(b"\x89PNG")
    text = subprocess.run(
        ["pdftotext", "-layout", job / "report.pdf", "-"], check=True, capture_output=True
    ).stdout.decode()
    assert "First after the panel: Shelf" in text
    assert "Signature" in text
    assert "Test 15" in text


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext (poppler-utils)")
@pytest.mark.parametrize("inches", [(8.27, 11.69), (8.5, 11.0)], ids=["A4", "Letter"])
def test_page_one_is_the_answer_with_the_whole_drawing_and_pages_have_numbers(
    browser: Chromium, tmp_path: Path, inches: tuple[float, float]
) -> None:
    names = tuple(f"Receptacle number {k}" for k in range(1, 13))
    feeds = ("panel", *names)
    points = tuple(
        Point(name, feed, 0.97, 30.0, 1.0, 3.6) for name, feed in zip(names, feeds, strict=False)
    )
    wiring_map = replace(chain(), points=points, first=First(names[0], 0.99))
    circuit = Circuit("Rooms", names, volts=120, breaker_amps=15, place="Lane 1", breaker="14")
    job = write_job(tmp_path, circuit)
    page = tmp_path / "report.html"
    page.write_text(render_report(job, [], known(wiring_map)), encoding="utf-8")
    wide, high = inches
    made = browser.open(page.as_uri()).call("Page.printToPDF", paperWidth=wide, paperHeight=high)
    pdf = tmp_path / "report.pdf"
    pdf.write_bytes(base64.b64decode(made["data"]))
    text = subprocess.run(
        ["pdftotext", "-layout", pdf, "-"], check=True, capture_output=True
    ).stdout.decode()
    pages = text.rstrip("\f").split("\f")
    first = pages[0]
    assert "one device at Receptacle number 1 covers all 12 receptacles" in " ".join(first.split())
    drawing = first[first.index("Map") :]
    assert all(re.search(rf"{name}\b", drawing) for name in names)
    for number, content in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in content
        assert len(content.split()) > 40
