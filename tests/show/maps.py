"""Maps made by hand and by chance, for the tests of everything that shows one."""

import numpy as np
from hypothesis import strategies as st

from meterlink.answers.wirings import Known, Wirings
from meterlink.tree.wiring import Doubt, First, Loop, Point, PoorJoint, Splice, WiringMap


def chain() -> WiringMap:
    """Three receptacles in a row, everything settled, nothing to say besides."""
    return WiringMap(
        First("Porch", 0.998),
        settled=True,
        order_probability=0.982,
        points=(
            Point("Porch", "panel", 0.998, 137.6, 0.9, 13.52),
            Point("Attic", "Porch", 0.9995, 36.3, 0.9, 3.44),
            Point("Bed", "Attic", 0.967, 24.1, 1.1, 1.94),
        ),
        splices=(),
        doubts=(),
        tests=9,
    )


def busy() -> WiringMap:
    """Forks, a splice, a poor joint, an outlier and something of everything else."""
    return WiringMap(
        First("Door", 0.91),
        settled=False,
        order_probability=0.412,
        points=(
            Point("Door", "panel", 0.91, 101.2, 1.4, 12.2),
            Point("Desk", "splice 1", 0.93, 18.2, 2.2, 2.2),
            Point("Bed", "splice 1", 0.88, 94.7, 2.3, 11.4, ("high-resistance",)),
            Point("Lamp", "Bed", 0.71, 30.0, 11.0, 3.6),
            Point("Bath 台所", "Bed", 0.74, 22.0, 9.0, 2.7),
            Point("Shed", "Bath 台所", 0.2, 30.0, 24.0, 3.6),
        ),
        splices=(Splice("splice 1", "Door", 0.86, 11.0, 2.1, 1.3),),
        doubts=(Doubt(4, 0.96, "no change, though tests 2 and 7 saw the current pass there."),),
        tests=11,
        poor_joints=(PoorJoint("Bed", "neutral", 0.97, 62.1, 3.2, 9.09),),
        unseparated=(("Lamp", "Bath 台所"),),
        untested=("Shed",),
        notes=("Ground and neutral seem to be bonded at Lamp: a hazard.",),
    )


def forked_at_panel() -> WiringMap:
    """No receptacle is first, and there is a second path."""
    return WiringMap(
        First(None, 0.83),
        settled=False,
        order_probability=0.8,
        points=(
            Point("A", "panel", 0.83, 80.0, 2.0, None),
            Point("B", "panel", 0.85, 90.0, 2.0, None),
        ),
        splices=(),
        doubts=(),
        tests=1,
        loop=Loop(0.97, ("A", "B"), (80.0, 12.0, 90.0)),
    )


def known(wiring_map: WiringMap) -> Known:
    """A map with the one wiring that it draws behind it."""
    names = tuple(point.name for point in wiring_map.points)
    feeds = {p.name: p.fed_from for p in (*wiring_map.points, *wiring_map.splices)}
    own = np.zeros((1, len(names)), dtype=np.int64)
    for bit, name in enumerate(names):
        at = name
        while at in feeds:
            if at in names:
                own[0, names.index(at)] |= 1 << bit
            at = feeds[at]
    ring = wiring_map.loop
    if ring is not None:  # what is on it feeds nothing
        own[0] = 1 << np.arange(len(names))
    closed = np.array([ring is not None])
    runs = np.zeros(own.shape, dtype=bool)
    untested = frozenset(wiring_map.untested)
    wirings = Wirings(names, np.ones(1), own, runs, own, closed, 0, untested, ring)
    return Known(wiring_map, wirings)


def untouched() -> WiringMap:
    """A circuit before its first test."""
    return WiringMap(
        First("A", 0.25),
        settled=False,
        order_probability=0.02,
        points=(
            Point("A", "panel", 0.25, 30.0, 24.0, None),
            Point("B", "A", 0.2, 30.0, 24.0, None),
        ),
        splices=(),
        doubts=(),
        tests=0,
        untested=("A", "B"),
    )


_PROBABILITIES = st.floats(0, 1)
_NAMES = st.text(min_size=1, max_size=200).filter(
    lambda name: name != "panel" and not name.startswith("splice ") and name.strip() != ""
)


@st.composite
def any_map(draw: st.DrawFn) -> WiringMap:
    """A map of any tree, with names of any kind."""
    names = draw(st.lists(_NAMES, min_size=1, max_size=12, unique=True))
    spliced = draw(st.integers(0, 3))
    feeds = ["panel"]
    points: list[Point] = []
    splices: list[Splice] = []
    for number, name in enumerate([*(f"splice {k + 1}" for k in range(spliced)), *names]):
        kind = Splice if number < spliced else Point
        run = draw(st.floats(0, 5000))
        made = kind(
            name,
            draw(st.sampled_from(feeds)),
            draw(_PROBABILITIES),
            run,
            draw(st.floats(0, 300)),
            draw(st.none() | st.just(run / 8.28)),
            draw(st.sampled_from([(), ("high-resistance",), ("a-flag", "another-flag")])),
        )
        if isinstance(made, Splice):
            splices.append(made)
        else:
            points.append(made)
        feeds.append(name)
    some = st.lists(st.sampled_from(names), unique=True).map(tuple)
    return WiringMap(
        First(draw(st.none() | st.sampled_from(names)), draw(_PROBABILITIES)),
        settled=draw(st.booleans()),
        order_probability=draw(_PROBABILITIES),
        points=tuple(points),
        splices=tuple(splices),
        doubts=(Doubt(1, draw(_PROBABILITIES), draw(st.text())),),
        tests=draw(st.integers(0, 10**6)),
        poor_joints=(
            PoorJoint(
                names[0], "hot", draw(_PROBABILITIES), 50.0, 3.0, draw(st.none() | _PROBABILITIES)
            ),
        ),
        unseparated=(tuple(names),),
        untested=draw(some),
        notes=(draw(st.text()),),
        loop=draw(st.none() | st.just(Loop(0.9, tuple(names), (1.0,) * (len(names) + 1)))),
    )
