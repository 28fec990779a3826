"""Where each point of a wiring tree stands in a drawing, in the terminal or as a picture.

The way with most points runs straight down in one lane, so that a chain of any length needs no
indentation; what branches off gets a lane of its own to the right and is drawn before the way goes
on. A tree of n points never needs more than log2(n) + 1 lanes: a branch holds at most half of the
points of the tree that it leaves.
"""

from dataclasses import dataclass

from meterlink.show.format import certainty, percent
from meterlink.tree.wiring import PANEL, Point, Splice, WiringMap


@dataclass(frozen=True, slots=True)
class Place:
    """One line of the drawing.

    Attributes:
        point: The receptacle or splice there; ``None`` for the panel.
        lane: Its lane, 0 the leftmost.
        branches: Whether its run leaves the lane to the left (``lane - 1``) here.
        passing: Lanes further left whose way goes on below this line.
    """

    point: Point | Splice | None
    lane: int
    branches: bool
    passing: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class MapRow:
    """One point of the map so far.

    Attributes:
        name: The point; ``panel`` in the first row.
        kind: ``panel``, ``receptacle``, ``splice`` or ``untested``.
        lane, branches: As in ``Place``.
        fed_from: What feeds it; empty for the panel and what is untested.
        sure: How certain that is, in words, or that it is untested; empty for the panel.
    """

    name: str
    kind: str
    lane: int
    branches: bool
    fed_from: str
    sure: str


def places(wiring_map: WiringMap) -> tuple[Place, ...]:
    """Lay the most probable tree out, from the panel down.

    Raises:
        ValueError: A point is fed from one that is not in the map, or not from the panel at all.
    """
    onward: dict[str, list[Point | Splice]] = {PANEL: []}
    everything: tuple[Point | Splice, ...] = (*wiring_map.points, *wiring_map.splices)
    for point in everything:
        onward[point.name] = []
    for point in everything:
        if point.fed_from not in onward:
            raise ValueError(f"{point.name!r} is fed from {point.fed_from!r}, which is not there")
        onward[point.fed_from].append(point)
    found = _walk(onward)
    if len(found) != len(everything) + 1:
        lost = {point.name for point in everything} - {p.point.name for p in found if p.point}
        raise ValueError(f"no way from the panel to {sorted(lost)}")
    return tuple(found)


def _walk(onward: dict[str, list[Point | Splice]]) -> list[Place]:
    """Depth first with a stack of its own: branches first, smallest first, the main way last."""
    sizes = _sizes(onward)
    found: list[Place] = []
    todo: list[Place] = [Place(None, 0, branches=False, passing=())]
    while todo:
        place = todo.pop()
        found.append(place)
        name = place.point.name if place.point else PANEL
        by_size = sorted(onward[name], key=lambda point: sizes[point.name])
        if by_size:
            todo.append(Place(by_size[-1], place.lane, branches=False, passing=place.passing))
        todo.extend(
            Place(point, place.lane + 1, branches=True, passing=(*place.passing, place.lane))
            for point in reversed(by_size[:-1])
        )
    return found


def _sizes(onward: dict[str, list[Point | Splice]]) -> dict[str, int]:
    """Number of points behind each point, itself counted; only those that the panel feeds."""
    order, todo = [], [PANEL]
    while todo:
        name = todo.pop()
        order.append(name)
        todo.extend(point.name for point in onward[name])
    sizes: dict[str, int] = {}
    for name in reversed(order):
        sizes[name] = 1 + sum(sizes[point.name] for point in onward[name])
    return sizes


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
