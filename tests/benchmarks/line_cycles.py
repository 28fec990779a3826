"""How well repeated on/off cycles tell a sag of a wandering supply, and how honestly.

Run: ``python tests/benchmarks/line_cycles.py [--trials 20] [--seed 1] [--untapped]``

``z`` is the error over the stated uncertainty: its root mean square should be about 1.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from wandering_supply import Hand, sagging

from meterlink.circuit.setup import Verdict
from meterlink.levels.detector import measurement_of

SAGS = (0.0, 0.001, 0.002, 0.003, 0.005, 0.007, 0.01, 0.02, 0.03)


def line(volts: float, sag: float, hand: Hand, seed: int, trials: int) -> str:
    """One line of the table."""
    rng = np.random.default_rng([seed, int(volts), round(sag * 1e4), hand.cycles])
    found = [measurement_of(sagging(rng, volts, sag, hand)) for _ in range(trials)]
    told = [m for m in found if m.drop_mv is not None and m.drop_u_mv]
    error = np.array([m.drop_mv - 1e3 * sag * volts for m in told])
    u = np.array([m.drop_u_mv for m in told])
    z = error / u
    jump, none, unclear = (sum(m.verdict is one for m in found) / trials for one in Verdict)
    said = f"{volts:4.0f} {100 * sag:5.1f} {hand.cycles:3d}  {jump:5.0%} {none:5.0%} {unclear:5.0%}"
    if not told:
        return said
    return (
        f"{said} "
        f"{np.mean([m.cycles for m in told]):6.1f} {len(told):4d} {np.median(u):7.0f} "
        f"{np.sqrt(np.mean(error**2)):7.0f} {z.mean():+6.2f} {np.sqrt(np.mean(z**2)):6.2f} "
        f"{np.abs(z).max():5.1f}"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--untapped", action="store_true")
    parser.add_argument("--cycles", type=int, nargs="*", default=[1, 2, 4, 6])
    parser.add_argument("--volts", type=float, nargs="*", default=[120.0, 230.0])
    parser.add_argument("--sags", type=float, nargs="*", default=list(SAGS))
    asked = parser.parse_args()
    print("   V sag % cyc   jump  none unclear found told    u mV e (rms)   bias  rms z max z")
    for volts in asked.volts:
        for cycles in asked.cycles:
            for sag in asked.sags:
                hand = Hand(cycles, not asked.untapped)
                print(line(volts, sag, hand, asked.seed, asked.trials), flush=True)


if __name__ == "__main__":
    main()
