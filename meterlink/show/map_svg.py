"""The map as a picture, for the report and for the panel door.

As in the terminal the way runs down from the panel, in the lanes of ``meterlink.show.layout``. The
run that feeds a point is the line into its sign, with resistance, length and certainty beside it.
A dashed line is a feed that is not settled yet.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from unicodedata import east_asian_width
from xml.etree.ElementTree import Element, fromstring

from meterlink.show.findings import first_sentence, named, order_sentence
from meterlink.show.layout import Place, places
from meterlink.show.remarks import POOR, Remark, remarks
from meterlink.show.svg import ALERT, FAINT, INK, PAPER, add, markup, picture
from meterlink.show.text_width import clean, isolated, wrap
from meterlink.show.words import (
    NBSP,
    SETTLED_FROM,
    certainty,
    counted,
    length,
    percent,
    with_uncertainty,
)
from meterlink.tree.wiring import PANEL, Point, PoorJoint, Splice, WiringMap

LEAST_WIDTH = 320.0
_LANE, _LEFT, _TEXT_GAP = 30.0, 22.0, 18.0
_NAME_LINE, _SMALL_LINE, _ROW_GAP = 19.0, 16.0, 12.0
_NAME_CELLS = 40  # of 15 px; the widest letters take 15 px each and still fit
_SMALL_CELLS = 78


@dataclass(frozen=True, slots=True)
class _Row:
    """A point with its texts and where it stands."""

    place: Place
    top: float
    sign_y: float
    bottom: float
    run: tuple[str, ...]
    names: tuple[str, ...]
    remarks: tuple[Remark, ...]
    poor: bool

    @property
    def name(self) -> str:
        """Name of the point."""
        return self.place.point.name if self.place.point else PANEL

    @property
    def text_px(self) -> float:
        """Room that its texts need."""
        small = [*self.run, *(remark.text for remark in self.remarks)]
        return max(
            *(_text_px(line, 15, bold=True) for line in self.names),
            *(_text_px(line, 12, bold=True) for line in [*small, ""]),
        )


def draw_map(wiring_map: WiringMap, *, identity: str = "map", heading: str = "") -> str:
    """Draw the map as SVG.

    Args:
        wiring_map: What the tests say.
        identity: Prefix of element ids, unique in the page.
        heading: Printed on top, where the picture is to stand alone.

    Raises:
        ValueError: The map is no tree from the panel.
    """
    top = 14.0
    headlines = [*wrap(clean(heading), 60), *_answers(wiring_map)] if heading else []
    top += 22.0 * len(headlines)
    rows = list(_rows(wiring_map, top))
    height = rows[-1].bottom
    text_x = _LEFT + _LANE * max(row.place.lane for row in rows) + _TEXT_GAP
    width = max(
        LEAST_WIDTH,
        *(_LEFT + _text_px(line, 18, bold=True) for line in headlines[:1]),
        *(_LEFT + _text_px(line, 15, bold=False) for line in headlines[1:]),
        *(text_x + row.text_px for row in rows),
    )
    title = f"Map of the wiring: {counted_points(wiring_map)}"
    root = picture(identity, width, height, title, description(wiring_map))
    add(root, "rect", x=0, y=0, width=width, height=height, fill=PAPER)
    for number, line in enumerate(headlines):
        _text(root, _LEFT - 10, 20 + 22 * number, line, size=15 if number else 18, bold=number == 0)
    by_name = {row.name: row for row in rows}
    for row in rows:
        if row.place.point is not None:
            _line(root, row, by_name[row.place.point.fed_from])
    for row in rows:
        _sign(root, row, untested=row.name in wiring_map.untested)
        _texts(root, row, text_x)
    return markup(root)


def size_of(picture: str) -> tuple[float, float]:
    """Width and height of a drawn map, in its units."""
    _, _, width, height = fromstring(picture).attrib["viewBox"].split()  # noqa: S314 (our own)
    return float(width), float(height)


def counted_points(wiring_map: WiringMap) -> str:
    """How many points the map has, in words."""
    splices = len(wiring_map.splices)
    return counted(len(wiring_map.points), "receptacle") + (
        f", {counted(splices, 'splice')}" if splices else ""
    )


def description(wiring_map: WiringMap) -> str:
    """The picture in words: every feed, from the panel down."""
    feeds = [
        f"{named(point.name)} is untested"
        if point.name in wiring_map.untested
        else f"{named(point.name)} is fed from {named(point.fed_from)}"
        for place in places(wiring_map)
        if (point := place.point) is not None
    ]
    return f"{first_sentence(wiring_map)}. {'; '.join(feeds)}."


def _answers(wiring_map: WiringMap) -> Iterator[str]:
    yield from wrap(first_sentence(wiring_map), 80)
    yield from wrap(order_sentence(wiring_map), 80)


def _rows(wiring_map: WiringMap, top: float) -> Iterator[_Row]:
    joints: dict[str, list[PoorJoint]] = {}
    for joint in wiring_map.poor_joints:
        joints.setdefault(joint.run_to, []).append(joint)
    untested = frozenset(wiring_map.untested)
    for place in places(wiring_map):
        point = place.point
        run = () if point is None else tuple(wrap(_run(point, untested), _SMALL_CELLS))
        name = "Panel" if point is None else clean(point.name)
        names = tuple(wrap(name, _NAME_CELLS))
        found = tuple(
            Remark(line, remark.alert)
            for remark in _remarks(point, joints)
            for line in wrap(remark.text, _SMALL_CELLS)
            if remark.text not in run
        )
        sign_y = top + _SMALL_LINE * len(run) + _NAME_LINE / 2
        bottom = top + _SMALL_LINE * (len(run) + len(found)) + _NAME_LINE * len(names) + _ROW_GAP
        poor = point is not None and (point.name in joints or not POOR.isdisjoint(point.flags))
        yield _Row(place, top, sign_y, bottom, run, names, found, poor)
        top = bottom


def _run(point: Point | Splice, untested: frozenset[str]) -> str:
    if point.name in untested:
        return "untested"
    parts = [f"{with_uncertainty(point.run_mohm, point.run_u_mohm)}{NBSP}mΩ"]
    if long := length(point.run_m, point.run_mohm, point.run_u_mohm):
        parts.append(f"about {long}")
    parts.append(f"{certainty(point.probability)} {percent(point.probability)}")
    return " · ".join(parts)


def _remarks(
    point: Point | Splice | None, joints: Mapping[str, list[PoorJoint]]
) -> Iterator[Remark]:
    if point is None:
        return
    if isinstance(point, Splice):
        yield Remark("joint without a receptacle", alert=False)
    for joint in joints.get(point.name, ()):
        heat = "" if joint.heat_w is None else f", {joint.heat_w:.1f}{NBSP}W at the load"
        excess = with_uncertainty(joint.excess_mohm, joint.excess_u_mohm)
        yield Remark(f"poor joint, {joint.side} side: {excess}{NBSP}mΩ too much{heat}", alert=True)
    skipped = POOR if point.name in joints else frozenset()
    yield from remarks([flag for flag in point.flags if flag not in skipped])


def _text_px(text: str, size: float, *, bold: bool) -> float:
    """Room for a text in any usual sans-serif face; rather too much than too little."""
    ems = sum(
        1.05
        if east_asian_width(char) in "WF"
        else 1.0
        if char in "WM@%mw"
        else 0.75
        if char.isupper()
        else 0.62
        for char in text
    )
    return size * (ems * (1.05 if bold else 1.0) + 1)


def _x(lane: int) -> float:
    return _LEFT + _LANE * lane


def _line(root: Element, row: _Row, feed: _Row) -> None:
    """The run into a point: straight down its lane, or off the feed's lane and into its own.

    What branches off runs beside the feed's lane first, so that a run with a poor joint in that
    lane is not mistaken for a part of it.
    """
    point = row.place.point
    if point is None:
        return
    x, x0 = _x(row.place.lane), _x(feed.place.lane)
    path = f"M{x:g} {feed.sign_y:g}V{row.sign_y:g}"
    if x != x0:
        beside_x, y = x0 + 5, row.top + 4
        trunk = f"M{beside_x:g} {feed.sign_y:g}V{y - 5:g}"
        add(root, "path", d=trunk, fill="none", stroke=INK, stroke_width=1.4)
        path = (
            f"M{beside_x:g} {y - 6:g}Q{beside_x:g} {y:g} {beside_x + 6:g} {y:g}"
            f"H{x - 6:g}Q{x:g} {y:g} {x:g} {y + 6:g}V{row.sign_y:g}"
        )
    dashes = {} if point.probability >= SETTLED_FROM else {"stroke_dasharray": "5 4"}
    colour, width = (ALERT, 4.0) if row.poor else (INK, 2.2)
    add(root, "path", d=path, fill="none", stroke=colour, stroke_width=width, **dashes)


def _sign(root: Element, row: _Row, *, untested: bool) -> None:
    """Square: panel. Disc: receptacle, hollow while untested. Diamond: splice."""
    x, y = _x(row.place.lane), row.sign_y
    point = row.place.point
    if point is None:
        add(root, "rect", x=x - 8, y=y - 8, width=16, height=16, fill=INK)
    elif isinstance(point, Splice):
        d = f"M{x:g} {y - 8:g}L{x + 8:g} {y:g}L{x:g} {y + 8:g}L{x - 8:g} {y:g}Z"
        add(root, "path", d=d, fill=PAPER, stroke=INK, stroke_width=2.2)
    else:
        fill = PAPER if untested else INK
        add(root, "circle", cx=x, cy=y, r=6.5, fill=fill, stroke=INK, stroke_width=2.2)


def _texts(root: Element, row: _Row, x: float) -> None:
    y = row.top
    for line in row.run:
        y += _SMALL_LINE
        _text(root, x, y - 4, line, size=12, fill=FAINT)
    for line in row.names:
        y += _NAME_LINE
        _text(root, x, y - 4.5, line, size=15, bold=True)
    for remark in row.remarks:
        y += _SMALL_LINE
        text = f"! {remark.text}" if remark.alert else remark.text
        fill = ALERT if remark.alert else FAINT
        _text(root, x, y - 4, text, size=12, fill=fill, bold=remark.alert)


def _text(
    root: Element, x: float, y: float, text: str, *, size: int, fill: str = INK, bold: bool = False
) -> None:
    weight = {"font_weight": "600"} if bold else {}
    add(root, "text", isolated(text), x=x, y=y, font_size=size, fill=fill, **weight)
