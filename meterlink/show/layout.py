"""Where each point of a wiring tree stands in a drawing, in the terminal or as a picture.

The way with most points runs straight down in one lane, so that a chain of any length needs no
indentation; what branches off gets a lane of its own to the right and is drawn before the way goes
on. A tree of n points never needs more than log2(n) + 1 lanes: a branch holds at most half of the
points of the tree that it leaves.

A ring stands as the last branch of the place where it starts, its points one below the other; its
last line leads back there.
"""

import math
from collections.abc import Collection, Iterable
from contextlib import suppress
from dataclasses import dataclass, replace

from meterlink.show.format import certainty, percent
from meterlink.tree.wiring import PANEL, SPLICE, Loop, Point, PointFlag, Splice, WiringMap


@dataclass(frozen=True, slots=True)
class Place:
    """One line of the drawing.

    Attributes:
        point: The receptacle or splice there; ``None`` for the panel.
        lane: Its lane, 0 the leftmost.
        branches: Whether its run leaves the lane to the left (``lane - 1``) here.
        passing: Lanes further left whose way goes on below this line.
        closes: The run leads back to where a ring starts, in the lane to the left.
    """

    point: Point | Splice | None
    lane: int
    branches: bool
    passing: tuple[int, ...]
    closes: bool = False


@dataclass(frozen=True, slots=True)
class MapRow:
    """One point of the map so far.

    Attributes:
        name: The point; ``panel`` in the first row.
        kind: ``panel``, ``receptacle``, ``splice``, ``untested``, or ``ring`` for the run that
            closes one.
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
    """Lay the ring out where there is one, else the most probable tree, from the panel down.

    Raises:
        ValueError: A point is fed from one that is not in the map, or not from the panel at all.
    """
    return _with_ring(wiring_map) or _laid_out((*wiring_map.points, *wiring_map.splices))


def is_ring_drawn(wiring_map: WiringMap) -> bool:
    """Whether ``places`` lays out a ring rather than the nearest tree."""
    return _with_ring(wiring_map) is not None


def _with_ring(wiring_map: WiringMap) -> tuple[Place, ...] | None:
    """The ring laid out; ``None`` where there is none, or where its joints cannot be told apart."""
    loop = wiring_map.loop
    if loop is None or loop.starts_at == SPLICE:
        return None
    names = names_on(loop)
    joints = [name for name in names if name not in loop.order]
    if len(joints) != 1 and any(spur.fed_from == SPLICE for spur in loop.spurs):
        return None
    ring = (*names, f"back to {loop.starts_at}")
    runs = dict(zip(ring, zip((loop.starts_at, *names), loop.run_mohm, strict=True), strict=True))
    for spur in loop.spurs:
        runs[spur.name] = (joints[0] if spur.fed_from == SPLICE else spur.fed_from, spur.run_mohm)
    known = {point.name: point for point in wiring_map.points}
    if ring[-1] in known or not set(runs) <= {*known, *joints, ring[-1]}:
        return None
    with suppress(ValueError):
        return _laid_out([*_off_ring(wiring_map, runs), *_fed(runs, known, loop)], ring)
    return None


def names_on(loop: Loop) -> tuple[str, ...]:
    """The points once round, each with a name of its own."""
    joints = 0
    names = []
    for name in loop.order:
        joints += name == SPLICE
        more = f" {joints}" if joints > 1 else ""
        names.append(f"splice on the ring{more}" if name == SPLICE else name)
    return tuple(names)


def _fed(
    runs: dict[str, tuple[str, float]], known: dict[str, Point], loop: Loop
) -> Iterable[Point | Splice]:
    """Points of the ring and its spurs; their runs have no uncertainty of their own: infinite."""
    for name, (fed_from, mohm) in runs.items():
        base = known.get(name) or Splice(name, "", 0.0, 0.0, 0.0, None)
        yield replace(
            base,
            fed_from=fed_from,
            probability=loop.probability,
            run_mohm=mohm,
            run_u_mohm=math.inf,
            run_m=None,
            flags=tuple(flag for flag in base.flags if flag != PointFlag.RUN_UNKNOWN),
        )


def _off_ring(wiring_map: WiringMap, runs: Collection[str]) -> list[Point | Splice]:
    """The other points as the tree has them, with the splices that feed them."""
    splices = {splice.name: splice for splice in wiring_map.splices}
    found: dict[str, Point | Splice] = {}
    for point in wiring_map.points:
        if point.name not in runs:
            found[point.name] = point
            feed = point.fed_from
            while feed in splices:
                found[feed] = splices[feed]
                feed = splices[feed].fed_from
    return list(found.values())


def _laid_out(
    everything: Collection[Point | Splice], ring: tuple[str, ...] = ()
) -> tuple[Place, ...]:
    onward: dict[str, list[Point | Splice]] = {PANEL: []}
    for point in everything:
        onward[point.name] = []
    for point in everything:
        if point.fed_from not in onward:
            raise ValueError(f"{point.name!r} is fed from {point.fed_from!r}, which is not there")
        onward[point.fed_from].append(point)
    found = _walk(onward, ring)
    if len(found) != len(everything) + 1:
        lost = {point.name for point in everything} - {p.point.name for p in found if p.point}
        raise ValueError(f"no way from the panel to {sorted(lost)}")
    return tuple(found)


def _walk(onward: dict[str, list[Point | Splice]], ring: tuple[str, ...]) -> list[Place]:
    """Depth first with a stack of its own: branches first, smallest first, the main way last.

    A ring is the main way of its points, and a branch where it starts.
    """
    sizes = _sizes(onward)
    found: list[Place] = []
    todo: list[Place] = [Place(None, 0, branches=False, passing=())]
    while todo:
        place = todo.pop()
        found.append(place)
        name = place.point.name if place.point else PANEL
        by_size = sorted(onward[name], key=lambda point: (point.name in ring, sizes[point.name]))
        if by_size and by_size[-1].name not in ring[:1]:
            last = by_size.pop()
            closes = last.name in ring[-1:]
            todo.append(replace(place, point=last, branches=False, closes=closes))
        todo.extend(
            Place(point, place.lane + 1, branches=True, passing=(*place.passing, place.lane))
            for point in reversed(by_size)
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
    kind = "ring" if place.closes else kind
    sure = f"{certainty(point.probability)}, {percent(point.probability)}"
    if point.name in untested:
        return MapRow(point.name, "untested", place.lane, place.branches, "", "untested")
    fed_from = "" if place.closes else point.fed_from
    return MapRow(point.name, kind, place.lane, place.branches, fed_from, sure)
