"""What is handed over: report and label as HTML that stands alone, and the files beside them.

All text reaches a page through the template's escaping, except the pictures, which are escaped
where they are made. The report runs no script and prints on A4 and Letter. The same job gives the
same page, byte for byte.
"""

import hashlib
import os
import shutil
import subprocess
import tempfile
from base64 import b64encode
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from meterlink import __version__
from meterlink.answers.protection import Protection, protect
from meterlink.answers.wirings import Known
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import Job
from meterlink.errors import MeterlinkError
from meterlink.files import write_durably
from meterlink.show.answers_text import protection_sentences
from meterlink.show.format import (
    LIKELY_FROM,
    NBSP,
    certainty,
    clean,
    isolated,
    length,
    percent,
    run_text,
    wrap,
)
from meterlink.show.layout import places
from meterlink.show.map_svg import draw_map, size_of
from meterlink.show.power_off import expected_word
from meterlink.show.report_content import assemble, moment
from meterlink.show.sentences import first_sentence, named, order_sentence, remarks
from meterlink.show.voltage_drop import against
from meterlink.testlog.columns import TestRow
from meterlink.tree.wiring import WiringMap

WIDTH = 44  # cells; a label of 90 mm in 9 point type


def label_text(
    circuit: Circuit,
    rows: Sequence[TestRow],
    wiring_map: WiringMap,
    protection: Protection | None = None,
    *,
    width: int = WIDTH,
) -> str:
    """Write the label; the way from the panel runs down, branches are set in.

    Args:
        circuit: Name, breaker, supply and wire.
        rows: The test log, for the date of the last test.
        wiring_map: What the tests say.
        protection: Where ground-fault devices go.
        width: Cells in a line, at least 20.
    """
    lines = [
        indent + isolated(line).replace(NBSP, " ")
        for indent, text in label_parts(circuit, rows, wiring_map, protection)
        for line in wrap(text, width - len(indent))
    ]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def label_parts(
    circuit: Circuit,
    rows: Sequence[TestRow],
    wiring_map: WiringMap,
    protection: Protection | None = None,
) -> Iterator[tuple[str, str]]:
    """Indents and texts, one each line; the first is the heading."""
    number = f"Breaker {clean(circuit.breaker)}: " if circuit.breaker else ""
    yield "", number + clean(circuit.name)
    supply = [
        f"{value:g} {unit}"
        for value, unit in ((circuit.breaker_amps, "A"), (circuit.volts, "V"))
        if value is not None
    ]
    if circuit.conductor:
        supply.append(clean(circuit.conductor))
    if supply:
        yield "", ", ".join(supply)
    if protection is not None:
        for sentence in protection_sentences(protection, wiring_map.tests):
            yield "", sentence
    yield "", first_sentence(wiring_map)
    for place in places(wiring_map):
        indent = "  " * place.lane
        name = "panel" if place.point is None else clean(place.point.name)
        yield (f"{indent[:-2]}> " if place.branches else indent), name
    yield "", order_sentence(wiring_map)
    for joint in wiring_map.poor_joints:
        if joint.probability >= LIKELY_FROM:
            yield "", f"Poor connection likely: run to {named(joint.run_to)}, {joint.side} side"
    if rows:
        yield "", f"Last test {max(row.time for row in rows).date().isoformat()}"


def render_report(job: Job, rows: Sequence[TestRow], known: Known, *, dated: str = "") -> str:
    """Make the page.

    Args:
        job: The job folder; its captures are read for the plots, its files for their digests.
        rows: The test log.
        known: What the tests say.
        dated: A date to print on it, from outside: the page itself reads no clock.

    Raises:
        OSError: A file of the job cannot be read.
        ValueError: The map is no tree from the panel.
    """
    page = assemble(job, rows, known, dated=dated)
    return _rendered("report.html", page=page)


def render_label(
    circuit: Circuit, rows: Sequence[TestRow], wiring_map: WiringMap, protection: Protection
) -> str:
    """The label for the panel door as a page to print: twice, one to keep."""
    heading, *lines = label_parts(circuit, rows, wiring_map, protection)
    return _rendered("label.html", heading=heading[1], lines=lines, version=__version__)


