"""Protection and faults in words and as JSON: each sentence where it is true, and only there."""

import json
import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.answers.fault import Box, Fault, Question, find_fault, usual_wirings
from meterlink.answers.protection import Protected, Protection, protect
from meterlink.show.answers_text import (
    fault_json,
    fault_text,
    protection_json,
    protection_sentences,
    protection_text,
)
from meterlink.tree.wiring import Condition

from ..answers.circuits import CHAIN, FORK, ring_of, wirings_of
from .maps import chain

CHAINED = protect(wirings_of([CHAIN]))


def plain(text: str) -> str:
    """Without the marks that keep names and figures together; blanks as one."""
    return " ".join(re.sub("[\u2066-\u2069]", "", text.replace("\u00a0", " ")).split())


def said(answer: Protection, tests: int = 5) -> list[str]:
    return [plain(sentence) for sentence in protection_sentences(answer, tests)]


def shown(answer: Protection, **changes: object) -> str:
    wiring_map = replace(chain(), **changes)
    return plain(protection_text(answer, wiring_map, (), 78, "upstairs"))


# protection


def test_the_headline_has_the_device_what_it_covers_and_how_sure_that_is() -> None:
    first, second = said(CHAINED)
    assert first == (
        "Ground-fault protection: one device at Door covers all 4 receptacles (confirmed, > 99.9 %)"
    )
    assert second == "On the load terminals at Door: Desk, Bed and Hall"


def test_without_a_test_or_at_untested_places_nothing_is_claimed() -> None:
    [only] = said(CHAINED, tests=0)
    assert only.startswith("Ground-fault protection: unknown;")
    never = protect(wirings_of([CHAIN], untested=frozenset(CHAIN)))
    assert said(never) == [
        "Ground-fault protection: unknown; no test yet at Door, Desk, Bed and Hall"
    ]


def test_what_a_few_tests_say_is_said_of_the_tested_alone() -> None:
    found = protect(wirings_of([CHAIN], untested=frozenset({"Hall"})))
    sentences = said(found)
    assert "covers all 3 tested receptacles" in sentences[0]
    assert "On the load terminals at Door: Desk and Bed" in sentences
    assert sentences[-1] == "Not tested, so unknown: Hall"
    alone = protect(wirings_of([CHAIN], untested=frozenset({"Desk", "Bed", "Hall"})))
    assert "covers Door, the only one tested" in said(alone)[0]


def test_two_and_more_devices_are_weighed_against_one_in_the_panel() -> None:
    two = said(protect(wirings_of([FORK])))
    assert two[0].startswith(
        "Ground-fault protection: no single receptacle covers all 4 receptacles; it takes devices "
        "at Door and Bed, or one in the panel"
    )
    assert "On the load terminals at Door: Desk" in two
    star = protect(wirings_of([dict.fromkeys(("Door", "Desk", "Bed"), "panel")]))
    three = said(star)
    assert three[0].startswith(
        "Ground-fault protection: one device in the panel covers all 3 receptacles; at receptacles "
        "it takes 3: Door, Desk and Bed"
    )
    assert len(three) == 1  # of each of them nothing else hangs


def test_an_unlikely_answer_is_called_a_guess() -> None:
    swapped = {"Door": "Hall", "Hall": "panel", "Desk": "panel", "Bed": "panel"}
    star = dict.fromkeys(CHAIN, "panel")
    found = protect(wirings_of([CHAIN, swapped, star], [0.34, 0.33, 0.33]))
    assert said(found)[0].startswith("Ground-fault protection: unknown; the best guess is Door (34")


def test_devices_that_a_person_named_are_told_what_they_leave_out() -> None:
    found = protect(wirings_of([CHAIN]), at=["Bed", "Hall"])
    sentences = said(found)
    assert sentences[0] == (
        "Ground-fault protection: devices at Bed and Hall protect 2 of 4 receptacles"
    )
    assert "Stays unprotected: Door (> 99.9 %) and Desk (> 99.9 %)" in sentences
    assert any("Hall is probably downstream of Bed already" in text for text in sentences)
    one = said(protect(wirings_of([CHAIN]), ["Bed", "Hall"], ["Bed"]))
    assert one[0].endswith("a device at Bed protects 2 of 2 receptacles asked for")


