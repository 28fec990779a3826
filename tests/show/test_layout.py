"""The map as rows of words."""

from dataclasses import replace
from xml.etree.ElementTree import fromstring

import pytest

from meterlink.circuit.circuit import Circuit
from meterlink.show.drawing import draw
from meterlink.show.layout import map_rows, places
from meterlink.show.map_svg import description, draw_map
from meterlink.show.sentences import advice_on, first_sentence, order_sentence
from meterlink.tree.resolve import resolve
from meterlink.tree.wiring import SPLICE, Condition, First, Loop, Point, Spur, WiringMap

THREE = resolve(Circuit("three", ("Attic", "Bath", "Cellar")), [])


def test_what_is_untested_is_said_to_hang_on_nothing() -> None:
    rows = map_rows(THREE)[1:]
    assert {row.name for row in rows} == {"Attic", "Bath", "Cellar"}
    assert all((row.kind, row.fed_from, row.sure) == ("untested", "", "untested") for row in rows)
    assert "Attic is untested" in description(THREE)
    assert "is fed from" not in description(THREE)


def test_without_a_test_nobody_is_the_best_guess() -> None:
    assert first_sentence(THREE).endswith("unknown; nothing was tested yet")


def test_a_fork_that_is_less_probable_than_not_is_a_guess_and_no_answer() -> None:
    guess = replace(THREE, first=First(None, 0.43), tests=1)
    assert first_sentence(guess).startswith("First after the panel: unknown; the best guess is")
    assert "43" in first_sentence(guess)


def test_without_a_test_no_figure_is_given_for_the_order() -> None:
    assert order_sentence(THREE) == "Order of 3 receptacles: not known yet; nothing was tested yet"


def test_a_first_receptacle_that_is_known_without_a_test_is_named() -> None:
    """Findings with the power off can tell it."""
    known = replace(THREE, first=replace(THREE.first, receptacle="Bath", probability=0.97))
    assert first_sentence(known).startswith("First after the panel: Bath (likely, 97")


def ring_map() -> WiringMap:
    """Porch is fed from the panel; from it a ring goes round, with a spur on Bed."""
    tree = ("Porch", "Attic", "Bed", "Den", "Hatch")
    feeds = ("panel", "Porch", "Attic", "Porch", "Bed")
    points = [Point(a, b, 0.6, 9.0, 1.0, None) for a, b in zip(tree, feeds, strict=True)]
    spur = Spur("Hatch", "Bed", 45.0)
    loop = Loop(0.97, ("Attic", "Bed", "Den"), (30.0, 20.0, 10.0, 60.0), "Porch", (spur,))
    return replace(THREE, points=tuple(points), untested=(), loop=loop, tests=9)


def test_a_ring_leaves_the_place_where_it_starts_and_comes_back_there() -> None:
    rows = map_rows(ring_map())
    assert [(row.name, row.lane, row.fed_from) for row in rows] == [
        ("panel", 0, ""),
        ("Porch", 0, "panel"),
        ("Attic", 1, "Porch"),
        ("Bed", 1, "Attic"),
        ("Hatch", 2, "Bed"),
        ("Den", 1, "Bed"),
        ("back to Porch", 1, ""),
    ]
    assert rows[-1].kind == "ring"
    runs = [place.point.run_mohm for place in places(ring_map())[2:] if place.point]
    assert runs == [30.0, 20.0, 45.0, 10.0, 60.0]
    drawn = draw(ring_map(), width=80)
    assert "╰─╯   back to Porch" in drawn
    assert "nearest tree" not in drawn


def test_what_is_said_of_a_ring_stands_in_one_place() -> None:
    second = Condition("second-path", None, 0.97, "The drops fit a ring.", "Have it looked at.")
    said = {
        one.title: one.sentences for one in advice_on(replace(ring_map(), conditions=(second,)))
    }
    assert "About this circuit" not in said
    assert len(said["Second path"]) == 2
    assert "Have it looked at." in said["Second path"][1]


def test_a_picture_of_a_ring_goes_round_and_says_so() -> None:
    picture = fromstring(draw_map(ring_map()))
    assert "a ring goes Porch - Attic - Bed - Den - Porch" in description(ring_map())
    words = [text.text for text in picture.iter("{http://www.w3.org/2000/svg}text")]
    assert "back to Porch" in words
    signs = list(picture.iter("{http://www.w3.org/2000/svg}circle"))
    assert len(signs) == 5  # the way back is no receptacle


@pytest.mark.parametrize(
    "change",
    [
        {"starts_at": SPLICE},
        {"order": ("Attic", SPLICE, "Den"), "spurs": (Spur("Hatch", "Nowhere", 1.0),)},
        {"spurs": (Spur("Hatch", SPLICE, 1.0),)},
    ],
)
def test_where_the_joints_of_a_ring_cannot_be_told_apart_the_nearest_tree_is_drawn(
    change: dict,
) -> None:
    loop = ring_map().loop
    assert loop is not None
    unclear = replace(ring_map(), loop=replace(loop, **change))
    drawn = {place.point.name: place.point for place in places(unclear) if place.point}
    assert drawn == {point.name: point for point in unclear.points}
    assert "What is drawn above is the nearest tree" in " ".join(draw(unclear, width=80).split())


def test_a_joint_on_a_ring_is_drawn_with_the_spur_that_leaves_it() -> None:
    loop = ring_map().loop
    assert loop is not None
    spur = Spur("Hatch", SPLICE, 5.0)
    ring = replace(loop, order=("Attic", SPLICE, "Den"), spurs=(spur,))
    rows = map_rows(replace(ring_map(), loop=ring))
    assert ("splice on the ring", "splice") in [(row.name, row.kind) for row in rows]
    assert next(row for row in rows if row.name == "Hatch").fed_from == "splice on the ring"
