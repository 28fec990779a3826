"""The report: one HTML page that stands alone, prints on A4 and Letter, and runs no script.

All text reaches the page through the template's escaping, except the pictures, which are escaped
where they are made. The same job gives the same page, byte for byte.
"""

import hashlib
from base64 import b64encode
from collections.abc import Sequence

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from meterlink.circuit.job import Job
from meterlink.show.remarks import remarks
from meterlink.show.report_content import assemble, moment
from meterlink.show.text_width import clean
from meterlink.show.voltage_drop import against
from meterlink.show.words import certainty, length, percent, with_uncertainty
from meterlink.testlog.rows import TestRow
from meterlink.tree.wiring import WiringMap


def render_report(
    job: Job, rows: Sequence[TestRow], wiring_map: WiringMap, *, dated: str = ""
) -> str:
    """Make the page.

    Args:
        job: The job folder; its captures are read for the plots, its files for their digests.
        rows: The test log.
        wiring_map: What the tests say.
        dated: A date to print on it, from outside: the page itself reads no clock.

    Raises:
        OSError: A file of the job cannot be read.
        ValueError: The map is no tree from the panel.
    """
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
    )
    environment.globals.update(with_uncertainty=with_uncertainty, length=length)
    style = environment.get_template("report.css").render()
    digest = b64encode(hashlib.sha256(style.encode()).digest()).decode()
    page = assemble(job, rows, wiring_map, dated=dated)
    trusted = Markup(style)  # noqa: S704 (our own file)
    return environment.get_template("report.html").render(
        page=page, style=trusted, style_digest=digest
    )