def test_a_ring_is_covered_from_the_panel_alone() -> None:
    found = protect(ring_of("Door", "Desk", "Bed", share=0.97))
    assert "only a device in the panel covers all 3 receptacles; on a ring" in said(found)[0]


def test_bonded_grounds_and_other_circuits_are_named() -> None:
    found = replace(CHAINED, bonded=("Bed",), away=("Porch",))
    sentences = said(found)
    assert any("Ground bonded to neutral at Bed: a device upstream trips" in s for s in sentences)
    assert any(
        "Probably on another circuit, so no device here protects it: Porch" in s for s in sentences
    )


def test_where_something_contradicts_every_wiring_nothing_is_confirmed() -> None:
    sure = said(protect(wirings_of([CHAIN], explained=False)))[0]
    assert "confirmed" not in sure
    assert "likely" not in sure


def test_what_hangs_on_a_device_less_than_surely_has_its_probability() -> None:
    item = Protected("Hall", "Door", 0.62, 0.80)
    found = replace(CHAINED, each=(*CHAINED.each[:3], item))
    assert "Hall (62 %)" in said(found)[1]
    assert "by Door, possible 62 % (by any device 80 %)" in shown(found)


def test_the_whole_answer_has_hazards_first_a_table_and_what_to_type() -> None:
    hazard = Condition("ground-bonded", "Bed", 0.9, "It is bonded.", "Have it mended.", hazard=True)
    text = shown(CHAINED, conditions=(hazard,))
    assert text.startswith("! ")
    assert "Door protected by Door, confirmed > 99.9 %" in text
    assert text.endswith("meterlink isolate upstairs --tripped-at Door --found-dead NAMES")
    assert "NEC 210.8" in text
    small = Condition("other-load", None, 0.9, "Something runs.", "Unplug it.")
    assert not shown(CHAINED, conditions=(small,)).startswith("! ")


@pytest.mark.parametrize(
    ("changes", "untested", "words"),
    [
        ({}, (), "'meterlink next --goal protect' names the test"),
        ({}, ("Hall",), "Not sure yet: Hall in no test so far."),
    ],
)
def test_an_unsettled_answer_says_what_would_settle_it(changes, untested, words: str) -> None:
    found = replace(CHAINED, settled=False, untested=untested)
    assert words in shown(found, **changes)
    assert "Not sure yet" not in shown(CHAINED)


def test_before_any_test_there_is_no_table() -> None:
    assert "protected by" not in shown(CHAINED, tests=0)


def test_the_json_of_protection_keeps_its_keys_and_figures() -> None:
    found = json.loads(protection_json(protect(wirings_of([CHAIN]), at=["Bed", "Hall"])))
    assert list(found)[:5] == ["devices", "covered", "each", "not_covered", "settled"]
    assert found["devices"] == ["Bed", "Hall"]
    assert found["each"][0] == {"name": "Bed", "by": "Bed", "probability": 1.0, "protected": 1.0}
    assert found["not_covered"] == ["Door", "Desk"]
    assert found["redundant"] == [["Bed", "Hall"]]
    assert found["unprotected"] == [
        {"name": "Door", "probability": 1.0},
        {"name": "Desk", "probability": 1.0},
    ]
    assert found["chosen"] is False


# faults


BROKEN = find_fault(wirings_of([CHAIN]), ["Bed", "Hall"], live=["Desk"])


def fault_said(fault: Fault) -> str:
    return plain(fault_text(fault, 78))


def test_the_first_box_the_place_and_what_is_looked_at_first_are_said() -> None:
    text = fault_said(BROKEN)
    assert text.startswith("Bed and Hall are dead. First box to open: ")
    assert "Most probable place: between Desk (live) and Bed (dead), " in text
    assert text.index("Boxes to open, best first:") < text.index("First, without opening anything")
    assert "hot to ground tells which conductor is open" in text
    assert "Opening a box is work for a person licensed for it" in text


