"""The report: one HTML page that stands alone, prints on A4 and Letter, and runs no script.

All text reaches the page through the template's escaping, except the pictures, which are escaped
where they are made. The same job gives the same page, byte for byte.
"""

import hashlib
from base64 import b64encode
from collections.abc import Sequence
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from meterlink import __version__
from meterlink.answers.protection import Protection
from meterlink.answers.wirings import Known
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import Job
from meterlink.show.format import certainty, length, percent, with_uncertainty
from meterlink.show.label import label_parts
from meterlink.show.power_off import expected_word
from meterlink.show.report_content import assemble, moment
from meterlink.show.sentences import remarks
from meterlink.show.text_width import clean
from meterlink.show.voltage_drop import against
from meterlink.testlog.rows import TestRow
from meterlink.tree.wiring import WiringMap


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
