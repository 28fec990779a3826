"""The map in the terminal: the answer, the tree from the panel down, then what to do.

The panel is the top line. Each point is fed by the point above it in its lane; the run that feeds
it stands on its own line, as resistance and as length. What branches off is drawn in a lane to the
right (``meterlink.show.layout``).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Self

from meterlink.answers.protection import Protection
from meterlink.show.answers_text import protection_sentences
from meterlink.show.format import (
    NBSP,
    certainty,
    clean,
    display_width,
    in_ascii,
    isolated,
    length,
    pad,
    pad_left,
    percent,
    run_text,
    wrap,
)
from meterlink.show.layout import Place, places
from meterlink.show.sentences import (
    Advice,
    advice_on,
    first_sentence,
    order_sentence,
    point_remarks,
)
from meterlink.tree.wiring import Point, Splice, WiringMap

NARROWEST = 24  # cells; less is drawn as if there were that many
_WORD_CELLS = 9  # the longest word of ``meterlink.show.format.certainty``
_SURE_CELLS = 9  # a blank and the longest percentage
_NAME_CELLS = 14  # a table with less room for names than this stands its figures below the names


@dataclass(frozen=True, slots=True)
class _Signs:
    """What the drawing is made of."""

    panel: str
    receptacle: str
    untested: str
    splice: str
    lane: str
    branch: str
    back: str
    end: str
    rule: str
    mark: str
    plus_minus: str
    mohm: str


_BOXES = _Signs("■", "●", "○", "◆", "│", "├─", "╰─", "╯", "─", "!", "±", "mΩ")
_ASCII = _Signs("#", "o", ".", "+", "|", "|-", "`-", "'", "-", "!", "+/-", "mohm")


@dataclass(frozen=True, slots=True)
class _Style:
    """Weights of type; they only repeat what words and signs say already."""

    strong: str = ""
    faint: str = ""
    alert: str = ""
    plain: str = ""


_COLOUR = _Style("\x1b[1m", "\x1b[2m", "\x1b[33m", "\x1b[0m")


@dataclass(frozen=True, slots=True)
class _Figures:
    """The run that feeds a point, in words; the panel's are the heads of the columns."""

    resistance: str
    length: str
    word: str
    sure: str

    def certainty(self) -> str:
        """Word and percentage in columns of their own."""
        return (
            pad(self.word, _WORD_CELLS) + pad_left(self.sure, _SURE_CELLS)
            if self.sure
            else self.word
        )

    def in_columns(self, columns: tuple[int, int]) -> str:
        """Figures flush right, words flush left."""
        resistance, length = (
            pad_left(self.resistance, columns[0]),
            pad_left(self.length, columns[1]),
        )
        return f"  {resistance}  {length}  {self.certainty()}"

    def in_a_row(self) -> str:
        """The same as a line of its own."""
        sure = NBSP.join(filter(None, (self.word, self.sure)))
        return "  ".join(filter(None, (self.resistance, self.length, sure)))


@dataclass(frozen=True, slots=True)
class _Shape:
    """Cells of the parts of a line; without ``columns`` the figures stand below the names."""

    gutter: int
    name_cells: int
    columns: tuple[int, int] | None

    @classmethod
    def fitted(cls, width: int, lanes: int, longest: int, rows: list[_Figures]) -> Self:
        """Columns where they leave room for names, else stacked."""
        gutter = 2 * lanes
        columns = (
            max(display_width(row.resistance) for row in rows),
            max(display_width(row.length) for row in rows),
        )
        beside = max(display_width(row.in_columns(columns)) for row in rows)
        room = width - gutter - beside
        if room < _NAME_CELLS:
            return cls(gutter, width - gutter, None)
        return cls(gutter, min(room, longest), columns)


def draw(
    wiring_map: WiringMap,
    protection: Protection | None = None,
    *,
    width: int,
    colour: bool = False,
    ascii_only: bool = False,
) -> str:
    """Draw the map for a terminal.

    Args:
        wiring_map: What the tests say.
        protection: Where ground-fault devices go; said first where it is given.
        width: Cells in a line; below 24 it is drawn for 24.
        colour: Use bold, faint and yellow type as well.
        ascii_only: Use nothing but ASCII; other characters of names become backslash escapes.

    Returns:
        Lines joined by line ends, without one at the end; no line is wider than ``width``. Names
        are shown whole, with control characters replaced.

    Raises:
        ValueError: The map is no tree from the panel.
    """
    sketch = _Drawing(
        wiring_map,
        protection,
        max(width, NARROWEST),
        _COLOUR if colour else _Style(),
        _ASCII if ascii_only else _BOXES,
        ascii_only,
    )
    return "\n".join(line.replace(NBSP, " ").rstrip() for line in sketch.lines())


