"""The front door for Python: light, complete, and every trap an error."""

import math
import subprocess
import sys

import numpy as np
import pytest

import meterlink as ml
from drivers.simulated import SimulatedMeter, available

CIRCUIT = ml.Circuit("Study", ("Door", "Desk", "Bed"), volts=120, load_amps=10)


def depth(name: str, mv: float) -> ml.Test:
    return ml.Test("neutral-ground", name, load=name, drop_mv=mv, u_mv=5)


def path(name: str, mohm: float = 90.0, **more: str) -> ml.Test:
    return ml.Test("path-resistance", name, path_mohm=mohm, path_u_mohm=3, **more)


CHAIN = [
    depth("Door", 800),
    depth("Desk", 1100),
    depth("Bed", 1500),
    ml.Test("neutral-neutral", "Door", "Bed", load="Desk", drop_mv=300, u_mv=5),
    ml.Test("neutral-neutral", "Desk", "Bed", load="Door", jump=False),
]


def test_importing_it_loads_neither_numpy_nor_a_driver():
    heavy = ("numpy", "drivers", "click")
    code = f"import meterlink, sys; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_every_name_of_the_front_door_is_there_and_documented():
    for name in ml.__all__:
        assert getattr(ml, name).__doc__, name
        assert name in dir(ml)
    with pytest.raises(AttributeError, match="no attribute 'guess'"):
        ml.guess  # noqa: B018


def test_tests_of_ones_own_are_resolved_and_the_next_one_named():
    found = ml.resolve(CIRCUIT, CHAIN)
    assert found.first.receptacle == "Door"
    feeds = {point.name: point.fed_from for point in found.points}
    assert feeds == {"Door": "panel", "Desk": "Door", "Bed": "Desk"}
    assert ml.next_test(CIRCUIT, CHAIN[:1]).gain_bits > 0
    assert ml.next_test(CIRCUIT, CHAIN, goal="first").settled


def test_ohms_are_of_the_neutral_where_no_conductor_is_named():
    ohms = [path("Door", 100), path("Desk", 150), path("Bed", 200)]
    assert ml.resolve(CIRCUIT, ohms).tests == 3
    assert (
        ml.resolve(CIRCUIT, ohms).first
        == ml.resolve(CIRCUIT, [path(t.lead_a, t.path_mohm, side="neutral") for t in ohms]).first
    )


def test_numbers_may_be_of_any_kind_that_numpy_has():
    plain = depth("Desk", 900)
    numpy = ml.Test(
        "neutral-ground", "Desk", load="Desk", drop_mv=np.int64(900), u_mv=np.float32(5)
    )
    assert ml.resolve(CIRCUIT, [numpy]).points == ml.resolve(CIRCUIT, [plain]).points


def test_a_replay_refuses_names_that_the_circuit_does_not_have():
    with pytest.raises(ml.MeterlinkError, match="no receptacle of 'Study'"):
        ml.replay("fixtures/captures/circuit-101/visit.jsonl", circuit=CIRCUIT)


def test_what_a_device_protects_is_asked_in_one_call():
    answer = ml.protect(CIRCUIT, CHAIN, cover=["Desk", "Bed"])
    assert answer.devices[0] in ("Door", "Desk")
    assert answer.covered > 0.9


def test_recorded_visits_are_replayed_to_rows_and_a_table(tmp_path):
    rows = ml.replay("fixtures/captures/circuit-101/visit.jsonl")
    assert [row.test for row in rows] == list(range(1, len(rows) + 1))
    assert np.median([row.drop_mv for row in rows]) > 1000
    with pytest.raises(ml.MeterlinkError, match="no capture"):
        ml.replay(tmp_path)
    pandas = pytest.importorskip("pandas")
    frame = rows.to_pandas()
    assert isinstance(frame, pandas.DataFrame)
    assert frame["drop_mV"].notna().all()


