"""The report and the label for the panel door: HTML that stands alone and runs no script.

All text reaches the page through the template's escaping, except the pictures, which are escaped
where they are made. The report prints on A4 and Letter. The same job gives the same page, byte for
byte.
"""

import hashlib
from base64 import b64encode
from collections.abc import Iterator, Sequence
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from meterlink import __version__
from meterlink.answers.protection import Protection
from meterlink.answers.wirings import Known
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import Job
from meterlink.show.answers_text import protection_sentences
from meterlink.show.format import (
    LIKELY_FROM,
    NBSP,
    certainty,
    clean,
    isolated,
    length,
    percent,
    with_uncertainty,
    wrap,
)
from meterlink.show.layout import places
from meterlink.show.power_off import expected_word
from meterlink.show.report_content import assemble, moment
from meterlink.show.sentences import first_sentence, named, order_sentence, remarks
from meterlink.show.voltage_drop import against
from meterlink.testlog.rows import TestRow
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
    environment.globals.update(with_uncertainty=with_uncertainty, length=length)
    trusted = Markup(_style())  # noqa: S704 (our own file)
    return environment.get_template(template).render(
        style=trusted, style_digest=style_digest(), **content
    )


def style_digest() -> str:
    """SHA-256 of the report's style, as a content security policy names it."""
    return b64encode(hashlib.sha256(_style().encode()).digest()).decode()


def _style() -> str:
    css = files("meterlink.show") / "templates" / "report.css"
    return css.read_text(encoding="utf-8").rstrip("\n")
