"""The readings and marks of a visit become its tests."""

import json
from pathlib import Path

import pytest

from drivers.capture import CaptureReader, replay
from drivers.readings import Function, Mark, Reading
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import circuit_from_header
from meterlink.circuit.setup import Verdict
from meterlink.errors import UsageError
from meterlink.levels.visit_split import completed_tests, smallest_drop_mv

CAPTURES = sorted((Path(__file__).parents[2] / "fixtures/captures").glob("*/visit.jsonl"))
CIRCUIT = Circuit("Upstairs", ("Bed", "Desk", "Door"), load_amps=10.0)


def readings(start_s, stop_s, mv=6.0):
    return [
        Reading(0.5 * i, (mv + 0.1 * (i % 3)) / 1e3, Function.AC, 1e-5)
        for i in range(int(2 * start_s), int(2 * stop_s))
    ]


def arrangement(t_s, **fields):
    arranged = {"hookup": "neutral-neutral", "lead_a": "Bed", "lead_b": "Desk", "load_at": "Door"}
    return Mark(t_s, "test", **{**arranged, **fields})


def in_order(*groups):
    events = [
        event for group in groups for event in (group if isinstance(group, list) else [group])
    ]
    return sorted(events, key=lambda event: event.t_s)


def cycle(t_s):
    return [Mark(t_s + 10.0, "load-on"), Mark(t_s + 24.0, "load-off")]


def split(*groups):
    return list(completed_tests(in_order(*groups), CIRCUIT))


def test_an_end_mark_ends_the_test():
    tests = split(readings(0, 60), arrangement(0.0), cycle(0.0), Mark(34.0, "end"))
    assert [test.started_s for test in tests] == [0.0]
    assert tests[0].measurement.verdict is Verdict.NOT_IN_PATH


def test_a_test_mark_ends_the_test_that_is_open():
    tests = split(
        readings(0, 80),
        arrangement(0.0),
        cycle(0.0),
        arrangement(40.0, load_at="Desk"),
        cycle(40.0),
    )
    assert [(test.started_s, test.setup.load_at) for test in tests] == [
        (0.0, "Door"),
        (40.0, "Desk"),
    ]


def test_the_last_test_counts_though_the_capture_was_cut():
    tests = split(readings(0, 30), arrangement(0.0), cycle(0.0))
    assert len(tests) == 1


def test_a_void_mark_takes_the_test_back():
    tests = split(readings(0, 60), arrangement(0.0), cycle(0.0), Mark(30.0, "void", "slipped"))
    assert tests == []


def test_readings_between_tests_belong_to_none():
    wild = readings(35, 50, mv=900.0)
    quiet = [*readings(0, 35), *readings(50, 90)]
    plain = split(quiet, arrangement(50.0), cycle(50.0))
    disturbed = split(quiet, wild, arrangement(50.0), cycle(50.0))
    assert plain == disturbed


def test_notes_go_to_the_test_that_is_open():
    tests = split(
        readings(0, 80),
        Mark(1.0, "note", "before all"),
        arrangement(2.0),
        cycle(2.0),
        Mark(20.0, "note", "plug was warm"),
    )
    assert tests[0].notes == ("plug was warm",)


def test_a_visit_without_tests_has_none():
    assert split(readings(0, 10), Mark(3.0, "note", "only looking")) == []


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"hookup": "both-ends"}, "both-ends.*neutral-ground"),
        ({"hookup": None}, "known are"),
        ({"lead_a": None}, "lacks lead_a"),
        ({"load_at": ""}, "lacks lead_a or load_at"),
        ({"lead_b": None}, "needs two receptacles"),
        ({"hookup": "line-drop"}, "one too many"),
    ],
)
def test_a_test_mark_that_cannot_be_is_refused_with_what_to_change(fields, words):
    with pytest.raises(UsageError, match=words):
        split(readings(0, 5), arrangement(1.0, **fields))


def test_the_smallest_drop_is_that_of_a_metre_of_the_conductor():
    # 14 AWG copper: 8.286 mohm/m at 20 degrees C (ASTM B258), a few per cent more when warmer.
    circuit = Circuit("c", ("Bed",), load_amps=12.0, conductor="14 AWG copper")
    assert smallest_drop_mv(circuit) == pytest.approx(12.0 * 8.286, rel=0.04)
    assert smallest_drop_mv(Circuit("c", ("Bed",))) == pytest.approx(80.0)


def visit(path):
    with CaptureReader(path) as reader:
        circuit, _ = circuit_from_header(reader.header.circuit or {}, str(path))
        return list(completed_tests(replay(reader), circuit))


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: path.parent.name)
def test_every_drop_of_a_recorded_visit_is_true_within_three_uncertainties(path):
    truth = json.loads((path.parent / "truth.json").read_text())["tests"]
    for test, true in zip(visit(path), truth, strict=True):
        found = test.measurement
        assert abs(found.drop_mv - true["true_drop_mV"]) <= 3.0 * found.drop_u_mv, true
        expected = Verdict.IN_PATH if true["true_drop_mV"] > 0 else Verdict.NOT_IN_PATH
        assert found.verdict is expected, true
        assert set(found.flags) <= {"no-after"}, true


def test_the_same_capture_gives_the_same_tests():
    assert visit(CAPTURES[0]) == visit(CAPTURES[0])
