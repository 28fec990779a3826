import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.answers.protection import protect
from meterlink.show.drawing import NARROWEST, draw
from meterlink.show.format import clean, display_width
from meterlink.show.layout import is_ring_drawn, places
from meterlink.tree.wiring import First, Point, WiringMap

from .maps import any_map, busy, chain, forked_at_panel, known, untouched

CHAIN = """\
First after the panel: Porch (confirmed, 99.8 %)
Order of 3 receptacles: likely, 98 %, from 9 tests

■ panel      run, mΩ   about  fed from above
● Porch  137.6 ± 0.9  13.5 m  confirmed   99.8 %
│ first after the panel
● Attic   36.3 ± 0.9   3.4 m  confirmed > 99.9 %
● Bed     24.1 ± 1.1   1.9 m  likely        97 %"""

BUSY = """\
Ground-fault protection: one device at Door covers all 5
tested receptacles (confirmed, > 99.9 %)
On the load terminals at Door: Desk, Bed, Lamp and Bath 台所
Not tested, so unknown: Shed
First after the panel: Door (likely, 91 %)
Order of 6 receptacles: not known yet, 41 %, from 11 tests

■   panel          run, mΩ   about  fed from above
●   Door       101.2 ± 1.4  12.2 m  likely        91 %
│   first after the panel, ground-fault device here
◆   splice 1    11.0 ± 2.1   1.3 m  likely        86 %
├─● Desk        18.2 ± 2.2   2.2 m  likely        93 %
●   Bed         94.7 ± 2.3  11.4 m  likely        88 %
│   ! poor connection, neutral side (97 %): 62.1 ± 3.2 mΩ
│   too much, 9.1 W at the load
├─● Lamp           30 ± 11   3.6 m  possible      71 %
●   Bath 台所   22.0 ± 9.0   2.7 m  possible      74 %
○   Shed                            untested

! Poor connections
  Run to Bed, neutral side: poor connection likely (97 %),
  62.1 ± 3.2 mΩ more than its cable explains, 9.1 W of heat
  with the load on; at either end of the run; have a
  licensed electrician remake it.

! Check
  Ground and neutral seem to be bonded at Lamp: a hazard.

Tests that look wrong
  Test 4 looks wrong (96 %): no change, though tests 2 and 7
  saw the current pass there. Repeat it.

Order still unknown
  Lamp and Bath 台所: the tests do not tell their order.

Untested
  Shed: no test yet."""

FORKED_ASCII = """\
First after the panel: none; both ends of a ring are there
(likely, 83 %)
Order of 2 receptacles: not known yet, 80 %, from 1 test

#   panel          run, mohm  about  fed from above
|-o A                   80.0         likely        97 %
| o B                   12.0         likely        97 %
`-' back to panel       90.0         likely        97 %

! Second path
  A second path is more probable than any tree (97 %). Once
  round: panel - A - B - panel. Resistance to panel one way
  and the other: A 80.0 and 102.0 mohm; B 92.0 and 90.0
  mohm."""

NARROW = """\
First after the panel: Porch
(confirmed, 99.8 %)
Order of 3 receptacles:
likely, 98 %, from 9 tests

■ panel
● Porch
│ 137.6 ± 0.9  13.5 m
│ confirmed 99.8 %
│ first after the panel
● Attic
│ 36.3 ± 0.9  3.4 m
│ confirmed > 99.9 %
● Bed
  24.1 ± 1.1  1.9 m
  likely 97 %"""


def test_a_chain_runs_straight_down() -> None:
    assert draw(chain(), width=80) == CHAIN


def test_a_map_with_everything_says_first_the_order_then_what_to_do() -> None:
    assert draw(busy(), protect(known(busy()).wirings), width=60) == BUSY


def test_ascii_needs_no_other_characters() -> None:
    assert draw(forked_at_panel(), width=60, ascii_only=True) == FORKED_ASCII


def test_a_narrow_terminal_gets_the_figures_below_the_names() -> None:
    assert draw(chain(), width=28) == NARROW


def test_before_the_first_test_nothing_is_claimed() -> None:
    text = draw(untouched(), width=80)
    assert "unknown" in text.splitlines()[0]
    assert "mΩ" in text
    assert "±" not in text


def only(*, tests: int, settled: bool) -> WiringMap:
    """A circuit of one receptacle."""
    return WiringMap(
        First("Desk", 1.0),
        settled=settled,
        order_probability=1.0,
        points=(Point("Desk", "panel", 1.0, 102.0, 95.0, None),),
        splices=(),
        doubts=(),
        tests=tests,
        untested=() if tests else ("Desk",),
    )