class _Drawing:
    """One drawing in the making."""

    def __init__(
        self,
        wiring_map: WiringMap,
        protection: Protection | None,
        width: int,
        style: _Style,
        signs: _Signs,
        ascii_only: bool,
    ) -> None:
        self._map = wiring_map
        self._protection = protection
        self._width = width
        self._style = style
        self._signs = signs
        self._ascii_only = ascii_only
        self._untested = frozenset(wiring_map.untested)
        self._places = places(wiring_map)
        self._feeders = frozenset(
            place.point.fed_from for place in self._places if place.point is not None
        )

    def lines(self) -> Iterator[str]:
        """All lines, from the answer to what is left to do."""
        answer = self._protection
        sentences = protection_sentences(answer, self._map.tests) if answer else ()
        for sentence in (*sentences, first_sentence(self._map)):
            yield from self._wrapped(sentence, style=self._style.strong)
        yield from self._wrapped(order_sentence(self._map))
        yield ""
        yield from self._tree()
        for advice in advice_on(self._map):
            yield ""
            yield from self._advice(advice)

    def _clean(self, text: str) -> str:
        """Text of others, fit for the line."""
        return self._spelled(clean(text))

    def _spelled(self, text: str) -> str:
        """Safe text in the characters that the terminal has."""
        return in_ascii(text) if self._ascii_only else text

    def _wrapped(self, text: str, indent: str = "", style: str = "") -> Iterator[str]:
        for line in wrap(self._spelled(text), self._width - len(indent)):
            yield indent + self._styled(isolated(line), style)

    def _styled(self, text: str, style: str) -> str:
        return f"{style}{text}{self._style.plain}" if style and text else text

    def _advice(self, advice: Advice) -> Iterator[str]:
        style = self._style.faint if advice.minor else self._style.strong
        style = self._style.alert if advice.urgent else style
        mark = f"{self._signs.mark} " if advice.urgent else ""
        yield from self._wrapped(mark + advice.title, style=style)
        faint = self._style.faint if advice.minor else ""
        for sentence in advice.sentences:
            yield from self._wrapped(sentence, indent="  ", style=faint)

    def _tree(self) -> Iterator[str]:
        rows = self._places
        figures = [self._figures(place.point) for place in rows]
        longest = max(display_width(self._name(place.point)) for place in rows)
        lanes = 1 + max(place.lane for place in rows)
        shape = _Shape.fitted(self._width, lanes, longest, figures)
        for place, row in zip(rows, figures, strict=True):
            yield from self._row(place, row, shape)

    def _row(self, place: Place, figures: _Figures, shape: _Shape) -> Iterator[str]:
        """One point: its name, the run that feeds it, and remarks below."""
        first, later = self._gutter(place, shape.gutter)
        name, *rest = wrap(self._name(place.point), shape.name_cells)
        gap = " " * (shape.name_cells - display_width(name))
        beside = gap + figures.in_columns(shape.columns) if shape.columns else ""
        yield first + self._styled(isolated(name), self._style.strong) + beside
        for name in rest:
            yield later + self._styled(isolated(name), self._style.strong)
        if place.point is None:
            return
        if not shape.columns:
            yield from self._under(later, figures.in_a_row(), self._style.faint)
        for remark in point_remarks(place.point, self._map, self._protection):
            text = f"{self._signs.mark} {remark.text}" if remark.alert else remark.text
            style = self._style.alert if remark.alert else self._style.faint
            yield from self._under(later, self._spelled(text), style)

    def _under(self, gutter: str, text: str, style: str) -> Iterator[str]:
        """A remark below a name."""
        for line in wrap(text, self._width - len(gutter)):
            yield gutter + self._styled(isolated(line), style)

    def _name(self, point: Point | Splice | None) -> str:
        return self._clean(point.name) if point else "panel"

    def _figures(self, point: Point | Splice | None) -> _Figures:
        signs = self._signs
        if point is None:
            return _Figures(f"run, {signs.mohm}", "about", "fed from above", "")
        if point.name in self._untested:
            return _Figures("", "", "untested", "")
        return _Figures(
            run_text(point.run_mohm, point.run_u_mohm, signs.plus_minus),
            length(point.run_m, point.run_mohm, point.run_u_mohm),
            certainty(point.probability),
            percent(point.probability),
        )

    def _gutter(self, place: Place, cells: int) -> tuple[str, str]:
        """What stands left of a name, on its first line and on the lines after it."""
        signs = self._signs
        lanes = [signs.lane if lane in place.passing else " " for lane in range(place.lane)]
        left = "".join(pad(lane, 2) for lane in lanes)
        turn = signs.back if place.closes else signs.branch
        first = left[:-2] + turn if place.branches or place.closes else left
        if place.closes:
            left = left[:-2] + "  "
        below = signs.lane if self._goes_on(place) else " "
        return (
            pad(f"{first}{signs.end if place.closes else self._sign(place.point)} ", cells),
            pad(f"{left}{below} ", cells),
        )

    def _sign(self, point: Point | Splice | None) -> str:
        if point is None:
            return self._signs.panel
        if isinstance(point, Splice):
            return self._signs.splice
        return self._signs.untested if point.name in self._untested else self._signs.receptacle

    def _goes_on(self, place: Place) -> bool:
        name = place.point.name if place.point else "panel"
        return name in self._feeders
