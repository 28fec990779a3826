from dataclasses import replace
from xml.etree.ElementTree import fromstring

import pytest
from hypothesis import given, settings

from meterlink.answers.protection import protect
from meterlink.show.format import clean
from meterlink.show.layout import places
from meterlink.show.map_svg import ALERT, draw_map, size_of
from meterlink.tree.wiring import PoorJoint, WiringMap

from .maps import any_map, busy, chain, known

SVG = "{http://www.w3.org/2000/svg}"


def texts(picture: str) -> list[str]:
    return ["".join(text.itertext()) for text in fromstring(picture).iter(f"{SVG}text")]


def bare(text: str) -> str:
    return "".join(text.replace("\u2068", "").replace("\u2069", "").split())


def test_each_run_stands_beside_the_point_that_it_feeds() -> None:
    shown = [text.replace("\u00a0", " ") for text in texts(draw_map(chain()))]
    assert shown == [
        "Panel", "run", "about", "sure",
        "Porch", "137.6 ± 0.9 mΩ", "13.5 m", "99.8 %", "first after the panel",
        "Attic", "36.3 ± 0.9 mΩ", "3.4 m", "> 99.9 %",
        "Bed", "24.1 ± 1.1 mΩ", "1.9 m", "97 %",
    ]  # fmt: skip


def test_where_a_device_goes_is_marked_by_a_ring_and_in_words() -> None:
    protection = protect(known(chain()).wirings)
    marked, plain = draw_map(chain(), protection), draw_map(chain())
    assert "first after the panel, ground-fault device here" in texts(marked)
    assert marked.count("<path") == plain.count("<path") + 1


@pytest.mark.parametrize("probability", [0.14, 0.6])
def test_a_poor_connection_is_red_only_where_it_is_likely(probability: float) -> None:
    joint = PoorJoint("Bed", "neutral", probability, 62.0, 3.0, 9.1)
    picture = draw_map(replace(chain(), poor_joints=(joint,)))
    assert (ALERT in picture) == (probability > 0.5)
    assert ("possible poor connection" in picture) == (probability < 0.5)


def test_signs_tell_panel_receptacles_splices_and_the_untested_apart_by_shape() -> None:
    root = fromstring(draw_map(busy()))
    discs = list(root.iter(f"{SVG}circle"))
    assert len(discs) == 6
    assert [disc.get("fill") for disc in discs].count("#ffffff") == 1
    assert sum(path.get("d", "").endswith("Z") for path in root.iter(f"{SVG}path")) == 1


def test_feeds_that_are_not_settled_are_dashed() -> None:
    def dashed(wiring_map: WiringMap) -> int:
        paths = fromstring(draw_map(wiring_map)).iter(f"{SVG}path")
        return sum(path.get("stroke-dasharray") is not None for path in paths)

    assert dashed(chain()) == 0
    assert dashed(busy()) == 7


def test_the_text_alternative_names_every_feed() -> None:
    root = fromstring(draw_map(busy(), identity="door"))
    assert root.get("aria-labelledby") == "door-title door-desc"
    description = root.findtext(f"{SVG}desc")
    assert description is not None
    assert "Desk is fed from splice 1" in description
    assert "splice 1 is fed from Door" in description


@given(any_map())
@settings(max_examples=60, deadline=None)
def test_any_names_give_well_formed_pictures_that_show_them(wiring_map: WiringMap) -> None:
    picture = draw_map(wiring_map, heading='<b>"&\x00')
    shown = bare("".join(texts(picture)))
    for point in (*wiring_map.points, *(place.point for place in places(wiring_map))):
        assert point is None or bare(clean(point.name)) in shown
    assert {element.tag for element in fromstring(picture).iter()} <= {
        f"{SVG}{tag}" for tag in ("svg", "title", "desc", "rect", "path", "circle", "text")
    }


@pytest.mark.parametrize("name", ["W" * 200, "台" * 200, "W 台" * 66])
def test_long_names_stay_inside_the_picture(name: str) -> None:
    wiring_map = chain()
    points = (type(wiring_map.points[0])(name, "panel", 0.9, 30.0, 1.0, None),)
    picture = draw_map(WiringMap(wiring_map.first, True, 0.9, points, (), (), 1))
    width, _ = size_of(picture)
    lines = [text for text in texts(picture) if text[0] == name[0]]
    em_px = 15.0  # no letter of a usual sans-serif face is wider than its size
    assert max(map(len, lines)) * em_px <= width