@pytest.mark.parametrize(
    ("dead", "flickers", "words"),
    [
        (("Bed",), False, "Bed is dead."),
        (("Bed",), True, "Bed flickers."),
        (("Bed", "Hall"), True, "Bed and Hall flicker."),
    ],
)
def test_one_and_more_are_dead_or_flicker(dead, flickers: bool, words: str) -> None:
    text = fault_said(replace(BROKEN, dead=dead, flickers=flickers))
    assert text.startswith(words)
    assert ("it can arc" in text) is flickers


def test_what_was_not_looked_at_is_taken_to_be_live_and_the_panel_is_the_panel() -> None:
    text = fault_said(replace(BROKEN, live=()))
    assert "between Desk (taken to be live) and Bed" in text
    assert "between the panel and Bed" in fault_said(replace(BROKEN, last_live="panel"))
    assert "Most probable place" not in fault_said(replace(BROKEN, last_live=None))


def test_without_a_test_it_is_said_to_be_only_what_is_usual() -> None:
    names = ("Door", "Desk", "Bed", "Hall", "Sink")
    text = fault_said(find_fault(usual_wirings(names), ["Hall"], tested=False))
    assert "Nothing was tested: this is only what is usual" in text
    assert "Nothing was tested" not in fault_said(BROKEN)


def test_what_one_break_does_not_explain_is_said_with_what_it_may_be() -> None:
    two = find_fault(wirings_of([FORK]), ["Desk", "Hall"], live=["Door", "Bed"])
    assert "there may be two, or more are dead than were named" in fault_said(two)
    ring = find_fault(ring_of("Door", "Desk", "Bed"), ["Desk", "Bed"], live=["Door"])
    text = fault_said(ring)
    assert "Desk and Bed: fed from both sides of a ring" in text
    assert "there may be two, or more are dead" not in text


@pytest.mark.parametrize(
    ("question", "words"),
    [
        (Question(0.4, look_at="Hall"), "look whether Hall is dead or live, and say so (--live)"),
        (Question(0.4, order_of=("Desk", "Bed")), "which of Desk and Bed comes first"),
        (None, None),
    ],
)
def test_what_tells_most_is_named_where_anything_does(question, words: str | None) -> None:
    text = fault_said(replace(BROKEN, question=question))
    assert ("What tells most now" in text) is (words is not None)
    if words:
        assert words in text


def test_only_boxes_worth_opening_are_listed_and_never_more_than_eight() -> None:
    boxes = tuple(Box(f"R{k}", p) for k, p in enumerate([0.5, *[0.05] * 9, 0.005]))
    text = fault_text(replace(BROKEN, boxes=boxes), 78)
    listed = text[text.index("best first:") : text.index("First, without")]
    assert [f"R{k}" in listed for k in range(11)] == [True] * 8 + [False] * 3
    few = fault_text(replace(BROKEN, boxes=(Box("R0", 0.99), Box("R1", 0.005))), 78)
    assert "R0" in few
    assert "R1" not in few


def test_the_json_of_a_fault_keeps_its_keys() -> None:
    found = json.loads(fault_json(BROKEN))
    assert list(found)[:4] == ["boxes", "settled", "dead", "live"]
    assert found["between"] == ["Desk", "Bed"]
    assert (found["dead"], found["live"]) == (["Bed", "Hall"], ["Desk"])
    assert sum(box["probability"] for box in found["boxes"]) == pytest.approx(1, abs=0.01)
    asked = json.loads(fault_json(replace(BROKEN, question=Question(0.3, order_of=("A", "B")))))
    assert (asked["look_at"], asked["order_of"]) == (None, ["A", "B"])


@given(st.text(min_size=1, max_size=30), st.integers(40, 120))
def test_any_name_is_shown_and_commands_no_terminal(name: str, width: int) -> None:
    fault = replace(
        BROKEN, dead=(name,), boxes=(Box(name, 0.9),), first_dead=name, question=Question(1, name)
    )
    text = fault_text(fault, width)
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f]", text)
