"""Rings and second paths found and missed, and healthy trees called rings.

Run by hand: ``python tests/benchmarks/rings.py [circuits] [first seed]``. Tests are drawn at random
(all hookups), with 3 % that are outliers, by ``simulated_tests``.
"""

import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from simulated_tests import Bench

from meterlink.circuit.setup import Hookup, Setup
from meterlink.tree.resolve import resolve


@dataclass(frozen=True)
class Meshed:
    """A network that answers tests by nodal analysis; hot runs are like neutral ones."""

    receptacles: tuple[str, ...]
    transfer_ohm: np.ndarray
    source_ohm: float = 0.08

    def at(self, name: str) -> int:
        return self.receptacles.index(name)

    def amps_at(self, name: str, nominal_amps: float, volts: float) -> float:
        own = self.transfer_ohm[self.at(name), self.at(name)]
        return volts / (volts / nominal_amps + self.source_ohm + 2 * own)

    def drop_v(self, setup: Setup, amps: float) -> float:
        load = self.at(setup.load_at)
        near = self.transfer_ohm[self.at(setup.lead_a), load]
        if setup.hookup is Hookup.NEUTRAL_GROUND:
            return float(amps * near)
        if setup.hookup is Hookup.LINE_DROP:
            return float(amps * (self.source_ohm + 2 * near))
        far = self.transfer_ohm[self.at(setup.lead_b or setup.lead_a), load]
        return float(amps * abs(near - far))


def meshed(names: tuple[str, ...], rng: np.random.Generator, kind: str) -> Meshed:
    """A ring of all receptacles, a ring with spurs, or a chain with one closing run inside it."""
    n = len(names)
    order = [int(i) for i in rng.permutation(n)]
    runs: list[tuple[int, int]] = []  # -1 is the panel
    spurs = order[: n // 3] if kind == "ring with spurs" else []
    round_trip = [i for i in order if i not in spurs]
    runs += list(zip([-1, *round_trip], round_trip, strict=False))
    if kind == "closing run in a chain":
        runs.append((round_trip[0], round_trip[-1]))
    else:
        runs.append((round_trip[-1], -1))
    runs += [(round_trip[int(rng.integers(len(round_trip)))], i) for i in spurs]
    laplacian = np.zeros((n, n))
    for a, b in runs:
        siemens = 1 / (float(rng.lognormal(np.log(3.5), 0.5)) * 8e-3 + 0.006)
        for p, q in ((a, b), (b, a)):
            if p >= 0:
                laplacian[p, p] += siemens
                if q >= 0:
                    laplacian[p, q] -= siemens
    return Meshed(names, np.linalg.inv(laplacian))


def study(kind: str, circuits: int, seed: int, tests_each: float) -> str:
    """One row of the table."""
    called, settled, noted, seconds = 0, 0, 0, []
    for k in range(circuits):
        n = 4 + k % 5
        bench = Bench.draw(n, seed + k)
        if kind != "tree":
            wiring = meshed(bench.circuit.receptacles, bench.rng, kind)
            bench.wiring = wiring
        rows = [bench.row(i, bench.random_setup()) for i in range(1, round(tests_each * n) + 1)]
        start = time.perf_counter()
        found = resolve(bench.circuit, rows)
        seconds.append(time.perf_counter() - start)
        called += found.loop is not None
        settled += found.settled
        noted += bool(found.notes)
    return (
        f"{kind:24s} {tests_each:5.1f} n {circuits:6d} {called:8d} {noted:6d} {settled:8d} "
        f"{np.median(seconds):8.2f} {max(seconds):8.2f}"
    )


def main() -> None:
    """Print the table."""
    circuits = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 50_000
    print("wiring                    tests  circ.   called  noted  settled  median s    max s")
    for kind, count, tests_each in (
        ("tree", 5 * circuits, 2.0),
        ("ring", circuits, 2.0),
        ("ring", circuits, 4.0),
        ("ring with spurs", circuits, 4.0),
        ("closing run in a chain", circuits, 4.0),
    ):
        print(study(kind, count, seed, tests_each), flush=True)


if __name__ == "__main__":
    main()
