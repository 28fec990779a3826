"""The dead circuit in closed loop: tests until the order is settled, and how good the runs are.

    python tests/benchmarks/dead_circuit.py [--count 5] [--receptacles 5 8 12]

Invented circuits; an ohmmeter of two wires with steps of 1 and 10 mohm, and a direct source of 2
and 5 A with a millivoltmeter. One row a setting: settled, of them wrong, tests on average, median
error of a run in mohm.
"""

import argparse
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.setup import Hookup, Setup
from meterlink.plan.next_test import next_test
from meterlink.simulation import Wiring, random_wiring
from meterlink.testlog.columns import TestRow
from meterlink.testlog.rows import ohms_row, source_row
from meterlink.tree.infer import infer
from meterlink.tree.resolve import map_of

NAMES = ("Door", "Desk", "Bed", "Sink", "Hall", "Porch", "Attic", "Shelf", "Nook", "Bench", "Sofa")
NAMES += ("Crib",)
TIME = datetime(2026, 3, 2, tzinfo=UTC)
SETTINGS = (("ohms", 0.001), ("ohms", 0.010), ("amps", 2.0), ("amps", 5.0))


def reading(
    wiring: Wiring, circuit: Circuit, setup: Setup, step: float, rng: np.random.Generator
) -> TestRow:
    """What the instruments show, with contacts that differ by some milliohms or microvolts."""
    ways = [set(wiring.way(wiring.index(p))) if p else set() for p in (setup.lead_a, setup.lead_b)]
    if setup.hookup.ohms:
        ohm = sum(wiring.neutral_ohm[run] for run in ways[0] ^ ways[1]) + 2e-3 * rng.normal()
        shown = round(ohm / step) * step
        return ohms_row(setup, circuit, time=TIME, ohms=shown, step_ohms=step)
    flow = set(wiring.way(wiring.index(setup.load_at)))
    a, b = (sum(wiring.neutral_ohm[run] for run in way & flow) for way in ways)
    amps = circuit.load_amps or 1.0
    row = TestRow(0, TIME, setup, amps=amps)
    on = 1e3 * amps * (a - b) + 3e-3 * rng.normal()
    return source_row(row, idle_mv=0.0, on_mv=on, u_mv=0.1, smallest_mv=8.0 * amps)


def one(seed: int, n: int, kind: str, value: float) -> tuple[bool, bool, int, float]:
    """Settled, right, tests, median error of the runs in mohm (of right orders)."""
    rng = np.random.default_rng(1000 + seed)
    wiring = random_wiring(NAMES[:n], rng)
    circuit = Circuit("Invented", NAMES[:n], conductor="14 AWG copper")
    hookup = Hookup.PATH_RESISTANCE if kind == "ohms" else Hookup.NEUTRAL_NEUTRAL
    if kind == "amps":
        circuit = replace(circuit, load_kind=LoadKind.DIRECT_SOURCE, load_amps=value)
    rows: list[TestRow] = []
    while True:
        posterior = infer(circuit, rows)
        last = rows[-1].setup if rows else None
        asked = next_test(posterior, last=last, hookups=[hookup])
        if asked.settled or len(rows) >= 4 * n:
            break
        found = reading(wiring, circuit, asked.setup, value, rng)
        rows.append(replace(found, test=len(rows) + 1))
    answer = map_of(posterior, rows)
    feeds = {p.name: p.fed_from for p in (*answer.points, *answer.splices)}
    right = all(_above(name, feeds) == above for name, above in wiring.upstream().items())
    error = float("nan")
    if right:
        true = {p: 1e3 * wiring.neutral_ohm[wiring.index(p)] for p in wiring.receptacles}
        away = [abs(p.run_mohm - true[p.name]) for p in answer.points if p.run_mohm is not None]
        error = float(np.median(away)) if away else float("nan")
    return asked.settled, right, len(rows), error


def _above(name: str, feeds: dict[str, str]) -> frozenset[str]:
    found = set()
    while (name := feeds[name]) != "panel":
        found.add(name)
    return frozenset(found & set(NAMES))


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--count", type=int, default=5)
    options.add_argument("--receptacles", type=int, nargs="+", default=[5, 8])
    given = options.parse_args()
    print("receptacles  setting        settled  wrong  tests  run error, mohm")
    for n in given.receptacles:
        for kind, value in SETTINGS:
            runs = [one(seed, n, kind, value) for seed in range(given.count)]
            settled = [run for run in runs if run[0]]
            wrong = sum(not run[1] for run in settled)
            tests = np.mean([run[2] for run in runs])
            error = np.nanmean([run[3] for run in runs])
            setting = f"{1e3 * value:.0f} mohm steps" if kind == "ohms" else f"{value:.0f} A"
            print(
                f"{n:11}  {setting:13}  {len(settled):3}/{len(runs):<3}  {wrong:5}  {tests:5.1f}"
                f"  {error:.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
