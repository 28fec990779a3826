"""The simulated bench against the circuit it stands for."""

import numpy as np
import pytest

from meterlink.circuit.setup import Hookup, Setup
from meterlink.simulation import Disturbances, SimulatedBench, Wiring, random_wiring

#: panel - 100 mohm - Door - 50 mohm - Desk; hot as neutral; no source impedance.
TWO = Wiring(("panel", "Door", "Desk"), (0, 0, 1), (0, 0.1, 0.05), (0, 0.1, 0.05), 0.0)
QUIET = Disturbances(pickup_mv=(0.0, 0.0), wander=0.0, supply_wander_v=0.0)


def bench(seed: int = 1, disturbances: Disturbances = QUIET) -> SimulatedBench:
    rng = np.random.default_rng(seed)
    return SimulatedBench(TWO, volts=120.0, load_amps=12.0, rng=rng, disturbances=disturbances)


def settled_volts(a_bench: SimulatedBench, setup: Setup) -> float:
    a_bench.connect(setup, 0.0)
    a_bench.load_on(1.0)
    reading = 0.0
    for step in range(1, 400):
        reading = a_bench.volts_at(step / 10)
    return reading


@pytest.mark.parametrize(
    ("setup", "shared_ohm"),
    [
        (Setup(Hookup.NEUTRAL_GROUND, "Door", None, "Desk"), 0.1),
        (Setup(Hookup.NEUTRAL_GROUND, "Desk", None, "Desk"), 0.15),
        (Setup(Hookup.NEUTRAL_NEUTRAL, "Door", "Desk", "Desk"), 0.05),
        (Setup(Hookup.NEUTRAL_NEUTRAL, "Door", "Desk", "Door"), 0.0),
    ],
)
def test_a_warm_load_makes_the_drop_of_ohms_law_on_the_shared_runs(setup, shared_ohm):
    # 12 A at 120 V is 10 ohm; the loop to the load adds hot and neutral.
    loop_ohm = 0.3 if setup.load_at == "Desk" else 0.2
    amps = 120 / (10 + loop_ohm)
    assert settled_volts(bench(), setup) == pytest.approx(amps * shared_ohm, rel=1e-4, abs=1e-6)


def test_the_supply_sags_by_the_loop_at_the_load():
    setup = Setup(Hookup.LINE_DROP, "Desk", None, "Desk")
    assert settled_volts(bench(), setup) == pytest.approx(120 - 0.3 * 120 / 10.3, rel=1e-4)


def test_a_cold_heater_draws_more_at_first():
    a_bench = bench()
    a_bench.connect(Setup(Hookup.NEUTRAL_GROUND, "Desk", None, "Desk"), 0.0)
    a_bench.load_on(0.0)
    early = max(a_bench.volts_at(step / 10) for step in range(1, 30))
    assert 1.01 < early / a_bench.true_drop_v() < 1.035


def test_hands_at_the_leads_pick_up_more_for_a_moment():
    a_bench = bench(disturbances=Disturbances(wander=0.0))
    a_bench.connect(Setup(Hookup.NEUTRAL_GROUND, "Desk", None, "Desk"), 0.0)
    first, later = a_bench.volts_at(0.01), a_bench.volts_at(5.0)
    assert 4 < first / later < 5


def test_a_load_that_is_switched_off_leaves_the_pickup():
    a_bench = bench(disturbances=Disturbances())
    a_bench.connect(Setup(Hookup.NEUTRAL_GROUND, "Desk", None, "Desk"), 0.0)
    a_bench.load_on(4.0)
    on = a_bench.volts_at(6.0)
    a_bench.load_off()
    assert a_bench.volts_at(6.1) < 0.02 < 1 < on


def test_pickup_adds_to_the_drop_with_a_phase_of_its_own():
    setup = Setup(Hookup.NEUTRAL_NEUTRAL, "Door", "Desk", "Desk")
    only_pickup = Disturbances(pickup_mv=(10.0, 10.0), wander=0.0, inrush=0.0)
    shown = [settled_volts(bench(seed, only_pickup), setup) for seed in range(12)]
    deviations = [1e3 * (volts - 120 / 10.3 * 0.05) for volts in shown]
    assert all(abs(deviation) <= 10.01 for deviation in deviations)
    assert min(deviations) < -3 < 3 < max(deviations)


def test_the_same_seed_gives_the_same_readings():
    def readings(seed: int) -> list[float]:
        rng = np.random.default_rng(seed)
        a_bench = SimulatedBench(
            random_wiring(("Door", "Desk", "Bed"), rng), volts=120.0, load_amps=12.0, rng=rng
        )
        a_bench.connect(Setup(Hookup.NEUTRAL_GROUND, "Bed", None, "Bed"), 0.0)
        a_bench.load_on(1.0)
        return [a_bench.volts_at(step / 3) for step in range(1, 30)]

    assert readings(5) == readings(5)
    assert readings(5) != readings(6)