def test_arrays_are_measured_without_marks():
    rng = np.random.default_rng(3)
    t = np.arange(0, 30, 0.25)
    volts = 0.006 + 0.4 * ((t > 10) & (t < 20)) + 1e-4 * rng.normal(size=t.size)
    found = ml.measure(t, volts, hertz=60)
    assert found.verdict == "in-path"
    assert abs(found.drop_mv - 400) < 3 * found.drop_u_mv
    assert ml.measure(t, np.full_like(volts, 0.006), hertz=60).verdict == "unclear"


def test_what_a_meter_or_a_capture_raises_is_caught_by_a_name_of_the_front_door(tmp_path):
    with pytest.raises(ml.DriverError, match="no address"), ml.readings("foo"):
        pass
    with pytest.raises(ml.DriverError, match="cannot be opened"):
        ml.replay(tmp_path / "none.jsonl")


@pytest.mark.skipif(not available(), reason="no pseudo-terminals here")
def test_a_meter_that_says_nothing_is_not_waited_for_without_end():
    with SimulatedMeter(lambda _t_s: 0.004, rate_hz=50) as meter:
        with ml.readings(meter.address, patience_s=5) as stream:
            assert next(stream).volts == pytest.approx(0.004, abs=1e-4)
        meter.sleep()
        with (
            ml.readings(meter.address, patience_s=0.1) as stream,
            pytest.raises(ml.DriverError, match=r"No reading came from .* for 0\.1 s"),
        ):
            list(stream)


@pytest.mark.parametrize("figure", [-1, 0, math.nan, math.inf])
@pytest.mark.parametrize("name", ["volts", "breaker_amps", "load_amps", "amps_low"])
def test_a_circuit_whose_figures_make_no_sense_is_refused(name, figure):
    with pytest.raises(ml.MeterlinkError, match=name):
        ml.Circuit("Study", ("Door", "Desk"), **{name: figure})


