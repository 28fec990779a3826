"""What the demonstration says when it compares the map with the wiring that was invented."""

import pytest

from meterlink.commands.simulate import compared
from meterlink.simulation import Wiring
from meterlink.tree.wiring import First, Point, Splice, WiringMap

#: panel - splice - Door and Desk.
FORK = Wiring(
    ("panel", None, "Door", "Desk"), (0, 0, 1, 1), (0, 0.1, 0.05, 0.05), (0, 0.1, 0.05, 0.05)
)


def a_map(fed_from: dict[str, str], *, settled: bool, splice: bool) -> WiringMap:
    return WiringMap(
        First(None, 0.9),
        settled=settled,
        order_probability=0.96,
        points=tuple(Point(name, feed, 0.9, 50, 1, None) for name, feed in fed_from.items()),
        splices=(Splice("splice 1", "panel", 0.9, 100, 1, None),) if splice else (),
        doubts=(),
        tests=3,
    )


@pytest.mark.parametrize(
    ("fed_from", "settled", "words"),
    [
        ({"Door": "splice 1", "Desk": "splice 1"}, True, "that was invented, found in 3 tests"),
        ({"Door": "panel", "Desk": "panel"}, True, "that was invented, found in 3 tests"),
        ({"Door": "panel", "Desk": "Door"}, True, "another one. The tests gave this one 96 %"),
        ({"Door": "panel", "Desk": "Door"}, False, "not settled in the time"),
    ],
)
def test_the_map_is_compared_by_who_feeds_whom(fed_from, settled, words):
    wiring_map = a_map(fed_from, settled=settled, splice="splice 1" in fed_from.values())
    assert words in compared(wiring_map, FORK)
