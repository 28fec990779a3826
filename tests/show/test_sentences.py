"""What is said first, and in which words."""

import re
from dataclasses import replace
from pathlib import Path

import pytest

from meterlink.answers.protection import protect
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import write_job
from meterlink.show.answers_text import protection_sentences
from meterlink.show.drawing import draw
from meterlink.show.report import label_text, render_label, render_report
from meterlink.show.sentences import advice_on
from meterlink.tree.wiring import Condition, Point, PoorJoint, WiringMap

from .maps import busy, chain, forked_at_panel, known, untouched

#: Words that are of no use to a technician, or mean something else on a circuit.
NOT_SAID = r"\b(open|leaning|settled|certain|parted|lies|lie|foretold|whoever is licensed)\b"


def said(wiring_map: WiringMap, cover: tuple[str, ...] = (), at: tuple[str, ...] = ()) -> str:
    found = protect(known(wiring_map).wirings, cover, at)
    return ". ".join(protection_sentences(found, wiring_map.tests)).replace("\u00a0", " ")


def forked() -> WiringMap:
    return replace(forked_at_panel(), loop=None)


@pytest.mark.parametrize(
    ("wiring_map", "cover", "at", "begins"),
    [
        (
            chain(),
            (),
            (),
            "Ground-fault protection: one device at Porch covers all 3 receptacles (",
        ),
        (chain(), ("Bed",), (), "Ground-fault protection: one device at Bed covers Bed ("),
        (untouched(), (), (), "Ground-fault protection: unknown; nothing was tested yet"),
        (
            forked(),
            (),
            (),
            "Ground-fault protection: no single receptacle covers all 2 receptacles;",
        ),
        (chain(), (), ("Attic",), "Ground-fault protection: a device at Attic protects 2 of 3"),
        (forked_at_panel(), (), (), "Ground-fault protection: only a device in the panel covers"),
    ],
)
def test_the_first_sentence_is_where_the_devices_go(
    wiring_map: WiringMap, cover: tuple[str, ...], at: tuple[str, ...], begins: str
) -> None:
    assert said(wiring_map, cover, at).startswith(begins)


def test_what_hangs_on_the_load_terminals_and_what_stays_unprotected_follow() -> None:
    text = said(chain(), (), ("Attic",))
    assert "On the load terminals at Attic: Bed" in text
    assert "Stays unprotected: Porch" in text


def test_where_three_home_runs_leave_the_panel_one_device_there_is_said_first() -> None:
    points = tuple(Point(name, "panel", 0.9, 30.0, 1.0, None) for name in "ABC")
    text = said(replace(chain(), points=points))
    assert text.startswith("Ground-fault protection: one device in the panel covers all 3")
    assert "at receptacles it takes 3: A, B and C" in text


@pytest.mark.parametrize("probability", [0.14, 0.49, 0.51, 0.97])
def test_a_poor_connection_below_one_half_is_possible_in_small_type_with_what_would_tell(
    probability: float,
) -> None:
    joint = PoorJoint("Bed", "neutral", probability, 62.0, 3.0, 9.1)
    wiring_map = replace(chain(), poor_joints=(joint,))
    [finding] = advice_on(wiring_map)
    likely = probability >= 0.5
    assert (finding.urgent, finding.minor) == (likely, not likely)
    assert ("To tell: hot to neutral at Bed" in finding.sentences[0]) == (not likely)
    assert ("licensed electrician" in finding.sentences[0]) == likely
    label = label_text(Circuit("Rooms", ("Porch",)), [], wiring_map)
    assert ("oor connection" in label) == (probability > 0.8)


@pytest.mark.parametrize("wiring_map", [chain(), busy(), forked_at_panel(), untouched()])
def test_no_word_of_the_inside_is_on_map_report_or_label(
    wiring_map: WiringMap, tmp_path: Path
) -> None:
    names = tuple(point.name for point in wiring_map.points)
    circuit = Circuit("Rooms", names, volts=120, breaker_amps=15)
    behind = known(wiring_map)
    protection = protect(behind.wirings)
    page = re.sub(r"<style>.*?</style>|<[^>]+>", " ", render_report(
        write_job(tmp_path, circuit), [], behind), flags=re.DOTALL)  # fmt: skip
    for text in (
        draw(wiring_map, protection, width=80),
        label_text(circuit, [], wiring_map, protection),
        re.sub(r"<style>.*?</style>|<[^>]+>", " ",
               render_label(circuit, [], wiring_map, protection), flags=re.DOTALL),
        page.replace("how certain", ""),
    ):  # fmt: skip
        assert not re.findall(NOT_SAID, text), re.findall(rf".{{30}}{NOT_SAID}.{{20}}", text)


def test_where_something_contradicts_every_wiring_nothing_is_called_confirmed() -> None:
    wiring_map = replace(chain(), explained=False, settled=False)
    behind = replace(known(wiring_map).wirings, explained=False)
    first = " ".join(draw(wiring_map, protect(behind), width=200).splitlines()[:4])
    assert "Porch (possible, 99.8" in first
    assert "confirmed" not in first
    assert "likely" not in first


def test_without_a_test_no_place_is_marked_in_the_drawing() -> None:
    text = draw(untouched(), protect(known(untouched()).wirings), width=80)
    assert "device here" not in text
    assert "covers" not in text


def test_conditions_are_said_once_hazards_first_and_improbable_ones_in_small_type() -> None:
    bonded = Condition("ground-bonded", "Bed", 0.97, "Why.", "What to do.", hazard=True)
    shared = Condition("shared-neutral", None, 0.8, "A large idle level.", "Look.")
    maybe = Condition("second-path", None, 0.07, "Drops fit a ring.", "Test more.")
    wiring_map = replace(
        chain(),
        conditions=(bonded, shared, maybe),
        notes=("Why. What to do.", "A large idle level. Look.", "Something else switched."),
    )
    titles = [finding.title for finding in advice_on(wiring_map)]
    assert titles == ["Hazard", "Check", "About this circuit", "Possible, not likely"]
    text = draw(wiring_map, width=300)
    assert "Ground bonded to neutral (bootleg ground) at Bed (97 %): Why. What to do." in text
    for sentence in (
        "Why.",
        "A large idle level.",
        "Something else switched.",
        "Drops fit a ring.",
    ):
        assert text.count(sentence) == 1
    urgent = [finding.urgent for finding in advice_on(wiring_map)]
    assert urgent == [True, True, False, False]
