"""Whose current a large idle reading is: an appliance's, another circuit's, or a feeder's."""

from dataclasses import replace

import numpy as np
import pytest

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Setup
from meterlink.testlog.columns import TestRow
from meterlink.tree.fit import Known, refit
from meterlink.tree.hypotheses import Hypotheses, RunPrior
from meterlink.tree.likelihood import Grounds
from meterlink.tree.observations import Tests, observations_of
from meterlink.tree.resolve import resolve
from meterlink.tree.wiring import WiringMap

from .plain import NAMES, NG, NN, circuit, drop_mv, row

CHAIN = {0: "panel", 1: 0, 2: 1, 3: 2}
MOHM = {0: 70.0, 1: 33.0, 2: 27.0, 3: 35.0}
CIRCUIT = circuit(4, load_amps=10.0)


def rows_with(
    amps: dict[str, float], *, feeder_mv: float = 0.0, opposed: bool = False
) -> list[TestRow]:
    """A chain of four with what draws current idle; from a feeder the same at every ground."""
    rng = np.random.default_rng(1)
    setups = [Setup(NG, name, None, name) for name in NAMES[:4]]
    setups += [Setup(NN, "Attic", "Den", "Den"), Setup(NN, "Bath", "Cellar", "Den")]
    rows = []
    for i, s in enumerate(setups * 2, 1):
        drop = drop_mv(CHAIN, MOHM, s, 10.0)
        idle = float(rng.uniform(2.0, 9.0)) + (feeder_mv if s.hookup is NG else 0.0)
        idle += sum(
            drop_mv(CHAIN, MOHM, replace(s, load_at=at), one) for at, one in amps.items()
        ) * float(rng.uniform(0.9, 1.1))
        on = abs(idle - drop) if opposed else idle + drop
        one = row(i, s.hookup, s.lead_a, s.lead_b, s.load_at, drop, 4.0)
        rows.append(replace(one, idle_mv=idle, on_mv=on, level_u_mv=2.0))
    return rows


def named(found: WiringMap) -> dict[str, float]:
    return {c.name: c.probability for c in found.conditions}


@pytest.mark.parametrize("amps", [{"Den": 2.0}, {"Bath": 1.5, "Den": 1.0}, {"Cellar": 3.0}])
def test_what_grows_towards_an_appliance_is_an_appliance(amps: dict[str, float]) -> None:
    found = named(resolve(CIRCUIT, rows_with(amps)))
    assert found["other-load"] > 0.8
    assert found.get("sub-panel", 0.0) < 0.1


@pytest.mark.parametrize("feeder_mv", [80.0, 500.0])
def test_what_is_the_same_at_every_ground_and_not_between_neutrals_is_a_feeders(
    feeder_mv: float,
) -> None:
    """An appliance at the first receptacle would look the same, but one in four only is there."""
    found = resolve(CIRCUIT, rows_with({}, feeder_mv=feeder_mv))
    assert named(found)["sub-panel"] > 0.4
    assert named(found).get("other-load", 0.0) < 0.5
    assert found.first.receptacle == "Attic"
    assert found.settled


def test_what_works_against_the_drop_is_a_shared_neutral_and_a_hazard() -> None:
    found = resolve(CIRCUIT, rows_with({"Attic": 9.0}, opposed=True))
    [one] = [c for c in found.conditions if c.name == "shared-neutral"]
    assert one.probability > 0.7
    assert one.hazard


def test_without_large_idle_readings_nobody_draws_current() -> None:
    assert named(resolve(CIRCUIT, rows_with({}))) == {}


def test_a_stated_sub_panel_is_listed_with_what_it_means_and_makes_a_feeder_likelier() -> None:
    stated = replace(CIRCUIT, sub_panel=True)
    [one] = resolve(stated, rows_with({})).conditions
    assert (one.name, one.hazard) == ("sub-panel", False)
    assert "as stated" in one.why
    alike = rows_with({}, feeder_mv=200.0)
    assert named(resolve(stated, alike)).get("other-load", 0.0) < 0.1
    denied = named(resolve(stated, rows_with({"Den": 3.0})))  # what grows is not the feeder's
    assert denied["other-load"] > 0.8


IDLE_AND_ON_MV = (  # of a house with two appliances left on, solved by a circuit simulator
    (NG, "Cellar", None, "Cellar", 499.9, 2044.8, 4.5),
    (NG, "Foyer", None, "Foyer", 577.6, 2537.2, 4.9),
    (NG, "Attic", None, "Attic", 346.6, 1227.6, 3.6),
    (NG, "Bath", None, "Bath", 499.2, 1894.4, 3.5),
    (NG, "Den", None, "Den", 502.8, 2297.0, 3.8),
    (NG, "Eaves", None, "Eaves", 572.3, 2165.8, 4.6),
    (NN, "Eaves", "Cellar", "Eaves", 68.2, 280.0, 1.1),
    (NN, "Eaves", "Foyer", "Foyer", 7.9, 364.3, 0.9),
    (NN, "Attic", "Foyer", "Den", 233.4, 746.2, 1.7),
    (NN, "Cellar", "Foyer", "Den", 61.2, 94.6, 1.1),
    (NG, "Cellar", None, "Den", 510.7, 2050.1, 3.6),
    (NG, "Attic", None, "Foyer", 339.1, 1202.6, 3.1),
    (NN, "Attic", "Den", "Foyer", 168.9, 682.3, 1.7),
)


def test_of_two_drops_that_a_current_leaves_open_the_one_that_fits_the_others_is_found() -> None:
    """Test 10 reads 36 or 153 mV, both sharply; tests 1, 4 and 11 say which. No test is wrong."""
    rows = [
        replace(
            row(i, *where, on - idle, 50.0, amps=8.08), idle_mv=idle, on_mv=on, level_u_mv=level_u
        )
        for i, (*where, idle, on, level_u) in enumerate(IDLE_AND_ON_MV, 1)
    ]
    house = circuit(6, volts=120.0, load_amps=8.08, conductor="14 AWG copper")
    tests = Tests.of(observations_of(house, rows))
    wired = np.array([[0b111111, 0b111110, 0b001100, 0b001000, 0b110000, 0b100000]])
    known = Known(tests, RunPrior.for_conductor(house.ohm_per_m()), Grounds(np.full(6, -25.0)))
    fit = refit(Hypotheses.of(wired), known)[1]
    assert fit.inlier.min() > 0.5
    assert fit.predicted_mv[0, 9] == pytest.approx(153.0, abs=4.0)


def test_a_log_of_forty_receptacles_is_weighed_too() -> None:
    names = tuple(f"R{i}" for i in range(40))
    one = row(1, NG, "R7", None, "R7", 900.0, 4.0)
    rows = [replace(one, idle_mv=400.0, on_mv=1300.0, level_u_mv=2.0)]
    assert named(resolve(Circuit("many", names, load_amps=10.0), rows))["other-load"] > 0.3
