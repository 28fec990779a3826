"""The map as rows of words, for views that are no picture: the page, a screen reader."""

from dataclasses import dataclass

from meterlink.show.layout import Place, places
from meterlink.show.words import certainty, percent
from meterlink.tree.wiring import PANEL, Splice, WiringMap


@dataclass(frozen=True, slots=True)
class MapRow:
    """One point of the map so far.

    Attributes:
        name: The point; ``panel`` in the first row.
        kind: ``panel``, ``receptacle``, ``splice`` or ``untested``.
        lane, branches: As in ``meterlink.show.layout.Place``.
        fed_from: What feeds it; empty for the panel and what is untested.
        sure: How certain that is, in words, or that it is untested; empty for the panel.
    """

    name: str
    kind: str
    lane: int
    branches: bool
    fed_from: str
    sure: str


def map_rows(wiring_map: WiringMap) -> tuple[MapRow, ...]:
    """The most probable tree from the panel down.

    Raises:
        ValueError: The map is no tree from the panel.
    """
    untested = frozenset(wiring_map.untested)
    return tuple(_row(place, untested) for place in places(wiring_map))


def _row(place: Place, untested: frozenset[str]) -> MapRow:
    point = place.point
    if point is None:
        return MapRow(PANEL, "panel", 0, branches=False, fed_from="", sure="")
    kind = "splice" if isinstance(point, Splice) else "receptacle"
    sure = f"{certainty(point.probability)}, {percent(point.probability)}"
    if point.name in untested:
        return MapRow(point.name, "untested", place.lane, place.branches, "", "untested")
    return MapRow(point.name, kind, place.lane, place.branches, point.fed_from, sure)
