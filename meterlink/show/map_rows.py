"""The map as rows of words, for views that are no picture: the page, a screen reader."""

from meterlink.show.layout import Place, places
from meterlink.show.words import certainty, percent
from meterlink.tree.wiring import PANEL, Splice, WiringMap
from meterlink.visit.view import MapRow


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
