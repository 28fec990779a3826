"""Recorded tests of the dead circuit become rows: good readings, and what goes wrong."""

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.readings import Function, Mark, Reading
from meterlink.assumptions import USUAL
from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.setup import Hookup, Verdict, made_setup
from meterlink.levels.dead_circuit import DeadDetector, DeadFlag
from meterlink.levels.progress import Stage
from meterlink.levels.visit_split import completed_tests
from meterlink.testlog.reader import read_rows

PATH = made_setup(Hookup.PATH_RESISTANCE, "Desk", "Door")
DEPTH = made_setup(Hookup.NEUTRAL_NEUTRAL, "Desk", None, "Bed", direct=True)
BETWEEN = made_setup(Hookup.NEUTRAL_NEUTRAL, "Desk", "Door", "Bed", direct=True)
OHM, DC = Function.OHM, Function.DC


def ohms(values, function=OHM, step=1e-3, start=0.0, every=0.5):
    for k, value in enumerate(values):
        over = value is None
        yield Reading(start + k * every, None, function, None, over, False, b"", "ohm", value, step)


def path(values, **other):
    detector = DeadDetector(PATH, 0.0, **other)
    for reading in ohms(values):
        detector.add(reading)
    return detector.finish(0.5 * len(values))


def injected(drop_mv, *, pattern=(0, 1, -1, 1, 0), amps=5.0, setup=DEPTH, seed=1, **noise):
    """A direct source that stands four seconds at each current."""
    rng = np.random.default_rng(seed)
    offset, drift = noise.get("offset_mv", 0.015), noise.get("drift_mv_per_s", 0.0005)
    hum, sd = noise.get("hum_mv", 0.0), noise.get("sd_mv", 0.002)
    detector = DeadDetector(setup, 0.0)
    t_s = 0.0
    for sign in pattern:
        detector.mark("source", t_s, f"{sign * amps:g}")
        for _ in range(16):
            t_s += 0.25
            mv = sign * drop_mv + offset + drift * t_s + sd * rng.normal()
            mv += hum * np.sin(2 * np.pi * rng.random())
            detector.add(Reading(t_s, 1e-3 * mv, DC, 1e-8))
    return detector.finish(t_s)


def test_a_steady_reading_is_the_path_with_its_uncertainty():
    found = path([0.190, 0.151] + [0.143, 0.144, 0.143, 0.143] * 5)
    assert found.path_mohm == pytest.approx(143.2, abs=0.5)
    assert 3.0 < found.path_u_mohm < 3.3  # two wires: their contacts
    assert (found.drop_mv, found.flags) == (None, ())


def test_four_wires_are_surer_and_nulled_leads_are_taken_off():
    found = path([0.443] * 12, four_wire=True, lead_mohm=300.0)
    assert found.path_mohm == pytest.approx(143.0)
    assert found.path_u_mohm < 0.6


def test_what_contact_leaves_unknown_is_for_the_caller_to_assume():
    firm = replace(USUAL, meter=replace(USUAL.meter, ohms_u_mohm=0.5))
    assert path([0.1] * 10).path_u_mohm > 2.5 > path([0.1] * 10, assumptions=firm).path_u_mohm


def test_an_open_circuit_gives_no_number_and_says_so():
    found = path([None] * 20)
    assert (found.path_mohm, found.verdict) == (None, Verdict.UNCLEAR)
    assert DeadFlag.OPEN_CIRCUIT in found.flags


def test_readings_in_volts_are_no_path():
    detector = DeadDetector(PATH, 0.0)
    for k in range(20):
        detector.add(Reading(0.5 * k, 0.143, Function.AC, 1e-3))
    assert "ohms" in detector.progress().restless
    assert "wrong-function" in detector.finish(10.0).flags


def test_ohms_that_do_not_come_to_rest_are_unsure():
    found = path([0.143 + 0.08 * k for k in range(20)])
    assert DeadFlag.UNSTEADY in found.flags