@pytest.mark.parametrize(
    ("wiring_map", "first", "order"),
    [
        (
            only(tests=0, settled=False),
            "First after the panel: Desk, the only receptacle; nothing was tested yet",
            "Order of 1 receptacle: there is only one; nothing was tested yet",
        ),
        (
            only(tests=2, settled=False),
            "First after the panel: Desk (confirmed, > 99.9 %)",
            "Order of 1 receptacle: there is only one; not confirmed yet, from 2 tests",
        ),
        (
            only(tests=1, settled=True),
            "First after the panel: Desk (confirmed, > 99.9 %)",
            "Order of 1 receptacle: confirmed, > 99.9 %, from 1 test",
        ),
    ],
)
def test_a_single_receptacle_has_one_order_and_nothing_more_is_claimed(
    wiring_map: WiringMap, first: str, order: str
) -> None:
    assert draw(wiring_map, width=80).splitlines()[:2] == [first, order]


def test_colour_adds_nothing_but_weight() -> None:
    coloured = draw(busy(), width=72, colour=True)
    assert re.sub(r"\x1b\[\d*m", "", coloured) == draw(busy(), width=72)
    assert set(re.findall(r"\x1b\[(\d*)m", coloured)) == {"0", "1", "2", "33"}


def shown_names(wiring_map: WiringMap) -> list[str]:
    placed = [place.point.name for place in places(wiring_map) if place.point]
    return [*(point.name for point in wiring_map.points), *placed]


def squeezed(text: str) -> str:
    """Without blanks, isolates, gutters and figures' line ends: what is left of wrapped names."""
    return re.sub(r"[\s\u2068\u2069│├─■●○◆╰╯]", "", text)


@given(any_map(), st.integers(10, 140))
@settings(max_examples=80, deadline=None)
def test_no_line_is_wider_than_asked_and_no_control_reaches_the_terminal(
    wiring_map: WiringMap, width: int
) -> None:
    for line in draw(wiring_map, width=width).split("\n"):
        assert display_width(line) <= max(width, NARROWEST)
        own = line.replace("\u2068", "").replace("\u2069", "")
        assert clean(own) == own


@given(any_map(), st.integers(24, 140))
@settings(max_examples=40, deadline=None)
def test_ascii_only_is_ascii_in_every_width(wiring_map: WiringMap, width: int) -> None:
    text = draw(wiring_map, width=width, ascii_only=True)
    assert text.isascii()
    assert all(len(line) <= width for line in text.split("\n"))


@given(any_map(), st.integers(24, 40) | st.just(1000))
@settings(max_examples=80, deadline=None)
def test_every_name_is_shown_whole_on_one_line_or_many(wiring_map: WiringMap, width: int) -> None:
    text = squeezed(draw(wiring_map, width=width))
    for name in shown_names(wiring_map):
        assert squeezed(clean(name)) in text


def test_a_chain_of_any_length_needs_one_lane() -> None:
    points = tuple(
        Point(f"R{k}", f"R{k - 1}" if k else "panel", 0.99, 30.0, 1.0, None) for k in range(40)
    )
    assert {place.lane for place in places(replace(chain(), points=points))} == {0}


@given(any_map())
@settings(max_examples=60, deadline=None)
def test_lanes_grow_with_the_logarithm_of_the_points(wiring_map: WiringMap) -> None:
    found, is_ring = places(wiring_map), is_ring_drawn(wiring_map)
    count = len(wiring_map.points) + len(wiring_map.splices) + 1
    assert len(found) == count or is_ring
    assert 2 ** (max(place.lane for place in found) - is_ring) <= count


@given(any_map())
@settings(max_examples=60, deadline=None)
def test_each_point_stands_below_the_one_that_feeds_it(wiring_map: WiringMap) -> None:
    """Reading only lanes and signs gives back the feed of every point."""
    last_in_lane: dict[int, str] = {}
    for place in places(wiring_map):
        if place.point is None:
            last_in_lane[0] = "panel"
            continue
        above = last_in_lane[place.lane - 1 if place.branches else place.lane]
        assert place.point.fed_from == above
        last_in_lane[place.lane] = place.point.name


@pytest.mark.parametrize("feed", ["nowhere", "Bed"])
def test_a_map_that_is_no_tree_is_refused(feed: str) -> None:
    broken = chain()
    points = (replace(broken.points[0], fed_from=feed), *broken.points[1:])
    with pytest.raises(ValueError, match=r"not there|no way from the panel"):
        draw(replace(broken, points=points), width=80)