def test_a_log_that_is_not_there_is_an_error(tmp_path):
    with pytest.raises(ml.MeterlinkError, match="not there"):
        ml.read_log(tmp_path / "tests.csv")


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: ml.Test("neutral", "Desk", load="Desk", drop_mv=1, u_mv=1), "expected one of"),
        (lambda: ml.Test("neutral-ground", "Desk", load="Desk"), "needs drop_mv"),
        (lambda: ml.Test("neutral-ground", "Desk", load="Desk", drop_mv=5), "standard uncertainty"),
        (lambda: depth("Desk", math.nan), "finite"),
        (lambda: ml.Test("neutral-ground", "Desk", load="Desk", drop_mv="9", u_mv=1), "a number"),
        (lambda: ml.Test("neutral-ground", "Desk", load="Desk", drop_mv=9, u_mv=-1), "above 0"),
        (
            lambda: ml.Test("neutral-ground", "Desk", load="Desk", path_mohm=9),
            "path_mohm is nothing",
        ),
        (lambda: ml.Test("path-resistance", "Desk", drop_mv=9, u_mv=1), "drop_mv is nothing"),
        (
            lambda: ml.Test("neutral-ground", "Desk", load="Desk", drop_mv=9, u_mv=1, jump=False),
            "Give drop_mv or jump",
        ),
        (lambda: ml.Circuit("Study", "Door"), "list of names"),
        (lambda: ml.Circuit("Study", ("Door", "Door")), "named twice"),
        (lambda: ml.Circuit("Study", ("panel", "Door")), "another part of the map"),
        (lambda: ml.Circuit("Study", (1, 2)), "has 1, which is no name"),
        (lambda: ml.Circuit("Study", ("Door",), no_ground="Door"), "no_ground is 'Door'"),
        (lambda: ml.Circuit("Study", ("Door",), no_ground=("Desk",)), "no receptacle here"),
        (lambda: ml.Circuit("Study", ("Door",), load_kind="kettle"), "load_kind is 'kettle'"),
        (lambda: ml.Circuit("Study", ("Door",), hertz=math.nan), "hertz is nan"),
        (lambda: ml.Circuit("Study", ("Door",), hertz=-60), "hertz is -60"),
        (lambda: ml.Circuit("Study", ("Door",), wire_temperature_c=math.nan), "temperature"),
        (lambda: ml.Circuit("Study", ("Door",), wire_temperature_c=-300), "temperature"),
        (lambda: ml.Circuit("Study", ("Door",), volts="120"), "volts is '120'"),
        (lambda: ml.Circuit("Study", ("Door",), run_lengths_m={"Desk": 3}), "no receptacle here"),
        (lambda: ml.Circuit("Study", ("Door",), run_lengths_m={"Door": -3}), "run to Door is -3"),
        (lambda: path("Desk", side="banana"), "of hot, neutral, ground"),
        (lambda: ml.resolve(CIRCUIT, [depth("Attic", 9.0)]), "Attic"),
        (lambda: ml.resolve(CIRCUIT, ["Door"]), "expected a Test"),
        (lambda: ml.resolve("S", []), "circuit is 'S'; give a Circuit"),
        (lambda: ml.next_test(None, []), "circuit is None; give a Circuit"),
        (lambda: ml.protect({}, []), "circuit is {}; give a Circuit"),
        (lambda: ml.resolve(CIRCUIT, None), "tests is None; give a list of tests"),
        (lambda: ml.next_test(CIRCUIT, 5), "tests is 5; give a list of tests"),
        (lambda: ml.protect(CIRCUIT, [], cover="Door"), "cover is 'Door'; give a list"),
        (lambda: ml.next_test(CIRCUIT, [], not_now="Door"), "not_now is 'Door'; give a list"),
        (lambda: ml.next_test(CIRCUIT, [], hookups="neutral-ground"), "hookups is 'neutral-gr"),
        (lambda: ml.Test("neutral-ground", 5, load="Desk", jump=True), "lead_a is 5; give a name"),
        (lambda: ml.Test("neutral-ground", "Desk", load=7, jump=True), "load is 7; give a name"),
        (lambda: ml.Test("neutral-ground", "Desk", load="Desk", jump="no"), "jump is 'no'"),
        (lambda: ml.replay("fixtures/captures/circuit-101", circuit="S"), "circuit is 'S'"),
        (lambda: ml.replay(None), "paths is None"),
        (lambda: ml.read_log(None), "path is None"),
        (lambda: ml.next_test(CIRCUIT, [], goal="everything"), "goal is 'everything'"),
        (lambda: ml.next_test(CIRCUIT, [], hookups=["ohms"]), "hookup is 'ohms'"),
        (lambda: ml.protect(CIRCUIT, [], cover=["Moon"]), "Moon"),
        (lambda: ml.measure([0, 1, 0.5], [0, 0, 0], hertz=60), "run back"),
        (lambda: ml.measure([0, 1, 2], [0, math.nan, 0], hertz=60), "finite|NaN|nan"),
        (lambda: ml.trials([1.0, math.nan, 2.0]), "finite|number"),
        (lambda: ml.trials([1.0, 2.0], by=["Ann"]), "shape"),
    ],
)
def test_what_would_give_a_wrong_answer_is_an_error(make, message):
    with pytest.raises(ml.MeterlinkError, match=message):
        make()


@pytest.mark.parametrize(
    "test",
    [
        {"hookup": "neutral-neutral", "lead_a": "Door", "load": "Bed"},
        {"hookup": "neutral-ground", "lead_a": "Door", "lead_b": "Desk", "load": "Bed"},
        {"hookup": "neutral-ground", "lead_a": "Door"},
        {"hookup": "path-resistance", "lead_a": "Door", "load": "Bed"},
    ],
)
def test_what_is_wrong_with_a_test_is_said_without_the_options_of_a_command(test):
    with pytest.raises(ml.MeterlinkError) as refused:
        ml.Test(**test, jump=True)
    assert "--" not in str(refused.value)