def _rendered(template: str, **content: object) -> str:
    """A page of our own templates, with the style sheet and the digest that admits it alone."""
    environment = Environment(
        loader=PackageLoader("meterlink.show"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        certainty=certainty,
        percent=percent,
        clean=clean,
        moment=moment,
        against=against,
        remarks=remarks,
        expected_word=expected_word,
    )
    environment.globals.update(run_text=run_text, length=length)
    trusted = Markup(_style())  # noqa: S704 (the package's own file; nothing of a job is in it)
    return environment.get_template(template).render(
        style=trusted, style_digest=style_digest(), **content
    )


def style_digest() -> str:
    """SHA-256 of the report's style, as a content security policy names it."""
    return b64encode(hashlib.sha256(_style().encode()).digest()).decode()


def _style() -> str:
    css = files("meterlink.show") / "templates" / "report.css"
    return css.read_text(encoding="utf-8").rstrip("\n")


BROWSERS = ("chromium", "chromium-browser")  # names of the open-source browser on the usual systems
BROWSER_VARIABLE = "METERLINK_BROWSER"  # a path or name that goes before them
TIMEOUT_S = 60.0
_PIXELS_PER_UNIT = 2

_FLAGS = (
    "--headless",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
    "--hide-scrollbars",
)


class BrowserError(MeterlinkError):
    """There is no browser that can print or draw, or it failed."""


def print_pdf(page: Path, target: Path) -> None:
    """Print an HTML file.

    Raises:
        BrowserError: No browser, or it made no file in time.
    """
    _run(page, target, "--no-pdf-header-footer", option="--print-to-pdf")


def draw_png(picture: Path, target: Path, width: float, height: float) -> None:
    """Draw an SVG file in twice its size.

    Args:
        picture: The SVG file.
        target: The PNG file to make.
        width: Of the picture, in its units.
        height: The same.

    Raises:
        BrowserError: No browser, or it made no file in time.
    """
    size = f"--window-size={round(width)},{round(height)}"
    _run(
        picture,
        target,
        size,
        f"--force-device-scale-factor={_PIXELS_PER_UNIT}",
        option="--screenshot",
    )


def find_browser() -> str:
    """Path of the browser.

    Raises:
        BrowserError: There is none.
    """
    wanted = os.environ.get(BROWSER_VARIABLE)
    for name in (wanted,) if wanted else BROWSERS:
        if (path := shutil.which(name)) is not None:
            return path
    tried = wanted or ", ".join(BROWSERS)
    raise BrowserError(
        f"PDF and PNG need a headless Chromium; none was found (tried {tried}). Install the "
        f"package 'chromium', or name one in {BROWSER_VARIABLE}. Without it: open the HTML page in "
        "any browser and print it, and use --svg for the picture."
    )


def _run(source: Path, target: Path, *flags: str, option: str) -> None:
    """Let the browser write a file beside the target, then move it there."""
    browser = find_browser()
    sandbox = ("--no-sandbox",) if _is_root() else ()  # it refuses to start for root otherwise
    with tempfile.TemporaryDirectory(prefix="meterlink-", ignore_cleanup_errors=True) as scratch:
        made = Path(scratch) / f"made{target.suffix}"
        command = [
            browser,
            *_FLAGS,
            *sandbox,
            *flags,
            f"--user-data-dir={scratch}/profile",
            f"{option}={made}",
            source.resolve().as_uri(),
        ]
        try:
            subprocess.run(  # noqa: S603 (a browser found on the PATH, arguments of our own)
                command, check=False, capture_output=True, timeout=TIMEOUT_S
            )
        except subprocess.TimeoutExpired as error:
            raise BrowserError(
                f"{browser} did not finish {target} within {TIMEOUT_S:g} s. Try again, or print "
                f"{source} from a browser."
            ) from error
        except OSError as error:
            raise BrowserError(f"{browser} cannot be started: {error.strerror}.") from error
        if not made.is_file():
            raise BrowserError(
                f"{browser} made no file for {target}. Open {source} in a browser and print it."
            )
        _place(made, target)


def _place(made: Path, target: Path) -> None:
    try:
        shutil.move(made, target)
    except OSError as error:
        raise BrowserError(f"{target} cannot be written: {error.strerror or error}.") from error


def _is_root() -> bool:
    return hasattr(os, "geteuid") and os.geteuid() == 0


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
