"""The files that are handed over: the page, and beside it its PDF, the map alone, the label."""

import os
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from meterlink.answers.protection import protect
from meterlink.answers.wirings import Known
from meterlink.circuit.job import Job
from meterlink.errors import MeterlinkError
from meterlink.files import write_durably
from meterlink.show.browser import draw_png, print_pdf
from meterlink.show.label import label_text
from meterlink.show.map_svg import draw_map, size_of
from meterlink.show.report import render_label, render_report
from meterlink.testlog.rows import TestRow


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be made besides the page."""

    pdf: bool = False
    svg: bool = False
    png: bool = False
    label: bool = False


def hand_over(
    job: Job,
    rows: Sequence[TestRow],
    known: Known,
    page: Path,
    *,
    wanted: Wanted,
    dated: str = "",
) -> Iterator[Path]:
    """Write the files; each path is given once its file is whole.

    Args:
        job: The job folder.
        rows: The test log.
        known: What the tests say.
        page: Where the HTML page goes; the others are named after it.
        wanted: What else.
        dated: A date to print on the page.

    Raises:
        MeterlinkError: A file cannot be read or written, or there is no browser for PDF or PNG.
    """
    try:
        text = render_report(job, rows, known, dated=dated)
    except OSError as error:
        raise MeterlinkError(
            f"{error.filename} cannot be read: {error.strerror}. No report was written."
        ) from error
    yield _written(page, text)
    wiring_map, protection = known.wiring_map, protect(known.wirings)
    picture = draw_map(wiring_map, protection, heading=job.circuit.name)
    if wanted.svg:
        yield _written(page.with_name(f"{page.stem}-map.svg"), picture)
    if wanted.label:
        target = page.with_name(f"{page.stem}-label.txt")
        yield _written(target, label_text(job.circuit, rows, wiring_map, protection))
        text = render_label(job.circuit, rows, wiring_map, protection)
        yield _written(page.with_name(f"{page.stem}-label.html"), text)
    if wanted.pdf:
        target = page.with_suffix(".pdf")
        print_pdf(page, target)
        yield target
    if wanted.png:
        target = page.with_name(f"{page.stem}-map.png")
        _draw(picture, target)
        yield target


def _draw(picture: str, target: Path) -> None:
    with tempfile.TemporaryDirectory(prefix="meterlink-") as scratch:
        source = Path(scratch) / "map.svg"
        source.write_text(picture, encoding="utf-8")
        draw_png(source, target, *size_of(picture))


def _written(path: Path, text: str) -> Path:
    try:
        write_durably(path, [text.encode("utf-8")])
    except OSError as error:
        reason = error.strerror or os.strerror(error.errno or 0)
        raise MeterlinkError(
            f"{path} cannot be written: {reason}. Give another place with --out."
        ) from error
    return path
