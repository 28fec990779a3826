"""No source on a live circuit: the look for mains, and the cautions before it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.readings import Function, Reading
from drivers.simulated import Display, SimulatedMeter
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import write_job
from meterlink.live.dead_circuit import LiveCircuitError, look_for_mains
from meterlink.live.remembered import find_address
from meterlink.visit.cautions import (
    CAUTIONS,
    DEAD_CAUTIONS,
    LIVE_V,
    Mains,
    MainsCheck,
    are_confirmed,
    confirm,
    digest,
)


def checked(volts, function=Function.AC, every_s=0.5, hold=False):
    check = MainsCheck()
    for k, value in enumerate(volts):
        check.add(Reading(every_s * k, value, function, 1e-3, value is None, hold))
    return check


@pytest.mark.parametrize(
    ("volts", "state"),
    [
        ([0.02] * 12, Mains.ABSENT),
        ([0.02] * 5, Mains.LOOKING),
        ([4.0] * 12, Mains.UNSURE),
        ([0.02] * 3 + [120.0], Mains.PRESENT),
        ([-230.0], Mains.PRESENT),
        ([None], Mains.PRESENT),
        ([], Mains.LOOKING),
    ],
)
def test_mains_is_seen_or_seen_to_be_absent(volts, state):
    assert checked(volts).state is state


@pytest.mark.parametrize("function", [Function.DC, Function.OHM, Function.OTHER])
def test_a_meter_on_another_function_proves_nothing(function):
    check = checked([0.0] * 30, function)
    assert check.state is Mains.LOOKING
    assert "AC volts" in check.why


def test_a_meter_that_does_not_name_its_function_is_to_be_looked_at():
    assert "only if the meter IS on AC volts" in checked([0.02] * 12, Function.UNKNOWN).why
    assert checked([0.02] * 12).why == "No mains: 20 mV AC."


def test_a_held_display_proves_nothing():
    assert checked([0.0] * 30, hold=True).state is Mains.LOOKING


@given(st.lists(st.floats(-400, 400), max_size=40))
def test_what_was_once_above_the_limit_is_never_absent(volts):
    check = checked(volts)
    if any(abs(v) > LIVE_V for v in volts):
        assert check.state in (Mains.PRESENT, Mains.ABSENT, Mains.UNSURE)
        first = next(k for k, v in enumerate(volts) if abs(v) > LIVE_V)
        assert check.state is Mains.PRESENT or checked(volts[:first]).state is not Mains.LOOKING


@pytest.fixture
def job(tmp_path):
    return write_job(tmp_path, Circuit("Up", ("Door", "Desk")))


@pytest.mark.parametrize(
    ("volts", "driver", "words"),
    [(120.0, "lines", "LIVE"), (120.0, "scpi", "LIVE"), (4.0, "scpi", "Prove it dead")],
)
def test_a_live_circuit_is_refused(job, volts, driver, words):
    display = Display(function=Function.AC)
    with SimulatedMeter(lambda _: volts, driver=driver, rate_hz=20.0, display=display) as meter:
        said = []
        with pytest.raises(LiveCircuitError, match=words):
            look_for_mains(job, find_address(meter.address), said.append, within_s=20.0)
    assert "AC volts" in said[0]
    assert list(job.captures_path.glob("mains-*.jsonl"))


def test_a_dead_circuit_passes(job):
    with SimulatedMeter(lambda _: 0.004, driver="scpi", rate_hz=20.0) as meter:
        look_for_mains(job, find_address(meter.address), lambda _: None, within_s=20.0)


def test_a_meter_that_stays_on_dc_is_refused_after_a_while(job):
    display = Display(function=Function.DC)
    with (
        SimulatedMeter(lambda _: 0.0, driver="lines", rate_hz=20.0, display=display) as meter,
        pytest.raises(LiveCircuitError, match="Turn the meter to AC volts"),
    ):
        look_for_mains(job, find_address(meter.address), lambda _: None, within_s=0.6)


def test_the_cautions_of_the_dead_circuit_are_confirmed_by_themselves(tmp_path):
    from datetime import UTC, datetime

    confirm(tmp_path, datetime(2026, 3, 2, tzinfo=UTC), DEAD_CAUTIONS)
    assert are_confirmed(tmp_path, DEAD_CAUTIONS)
    assert not are_confirmed(tmp_path, CAUTIONS)
    assert digest(DEAD_CAUTIONS) != digest()


@pytest.mark.parametrize(
    "words",
    ["locked", "Prove dead", "stays joined", "live circuit", "electronics", "code", "Ground-fault"],
)
def test_the_cautions_name_what_they_must(words):
    assert any(words.casefold() in caution.casefold() for caution in DEAD_CAUTIONS)
