"""The check with the power off, as it stands in the report: steps, and what is to be found.

Articles are quoted for who is entitled to do the work; local code and licensed practice go first.
"""

from dataclasses import dataclass

from meterlink.tree.wiring import Point, Splice, WiringMap

STEPS = (
    "For a person licensed for this work only. Switch the breaker off, lock it or tag it "
    "(OSHA 29 CFR 1910.333(b)(2)).",
    "Prove the tester on a source known to be live, verify that every conductor in the box is "
    "dead, prove the tester again (NFPA 70E, 120.5).",
    "Open {opened}. Part the feed from the onward conductors, and cap every conductor by itself.",
    "Close the box so that nothing bare can be touched, then switch the breaker on.",
    "With a plug-in tester look at each receptacle below; write down live or dead.",
    "Switch off and lock again, verify dead, remake the joints, close up, and test.",
)


@dataclass(frozen=True, slots=True)
class Expected:
    """What should be found once the feed is parted at a receptacle.

    Attributes:
        opened: The receptacle that is opened; it goes dead itself.
        dead: Receptacles behind it.
        live: All others.
    """

    opened: str
    dead: tuple[str, ...]
    live: tuple[str, ...]


def expected(wiring_map: WiringMap, opened: str | None = None) -> Expected | None:
    """The findings that would prove the map.

    Args:
        wiring_map: The most probable tree is used.
        opened: The receptacle to open; by default the one with most others behind it, of equals
            the first in the map.

    Returns:
        ``None`` where there is no receptacle.
    """
    every: tuple[Point | Splice, ...] = (*wiring_map.points, *wiring_map.splices)
    feeds = {point.name: point for point in every}
    upstream = {point.name: _upstream(point, feeds) for point in wiring_map.points}
    behind = {
        name: tuple(other for other in upstream if name in upstream[other]) for name in upstream
    }
    if not behind:
        return None
    chosen = opened or max(behind, key=lambda name: len(behind[name]))
    dead = behind[chosen]
    live = tuple(name for name in upstream if name != chosen and name not in dead)
    return Expected(chosen, dead, live)


def _upstream(point: Point | Splice, feeds: dict[str, Point | Splice]) -> frozenset[str]:
    """Names of all points between the panel and a point."""
    found: set[str] = set()
    name = point.fed_from
    while name in feeds and name not in found:
        found.add(name)
        name = feeds[name].fed_from
    return frozenset(found)
