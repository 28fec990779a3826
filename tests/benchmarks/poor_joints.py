"""Poor joints found against their excess, and healthy runs called poor.

Run by hand: ``python tests/benchmarks/poor_joints.py [circuits] [first seed]``. Invented circuits
of 5 to 8 receptacles; each gets 3 n tests on neutral hookups and n ``line-drop`` tests, 3 % of them
outliers. One run of each (not of the healthy ones) gets the excess in its neutral or its hot side.
A joint counts as found when the map gives it a probability of at least 0.5 at the right run and
side. Lengths, where stated, are the true ones with 5 % of error.
"""

import sys
from dataclasses import replace

import numpy as np
from simulated_tests import Bench

from meterlink.circuit.setup import Hookup, Setup
from meterlink.tree.resolve import POOR, resolve

EXCESSES_MOHM = (0.0, 20.0, 50.0, 100.0, 200.0)
JOINTS_OHM = 0.005  # sound joints of the invented wiring, on average


def setups(bench: Bench) -> list[Setup]:
    """Tests that a thorough visit would make: each receptacle by itself, then pairs."""
    names, rng = bench.circuit.receptacles, bench.rng
    wanted = [Setup(Hookup.NEUTRAL_GROUND, name, None, name) for name in names]
    for _ in range(2 * len(names)):
        a, load = (str(x) for x in rng.choice(names, 2, replace=False))
        wanted.append(Setup(Hookup.NEUTRAL_GROUND, a, None, load))
    return wanted + [Setup(Hookup.LINE_DROP, name, None, name) for name in names]


def called(seed: int, excess_mohm: float, side: str, *, lengths: bool) -> tuple[bool, int, int]:
    """Whether the joint was found, how many healthy runs were called poor, how many there were."""
    bench = Bench.draw(5 + seed % 4, seed)
    wiring, rng = bench.wiring, bench.rng
    named = [i for i, name in enumerate(wiring.names) if i and name is not None]
    poor = int(rng.choice(named))
    ohm = list(wiring.neutral_ohm if side == "neutral" else wiring.hot_ohm)
    per_m = 8.2855e-3 if bench.circuit.volts == 120 else 7.1e-3
    if lengths:
        stated = {
            str(wiring.names[i]): max(0.3, (wiring.neutral_ohm[i] - JOINTS_OHM) / per_m)
            * float(1 + 0.05 * rng.standard_normal())
            for i in named
        }
        bench.circuit = replace(bench.circuit, run_lengths_m=stated)
    ohm[poor] += excess_mohm * 1e-3
    key = "neutral_ohm" if side == "neutral" else "hot_ohm"
    bench.wiring = replace(wiring, **{key: tuple(ohm)})
    rows = [bench.row(i, setup) for i, setup in enumerate(setups(bench), 1)]
    joints = resolve(bench.circuit, rows).poor_joints
    found = {(j.run_to, j.side) for j in joints if j.probability >= POOR}
    right = (str(wiring.names[poor]), side)
    wrong = {run for run, _ in found if run != right[0]}
    if excess_mohm == 0:
        wrong = {run for run, _ in found}
    return right in found and excess_mohm > 0, len(wrong), len(wiring.names) - 1


def main() -> None:
    """Print the table."""
    circuits = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 30_000
    print("side     lengths  excess mohm  circuits  found   healthy runs called poor per 1,000")
    for side in ("neutral", "hot"):
        for lengths in (False, True):
            for excess in EXCESSES_MOHM if side == "neutral" else EXCESSES_MOHM[1:]:
                answers = [called(seed + k, excess, side, lengths=lengths) for k in range(circuits)]
                hit = np.mean([answer[0] for answer in answers])
                wrong = sum(answer[1] for answer in answers)
                runs = sum(answer[2] for answer in answers) - (excess > 0) * circuits
                print(
                    f"{side:8s} {'stated' if lengths else 'none':7s}  {excess:11.0f}  "
                    f"{circuits:8d}  {hit:5.2f}   {1000 * wrong / runs:6.1f}  ({wrong} of {runs})",
                    flush=True,
                )


if __name__ == "__main__":
    main()
