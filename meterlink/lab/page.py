"""The plot page: one HTML file that stands alone, with the look of the report.

All text goes through the template's escaping; pictures are escaped where they are made. The same
logs give the same page, byte for byte. A plot shows every value, the mean with its uncertainty, and
what stands apart.
"""

import hashlib
from base64 import b64encode
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from xml.etree.ElementTree import Element

import numpy as np
import numpy.typing as npt
from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from meterlink import __version__
from meterlink.lab.study import Group, Study
from meterlink.lab.uncertainty import figure
from meterlink.lab.wording import group_lines
from meterlink.levels.statistics import Floats
from meterlink.show.format import clean
from meterlink.show.map_svg import ACCENT, ALERT, FAINT, INK, PAPER, RULE, add, markup, picture

MAX_PLOTS = 60  # a page of more is read by nobody; the table has all series
WIDTH, HEIGHT = 640.0, 220.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 74.0, 628.0, 14.0, 176.0
MAX_POINTS = 400  # of one plot; a longer series is thinned, its extremes kept
_BAND = "#dbe7f3"  # text on it keeps a contrast above 4.5
_MARGIN = 0.08
_MOST_NAMES = 12  # of levels, along the axis
_NAME_CHARACTERS = 14


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


@dataclass(frozen=True, slots=True)
class _Scale:
    low: float
    high: float
    count: float

    def x(self, place: float) -> float:
        """Across, by place in the order of the plot."""
        return _LEFT + 10 + (_RIGHT - _LEFT - 20) * (place + 0.5) / self.count

    def y(self, value: float) -> float:
        """Down."""
        return _BOTTOM - (_BOTTOM - _TOP) * (value - self.low) / (self.high - self.low)


def draw_series(group: Group, study: Study, identity: str) -> str:
    """Draw a group as SVG: in the order taken, or level beside level where they are compared.

    Args:
        group: A group with at least one value.
        study: What it is part of.
        identity: Prefix of element ids, unique in the page.
    """
    values = group.series.value
    order = np.arange(values.size)
    if group.series.factors:
        order = np.lexsort(group.series.factors[::-1])  # by the first factor, then the second
    suspects = {one.place for one in group.suspects}
    shown = _thinned(values[order], {int(np.flatnonzero(order == place)[0]) for place in suspects})
    root = picture(identity, WIDTH, HEIGHT, f"Trials of {clean(group.name)}", _description(group))
    add(root, "rect", x=0, y=0, width=WIDTH, height=HEIGHT, fill=PAPER)
    scale = _scale(values, values.size)
    _axis(root, scale, study.question.unit)
    if group.series.factors:
        _levels(root, scale, group, order)
    else:
        _mean(root, scale, group)
    by_level: dict[int, list[tuple[float, float]]] = defaultdict(list)
    for place in shown:
        index = int(order[place])
        level = int(group.series.factors[1][index]) if len(group.series.factors) == 2 else 0
        x, y = scale.x(place), scale.y(float(values[index]))
        by_level[level].append((x, y))
        if index in suspects:
            _suspect(root, x, y, int(group.series.test[index]))
    for level, points in sorted(by_level.items()):
        _points(root, points, level)
    if len(shown) < values.size:
        text = f"{len(shown)} of {values.size} trials drawn"
        add(root, "text", text, x=_RIGHT, y=HEIGHT - 4, font_size=11, fill=FAINT, text_anchor="end")
    return markup(root)


def _description(group: Group) -> str:
    s = group.summary
    if s is None:
        return "No trial has a value."
    text = f"{s.n} trials, mean {figure(s.mean)}, {figure(s.lowest)} to {figure(s.highest)}."
    named = ", ".join(str(one.test) for one in group.suspects)
    return f"{text} Suspected outliers: tests {named}." if named else text


def _thinned(values: Floats, keep: set[int]) -> Sequence[int]:
    """Places to draw: all, or evenly spaced ones with the extremes and those to keep."""
    if values.size <= MAX_POINTS:
        return range(values.size)
    places = set(np.linspace(0, values.size - 1, MAX_POINTS).astype(int).tolist())
    places |= {int(values.argmin()), int(values.argmax()), *keep}
    return sorted(places)


def _scale(values: Floats, count: int) -> _Scale:
    low, high = float(values.min()), float(values.max())
    spare = _MARGIN * (high - low) or max(abs(high) * 0.01, 0.001)
    return _Scale(low - spare, high + spare, float(count))


def _axis(root: Element, scale: _Scale, unit: str) -> None:
    for share in (0.0, 0.5, 1.0):
        value = scale.low + share * (scale.high - scale.low)
        y = scale.y(value)
        add(root, "path", d=f"M{_LEFT:g} {y:.1f}H{_RIGHT:g}", stroke=RULE, stroke_width=0.5)
        text = f"{figure(value)} {unit}".strip()
        add(root, "text", text, x=_LEFT - 6, y=y + 4, font_size=11, fill=FAINT, text_anchor="end")


