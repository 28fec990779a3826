"""The map as a picture, for the report and for the panel door; the elements of any picture.

As in the terminal the way runs down from the panel, in the lanes of ``meterlink.show.layout``, one
line a point: its name, then the run that feeds it. A dashed line is a feed that is not likely
enough yet; a ring marks where a ground-fault device goes.

Text and attributes are escaped by construction. Pictures stand alone as files and stand inline in
the report, so they carry no style sheet, no script and no link: presentation attributes only.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from unicodedata import east_asian_width
from xml.etree.ElementTree import Element, SubElement, tostring

from meterlink.answers.protection import Protection
from meterlink.show.answers_text import protection_sentences
from meterlink.show.format import (
    NBSP,
    clean,
    counted,
    isolated,
    length,
    percent,
    run_text,
    wrap,
)
from meterlink.show.layout import Place, is_ring_drawn, places
from meterlink.show.sentences import (
    Remark,
    first_sentence,
    is_device,
    named,
    order_sentence,
    point_remarks,
    round_trip,
)
from meterlink.tree.wiring import PANEL, Point, Splice, WiringMap

INK, FAINT, RULE, ALERT, ACCENT = "#1b1b1b", "#4a4a4a", "#8c8c8c", "#8f1d00", "#0b4f8a"
PAPER = "#ffffff"
FONT = "system-ui, 'Segoe UI', 'Noto Sans', 'Liberation Sans', sans-serif"


def picture(identity: str, width: float, height: float, title: str, description: str) -> Element:
    """Start a picture with its text alternative.

    Args:
        identity: Unique in the page; letters, digits and hyphens.
        width: In user units, which are CSS pixels.
        height: The same.
        title: What it is, in a few words. Clean text.
        description: What it shows, for who cannot see it. Clean text.
    """
    root = Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {number(width)} {number(height)}",
            "width": number(width),
            "height": number(height),
            "role": "img",
            "aria-labelledby": f"{identity}-title {identity}-desc",
            "font-family": FONT,
        },
    )
    SubElement(root, "title", {"id": f"{identity}-title"}).text = title
    SubElement(root, "desc", {"id": f"{identity}-desc"}).text = description
    return root


def add(parent: Element, tag: str, text: str | None = None, **attributes: str | float) -> Element:
    """Add an element; an underscore in an attribute's name stands for a hyphen."""
    named = {
        key.replace("_", "-"): value if isinstance(value, str) else number(value)
        for key, value in attributes.items()
    }
    element = SubElement(parent, tag, named)
    element.text = text
    return element


def number(value: float) -> str:
    """A coordinate to a tenth of a pixel."""
    return f"{value:.1f}".removesuffix(".0")


def markup(root: Element) -> str:
    """The picture as text."""
    return tostring(root, encoding="unicode")


LEAST_WIDTH = 320.0
SOLID_FROM = 0.95  # a feed is drawn as a whole line from the probability that counts as settled
_LANE, _LEFT, _TEXT_GAP, _COLUMN_GAP = 26.0, 20.0, 18.0, 14.0
_LINE, _SMALL_LINE = 23.0, 15.0
_NAME_CELLS, _SMALL_CELLS = 26, 66
_NARROW_CELLS = 20, 36  # the same on a phone
_NAME_PX, _SMALL_PX = 14.0, 12.0


@dataclass(frozen=True, slots=True)
class _Row:
    """A point with its texts and where it stands."""

    place: Place
    top: float
    names: tuple[str, ...]
    figures: tuple[str, str, str]
    remarks: tuple[Remark, ...]

    @property
    def name(self) -> str:
        """Name of the point."""
        return self.place.point.name if self.place.point else PANEL

    @property
    def sign_y(self) -> float:
        """Middle of the first line."""
        return self.top + _LINE / 2

    @property
    def bottom(self) -> float:
        """Where the next row begins."""
        small = len(self.names) - 1 + len(self.remarks)
        return self.top + _LINE + _SMALL_LINE * small + (3.0 if small else 0.0)


@dataclass(frozen=True, slots=True)
class _Columns:
    """Where names begin and where each figure ends or begins, across."""

    name: float
    resistance_end: float
    length_end: float
    sure: float
    width: float

    @classmethod
    def fitted(cls, rows: list[_Row]) -> "_Columns":
        """As wide as the widest text of each needs."""

        def widest(texts: Iterator[str], size: float) -> float:
            return max((_text_px(text, size) for text in texts if text), default=0.0)

        name = _LEFT + _LANE * max(row.place.lane for row in rows) + _TEXT_GAP
        names = widest((line for row in rows for line in row.names), _NAME_PX)
        remarks = widest((r.text for row in rows for r in row.remarks), _SMALL_PX)
        figures = [widest((row.figures[k] for row in rows), _SMALL_PX) for k in range(3)]
        resistance = name + names + _COLUMN_GAP + figures[0]
        long = resistance + (_COLUMN_GAP + figures[1] if figures[1] else 0.0)
        sure = long + _COLUMN_GAP
        width = max(sure + figures[2], name + remarks + _SMALL_PX) + 8
        return cls(name, resistance, long, sure, width)