@pytest.mark.parametrize("pattern", [(0, 1, -1, 1, 0), (1, -1, 1), (0, 1, 0)])
@pytest.mark.parametrize("drop_mv", [0.0, 0.4, -125.0, 900.0])
def test_thermal_voltages_and_their_drift_are_taken_off(drop_mv, pattern):
    found = injected(drop_mv, pattern=pattern, setup=BETWEEN)
    assert abs(found.drop_mv - drop_mv) < 4 * found.drop_u_mv
    assert found.drop_u_mv < 0.01
    assert found.amps == pytest.approx(5.0)
    wanted = Verdict.IN_PATH if drop_mv else Verdict.NOT_IN_PATH
    assert found.verdict is wanted


def test_the_stated_uncertainty_is_what_the_readings_scatter_by():
    off = [injected(100.0, seed=k, sd_mv=0.05) for k in range(60)]
    z = np.array([(f.drop_mv - 100.0) / f.drop_u_mv for f in off])
    assert 0.6 < z.std() < 1.4


def test_a_depth_below_nothing_is_a_swapped_polarity():
    assert DeadFlag.POLARITY in injected(-300.0).flags
    assert DeadFlag.POLARITY not in injected(-300.0, setup=BETWEEN).flags


def test_alternating_current_of_other_circuits_is_said_and_counted():
    found = injected(100.0, hum_mv=5.0)
    assert DeadFlag.ALTERNATING in found.flags
    assert abs(found.drop_mv - 100.0) < 4 * found.drop_u_mv
    assert found.drop_u_mv > 0.2


def test_a_source_of_one_direction_is_said():
    assert DeadFlag.NOT_REVERSED in injected(100.0, pattern=(0, 1, 0)).flags
    assert DeadFlag.NOT_REVERSED not in injected(100.0, pattern=(1, -1)).flags


def test_a_source_that_was_never_let_on_measures_nothing():
    found = injected(100.0, pattern=(0, 0))
    assert (found.drop_mv, found.verdict) == (None, Verdict.UNCLEAR)
    assert "no-load-mark" in found.flags


def test_readings_while_the_current_is_being_changed_are_left_out():
    detector = DeadDetector(DEPTH, 0.0)
    for k in range(40):
        now_s = 0.25 * k
        if k == 12:
            detector.mark("source", now_s, "changing")
        if k == 20:
            detector.mark("source", now_s, "5.0")
        detector.add(Reading(now_s, 0.1 if k > 13 else 0.0, DC, 1e-7))
    found = detector.finish(10.0)
    assert (found.drop_mv, found.idle_mv) == (pytest.approx(100.0), pytest.approx(0.0))


def test_progress_says_when_a_reading_is_steady():
    detector = DeadDetector(DEPTH, 0.0)
    assert not detector.progress().enough
    for k in range(20):
        detector.add(Reading(0.25 * k, 1e-5, DC, 1e-8))
    idle = detector.progress()
    assert (idle.enough, idle.stage) == (True, Stage.IDLE)
    detector.mark("source", 4.9, "changing")
    detector.mark("source", 5.0, "5.0")
    assert not detector.progress().enough
    for k in range(20):
        detector.add(Reading(5.0 + 0.25 * k, 0.1, DC, 1e-8))
    on = detector.progress()
    assert (on.enough, on.stage) == (True, Stage.ON)
    assert on.drop_mv == pytest.approx(100.0, abs=0.1)


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["ohm", "dc", "ac", "source", "load-on", "load-off", "over"]),
            st.floats(-1e6, 1e6),
        ),
        max_size=40,
    ),
    st.sampled_from([PATH, DEPTH]),
)
@settings(max_examples=60, deadline=None)
def test_any_readings_and_marks_give_a_measurement(events, setup):
    detector = DeadDetector(setup, 0.0)
    t_s = 0.0
    for kind, value in events:
        t_s += 0.3
        if kind in ("source", "load-on", "load-off"):
            detector.mark(kind, t_s, str(value))
        elif kind in ("ohm", "over"):
            [reading] = ohms([None if kind == "over" else value], start=t_s)
            detector.add(reading)
        else:
            detector.add(Reading(t_s, value, DC if kind == "dc" else Function.AC, 1e-6))
        detector.progress()
    found = detector.finish(t_s)
    for number in (found.drop_mv, found.drop_u_mv, found.path_mohm, found.path_u_mohm):
        assert number is None or np.isfinite(number)