def _mean(root: Element, scale: _Scale, group: Group) -> None:
    """Mean, its expanded uncertainty as a band, the drift where it is one."""
    summary = group.summary
    if summary is None:
        return
    if summary.expanded is not None:
        half = summary.expanded.expanded
        top = scale.y(min(summary.mean + half, scale.high))
        bottom = scale.y(max(summary.mean - half, scale.low))
        add(root, "rect", x=_LEFT, y=top, width=_RIGHT - _LEFT, height=bottom - top, fill=_BAND)
    y = scale.y(summary.mean)
    add(root, "path", d=f"M{_LEFT:g} {y:.1f}H{_RIGHT:g}", stroke=ACCENT, stroke_width=1.6)
    drift = summary.drift
    if drift is not None and drift.significant:
        ends = (summary.mean - drift.change / 2, summary.mean + drift.change / 2)
        y0, y1 = (scale.y(min(max(end, scale.low), scale.high)) for end in ends)
        x0, x1 = scale.x(0), scale.x(scale.count - 1)
        line = f"M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}"
        add(root, "path", d=line, stroke=ALERT, stroke_width=1.6, stroke_dasharray="6 4")
    text = f"trial 1 to {summary.n}, in the order taken"
    add(root, "text", text, x=_LEFT, y=_BOTTOM + 20, font_size=11, fill=FAINT)


def _levels(root: Element, scale: _Scale, group: Group, order: npt.NDArray[np.intp]) -> None:
    """Each level of the first factor over its part of the axis, with its mean."""
    codes = group.series.factors[0][order]
    values = group.series.value[order]
    starts = [0, *(np.flatnonzero(np.diff(codes)) + 1).tolist(), codes.size]
    names = _short(group.comparison.levels[0]) if group.comparison is not None else ()
    for number, (start, end) in enumerate(pairwise(starts)):
        x0, x1 = scale.x(start - 0.4), scale.x(end - 0.6)
        y = scale.y(float(values[start:end].mean()))
        add(root, "path", d=f"M{x0:.1f} {y:.1f}H{x1:.1f}", stroke=ACCENT, stroke_width=2.4)
        if len(names) <= _MOST_NAMES:
            add(
                root,
                "text",
                names[number],
                x=(x0 + x1) / 2,
                y=_BOTTOM + 18 + 13 * (number % 2),
                font_size=11,
                fill=INK,
                text_anchor="middle",
            )


def _short(names: Sequence[str]) -> list[str]:
    """Names without what they all begin with, cut to fit beside each other."""
    words = [name.split(" ") for name in names]
    while len(words) > 1 and all(len(one) > 1 and one[0] == words[0][0] for one in words):
        words = [one[1:] for one in words]
    shown = [clean(" ".join(one)) for one in words]
    most = _NAME_CHARACTERS
    return [name if len(name) <= most else f"{name[: most - 1]}…" for name in shown]


#: Shapes tell the levels of the second factor apart, not colours.
_SHAPES = (
    "M{x:.1f} {y:.1f}m-2.6 0a2.6 2.6 0 1 0 5.2 0a2.6 2.6 0 1 0-5.2 0",
    "M{x:.1f} {y:.1f}m-2.4 -2.4h4.8v4.8h-4.8z",
    "M{x:.1f} {y:.1f}m0 -3.2l3 5.6h-6z",
    "M{x:.1f} {y:.1f}m0 -3.6l3.4 3.6l-3.4 3.6l-3.4 -3.6z",
    "M{x:.1f} {y:.1f}m-3 -3l6 6m0 -6l-6 6",
)


def _points(root: Element, points: Sequence[tuple[float, float]], level: int) -> None:
    """All points of a level as one path: a page of many plots stays small."""
    shape = _SHAPES[level % len(_SHAPES)]
    path = "".join(shape.format(x=x, y=y) for x, y in points)
    hollow = level % (2 * len(_SHAPES)) >= len(_SHAPES)
    add(root, "path", d=path, fill=PAPER if hollow else INK, stroke=INK, stroke_width=0.8)


def _suspect(root: Element, x: float, y: float, test: int) -> None:
    add(root, "circle", cx=x, cy=y, r=7, fill="none", stroke=ALERT, stroke_width=1.8)
    anchor, at = ("end", x - 10) if x > (_LEFT + _RIGHT) / 2 else ("start", x + 10)
    add(
        root,
        "text",
        f"test {test}",
        x=at,
        y=min(max(y + 4, _TOP + 8), _BOTTOM),
        font_size=11,
        fill=ALERT,
        text_anchor=anchor,
        stroke=PAPER,
        stroke_width=3,
        paint_order="stroke",
    )
