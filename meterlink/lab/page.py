"""The plot page: one HTML file that stands alone, with the look of the report.

All text goes through the template's escaping; pictures are escaped where they are made. The same
logs give the same page, byte for byte.
"""

import hashlib
from base64 import b64encode
from dataclasses import dataclass

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from meterlink import __version__
from meterlink.lab.series_words import group_lines
from meterlink.lab.strip_svg import draw_series
from meterlink.lab.study import Group, Study
from meterlink.lab.words import figure
from meterlink.show.text_width import clean

MAX_PLOTS = 60  # a page of more is read by nobody; the table has all series


@dataclass(frozen=True, slots=True)
class Card:
    """A series on the page: its name, its plot and what is to be said of it."""

    name: str
    picture: Markup
    lines: tuple[str, ...]


def render_page(study: Study) -> str:
    """Make the page.

    Args:
        study: The evaluation.
    """
    environment = Environment(
        loader=ChoiceLoader([PackageLoader("meterlink.lab"), PackageLoader("meterlink.show")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(clean=clean, figure=figure)
    style = environment.get_template("report.css").render()
    drawn = [group for group in study.groups if group.summary is not None]
    question = study.question
    return environment.get_template("trials.html").render(
        study=study,
        cards=[_card(group, study, k) for k, group in enumerate(drawn[:MAX_PLOTS], start=1)],
        left_out=max(0, len(drawn) - MAX_PLOTS),
        value=f"{question.value} per amp" if question.per_amp else question.value,
        unit=question.unit,
        style=Markup(style),  # noqa: S704 (the package's own file; nothing of the study is in it)
        digest=b64encode(hashlib.sha256(style.encode()).digest()).decode(),
        version=__version__,
    )


def _card(group: Group, study: Study, number: int) -> Card:
    svg = draw_series(group, study, f"series-{number}")
    lines = tuple(line.strip() for line in group_lines(group, study))[1:]  # the name is the heading
    return Card(group.name, Markup(svg), lines)  # noqa: S704 (ElementTree wrote it and escaped all text)