def test_leads_read_by_themselves_are_taken_off_later_paths():
    circuit = Circuit("Up", ("Door", "Desk"))
    events = [Mark(0.0, "null"), *ohms([0.3] * 12), Mark(6.0, "end")]
    events += [Mark(7.0, "test", hookup="path-resistance", lead_a="Desk", lead_b="Door")]
    events += [*ohms([0.443] * 12, start=7.5), Mark(14.0, "end")]
    (done,) = completed_tests(events, circuit)
    assert done.measurement.path_mohm == pytest.approx(143.0, abs=0.1)


HEADER = {
    "capture": 1,
    "started": "2026-03-02T09:14:05+00:00",
    "driver": "lines",
    "settings": {},
    "circuit": {"name": "Up", "receptacles": ["Door", "Desk", "Bed"], "amps": 5.0},
}


def capture(path, header, lines):
    path.write_text("".join(json.dumps(line) + "\n" for line in [header, *lines]))
    return path


def rx(t_s, text):
    return {"t": t_s, "rx": f"{text}\r\n".encode().hex()}


def test_a_recorded_path_is_replayed_to_the_same_row_twice(tmp_path, meterlink):
    lines = [{"t": 0.0, "mark": "test", "hookup": "path-resistance", "lead_a": "Desk"}]
    lines += [rx(0.2 + 0.5 * k, " 0.143 ohm") for k in range(14)]
    lines += [{"t": 8.0, "mark": "end"}]
    visit = capture(tmp_path / "visit.jsonl", HEADER, lines)
    for folder in ("one", "two"):
        done = meterlink("replay", visit, "--job", tmp_path / folder)
        assert done.code == 0, done.err
    one, two = (list(read_rows(tmp_path / f / "tests.csv")) for f in ("one", "two"))
    assert one == two
    (row,) = one
    assert (row.setup.load_at, row.setup.side, row.amps) == ("", "neutral", None)
    assert row.path_mohm == pytest.approx(143.0)


def test_a_recorded_source_by_hand_is_replayed_signed(tmp_path, meterlink):
    header = HEADER | {"circuit": HEADER["circuit"] | {"load_kind": "direct-source"}}
    setup = {"hookup": "neutral-neutral", "lead_a": "Desk", "lead_b": "Door", "load_at": "Door"}
    lines = [{"t": 0.0, "mark": "test", **setup}]
    lines += [rx(0.5 + 0.5 * k, "  0.012 mV DC") for k in range(12)]
    lines += [{"t": 7.0, "mark": "load-on"}]
    lines += [rx(7.5 + 0.5 * k, "-125.012 mV DC") for k in range(12)]
    lines += [{"t": 14.0, "mark": "load-off"}]
    lines += [rx(14.5 + 0.5 * k, "  0.014 mV DC") for k in range(12)]
    lines += [{"t": 21.0, "mark": "end"}]
    visit = capture(tmp_path / "visit.jsonl", header, lines)
    done = meterlink("replay", visit, "--job", tmp_path / "job")
    assert done.code == 0, done.err
    (row,) = read_rows(tmp_path / "job" / "tests.csv")
    assert row.drop_mv == pytest.approx(-125.025, abs=0.01)
    assert (row.setup.side, row.amps, row.cycles) == ("neutral", 5.0, 1)


def test_the_settings_of_a_circuit_decide_what_is_dead():
    live = Circuit("Up", ("Door", "Desk"))
    dead = Circuit("Up", ("Door", "Desk"), load_kind=LoadKind.DIRECT_SOURCE, load_amps=5.0)
    mark = Mark(0.0, "test", hookup="neutral-ground", lead_a="Desk", load_at="Desk")
    rest = [Mark(1.0, "end")]
    assert [d.setup.side for d in completed_tests([mark, *rest], live)] == [""]
    assert [d.setup.side for d in completed_tests([mark, *rest], dead)] == ["neutral+ground"]