def draw_map(
    wiring_map: WiringMap,
    protection: Protection | None = None,
    *,
    identity: str = "map",
    heading: str = "",
    narrow: bool = False,
) -> str:
    """Draw the map as SVG.

    Args:
        wiring_map: What the tests say.
        protection: Where ground-fault devices go.
        identity: Prefix of element ids, unique in the page.
        heading: Printed on top with the answers, where the picture is to stand alone.
        narrow: For a phone: without resistances and lengths.

    Raises:
        ValueError: The map is no tree from the panel.
    """
    headlines = [*wrap(clean(heading), 60), *_answers(wiring_map, protection)] if heading else []
    top = 6.0 + 21.0 * len(headlines)
    rows = list(_rows(wiring_map, protection, top, narrow=narrow))
    columns = _Columns.fitted(rows)
    height = rows[-1].bottom + 6
    width = max(
        LEAST_WIDTH,
        columns.width,
        *(_LEFT + _text_px(line, 18 - 4 * (k > 0)) for k, line in enumerate(headlines)),
    )
    title = f"Map of the wiring: {counted_points(wiring_map)}"
    root = picture(identity, width, height, title, description(wiring_map))
    add(root, "rect", x=0, y=0, width=width, height=height, fill=PAPER)
    for number, line in enumerate(headlines):
        y, size = 20 + 21 * number, 14 if number else 18
        _text(root, _LEFT - 10, y, line, size=size, bold=number == 0)
    by_name = {row.name: row for row in rows}
    for row in rows:
        if row.place.point is not None:
            _line(root, row, by_name[row.place.point.fed_from])
        if row.place.closes:
            start = next(r for r in by_name.values() if f"back to {r.name}" == row.name)
            _line_back(root, row, start)
    for row in rows:
        untested, device = row.name in wiring_map.untested, is_device(row.name, protection)
        _sign(root, row, untested=untested, device=device)
        _texts(root, row, columns)
    return markup(root)


def size_of(picture: str) -> tuple[float, float]:
    """Width and height of a drawn map, in its units."""
    _, _, width, height = picture.partition('viewBox="')[2].partition('"')[0].split()
    return float(width), float(height)


def counted_points(wiring_map: WiringMap) -> str:
    """How many points the map has, in words."""
    splices = len(wiring_map.splices)
    return counted(len(wiring_map.points), "receptacle") + (
        f", {counted(splices, 'splice')}" if splices else ""
    )


def description(wiring_map: WiringMap) -> str:
    """The picture in words: every feed, from the panel down."""
    ring = wiring_map.loop if is_ring_drawn(wiring_map) else None
    on_ring = ring.order if ring is not None else ()
    feeds = [
        f"{named(point.name)} is untested"
        if point.name in wiring_map.untested
        else f"{named(point.name)} is fed from {named(point.fed_from)}"
        for place in places(wiring_map)
        if (point := place.point) is not None and not (place.closes or point.name in on_ring)
    ]
    if ring is not None:
        feeds.append(f"a ring goes {round_trip(ring)}")
    return f"{first_sentence(wiring_map)}. {'; '.join(feeds)}."


def _answers(wiring_map: WiringMap, protection: Protection | None) -> Iterator[str]:
    sentences = protection_sentences(protection, wiring_map.tests) if protection else ()
    for sentence in (*sentences, first_sentence(wiring_map), order_sentence(wiring_map)):
        yield from wrap(sentence, 80)


def _rows(
    wiring_map: WiringMap, protection: Protection | None, top: float, *, narrow: bool
) -> Iterator[_Row]:
    name_cells, small_cells = _NARROW_CELLS if narrow else (_NAME_CELLS, _SMALL_CELLS)
    untested = frozenset(wiring_map.untested)
    for place in places(wiring_map):
        point = place.point
        names = wrap("Panel" if point is None else clean(point.name), name_cells)
        said = () if point is None else point_remarks(point, wiring_map, protection)
        small = [Remark(line, r.alert) for r in said for line in wrap(r.text, small_cells)]
        figures = _figures(point, untested)
        figures = ("", "", figures[2]) if narrow else figures
        row = _Row(place, top, tuple(names), figures, tuple(small))
        yield row
        top = row.bottom


def _figures(point: Point | Splice | None, untested: frozenset[str]) -> tuple[str, str, str]:
    """Resistance, length and certainty of the run that feeds a point; heads for the panel."""
    if point is None:
        return "run", "about", "sure"
    if point.name in untested:
        return "", "", "untested"
    return (
        f"{run_text(point.run_mohm, point.run_u_mohm)}{NBSP}mΩ",
        length(point.run_m, point.run_mohm, point.run_u_mohm),
        percent(point.probability),
    )


def _text_px(text: str, size: float) -> float:
    """Room for a text in any usual sans-serif face, bold too; rather too much than too little."""
    ems = sum(
        1.05
        if east_asian_width(char) in "WF"
        else 1.0
        if char in "WM@%mwΩ"
        else 0.75
        if char.isupper()
        else 0.6
        for char in text
    )
    return size * ems


def _x(lane: int) -> float:
    return _LEFT + _LANE * lane


def _line(root: Element, row: _Row, feed: _Row) -> None:
    """The run into a point: straight down its lane, or off the feed's lane and into its own.

    What branches off runs beside the feed's lane first, so that a run with a poor connection in
    that lane is not mistaken for a part of it.
    """
    point = row.place.point
    if point is None:
        return
    x, x0 = _x(row.place.lane), _x(feed.place.lane)
    end = row.sign_y - (8 if row.place.closes else 0)
    path = f"M{x:g} {feed.sign_y:g}V{end:g}"
    if x != x0:
        beside_x, y = x0 + 5, row.top + 3
        trunk = f"M{beside_x:g} {feed.sign_y:g}V{y - 5:g}"
        add(root, "path", d=trunk, fill="none", stroke=INK, stroke_width=1.4)
        path = (
            f"M{beside_x:g} {y - 6:g}Q{beside_x:g} {y:g} {beside_x + 6:g} {y:g}"
            f"H{x - 6:g}Q{x:g} {y:g} {x:g} {y + 6:g}V{row.sign_y:g}"
        )
    dashes = {} if point.probability >= SOLID_FROM else {"stroke_dasharray": "5 4"}
    poor = any(remark.alert and "poor" in remark.text for remark in row.remarks)
    colour, width = (ALERT, 4.0) if poor else (INK, 2.2)
    add(root, "path", d=path, fill="none", stroke=colour, stroke_width=width, **dashes)


def _line_back(root: Element, row: _Row, start: _Row) -> None:
    """The last run of a ring: round the corner, and up the lane of the place where it starts."""
    x, x0, y = _x(row.place.lane), _x(start.place.lane), row.sign_y
    path = (
        f"M{x:g} {y - 8:g}Q{x:g} {y:g} {x - 8:g} {y:g}H{x0 + 6:g}"
        f"Q{x0:g} {y:g} {x0:g} {y - 6:g}V{start.sign_y:g}"
    )
    add(root, "path", d=path, fill="none", stroke=INK, stroke_width=2.2)


def _sign(root: Element, row: _Row, *, untested: bool, device: bool) -> None:
    """Square: panel. Disc: receptacle, hollow while untested. Diamond: splice."""
    x, y = _x(row.place.lane), row.sign_y
    point = row.place.point
    if row.place.closes:
        return
    if point is None:
        add(root, "rect", x=x - 7, y=y - 7, width=14, height=14, fill=INK)
    elif isinstance(point, Splice):
        d = f"M{x:g} {y - 7:g}L{x + 7:g} {y:g}L{x:g} {y + 7:g}L{x - 7:g} {y:g}Z"
        add(root, "path", d=d, fill=PAPER, stroke=INK, stroke_width=2.2)
    else:
        fill = PAPER if untested else INK
        add(root, "circle", cx=x, cy=y, r=5.5, fill=fill, stroke=INK, stroke_width=2.2)
    if device:
        d = f"M{x - 9.5:g} {y:g}a9.5 9.5 0 1 0 19 0a9.5 9.5 0 1 0 -19 0"
        add(root, "path", d=d, fill="none", stroke=ACCENT, stroke_width=2.4)


def _texts(root: Element, row: _Row, columns: _Columns) -> None:
    y = row.sign_y + 5
    for number, line in enumerate(row.names):
        _text(root, columns.name, y + _SMALL_LINE * number, line, size=_NAME_PX, bold=True)
    resistance, long, sure = row.figures
    for x, text in ((columns.resistance_end, resistance), (columns.length_end, long)):
        if text:
            _text(root, x, y, text, size=_SMALL_PX, fill=FAINT, end=True)
    _text(root, columns.sure, y, sure, size=_SMALL_PX, fill=FAINT)
    y += _SMALL_LINE * (len(row.names) - 1)
    for remark in row.remarks:
        y += _SMALL_LINE
        text = f"! {remark.text}" if remark.alert else remark.text
        fill = ALERT if remark.alert else FAINT
        _text(root, columns.name, y, text, size=_SMALL_PX, fill=fill, bold=remark.alert)


def _text(
    root: Element,
    x: float,
    y: float,
    text: str,
    *,
    size: float,
    fill: str = INK,
    bold: bool = False,
    end: bool = False,
) -> None:
    more = {"font_weight": "600"} if bold else {}
    more |= {"text_anchor": "end"} if end else {}
    add(root, "text", isolated(text), x=x, y=y, font_size=size, fill=fill, **more)
