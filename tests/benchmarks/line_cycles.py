"""How well ``line-drop`` tells a sag of a wandering supply by repeated on/off cycles, and how honestly.

Run: ``python tests/benchmarks/line_cycles.py [--trials 20] [--seed 1] [--untapped]``

The supply wanders by 0.24 % rms over 8 s; hands are 0 to 1.5 s late; meters give 2 to 10 readings a
second through a lag of 0.15 to 0.35 s and round to 1 mV, 10 mV or 0.1 V. ``z`` is the error over the
stated uncertainty: its root mean square should be about 1.
"""

import argparse
import sys
from dataclasses import dataclass

import numpy as np

from drivers.readings import Function, Reading
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels.detector import Measurement, TestDetector

STEP_S = 0.02
DEBUG = False
WANDER, WANDER_S = 2.4e-3, 8.0
SETUP = Setup(Hookup.LINE_DROP, "Bed", None, "Bed")
SAGS = (0.0, 0.001, 0.002, 0.003, 0.005, 0.007, 0.01, 0.02, 0.03)


@dataclass(frozen=True, slots=True)
class Hand:
    """How the load was switched.

    Attributes:
        cycles: How often.
        tapped: The person taps.
        first_on_s: The load is on for so long the first time; about 5 s further on.
    """

    cycles: int
    tapped: bool = True
    first_on_s: float = 13.0


def measured(rng: np.random.Generator, volts: float, sag: float, hand: Hand) -> Measurement:
    """One test of a sag (part of the supply) through the detector."""
    rate, lag_s = rng.choice([2.0, 3.0, 4.0, 8.0, 10.0]), rng.uniform(0.15, 0.35)
    digit_v = float(rng.choice([1e-3, 1e-2, 0.1]))
    detector = TestDetector(SETUP, 0.0, hertz=60.0, smallest_drop_mv=160.0)
    switch: list[tuple[float, float]] = []
    now_s = 10.0
    for k in range(hand.cycles):
        taps = [now_s]
        on_s = now_s + rng.uniform(0.0, 1.5)
        now_s = on_s + (hand.first_on_s if k == 0 else 5.0)
        taps.append(now_s)
        off_s = now_s + rng.uniform(0.0, 1.5)
        now_s = off_s + (8.0 if hand.cycles == 1 else 5.0)
        switch.append((on_s, off_s))
        DEBUG and print("true", round(on_s, 2), round(off_s, 2))
        if hand.tapped:
            detector.mark("load-on", taps[0])
            detector.mark("load-off", taps[1])
    t = np.arange(0.0, now_s, STEP_S)
    level = np.zeros(t.size)
    share, tau_s, warm = rng.uniform(0.01, 0.06), rng.uniform(2.0, 4.0), rng.uniform(0.0, 0.6)
    for k, (on_s, off_s) in enumerate(switch):
        on = (t >= on_s) & (t < off_s)
        level += on * (
            1 + share * (warm if k else 1.0) * np.exp(-np.clip(t - on_s, 0, None) / tau_s)
        )
    shocks = np.sqrt(2 * STEP_S / WANDER_S) * WANDER * rng.normal(size=t.size)
    wander, shown, keep = rng.normal() * WANDER, volts**2, np.exp(-STEP_S / lag_s)
    due = rng.uniform(0.0, 1 / rate)
    for k in range(t.size):
        wander += -wander * STEP_S / WANDER_S + shocks[k]
        shown = keep * shown + (1 - keep) * (volts * (1 - sag * level[k]) * (1 + wander)) ** 2
        if t[k] >= due:
            due += 1 / rate
            value = round((shown**0.5 + rng.normal() * 2e-3) / digit_v) * digit_v
            detector.add(Reading(float(t[k]), value, Function.AC, digit_v))
    return detector.finish(float(t[-1]))


def line(volts: float, sag: float, hand: Hand, seed: int, trials: int) -> str:
    """One line of the table."""
    rng = np.random.default_rng([seed, int(volts), round(sag * 1e4), hand.cycles])
    found = [measured(rng, volts, sag, hand) for _ in range(trials)]
    with_drop = [m for m in found if m.drop_mv is not None and m.drop_u_mv]
    z = np.array([(m.drop_mv - 1e3 * sag * volts) / m.drop_u_mv for m in with_drop])
    u = np.median([m.drop_u_mv for m in with_drop]) if with_drop else np.nan
    error = np.median([abs(m.drop_mv - 1e3 * sag * volts) for m in with_drop]) if with_drop else 0
    says = [sum(m.verdict is verdict for m in found) / trials for verdict in Verdict]
    return (
        f"{volts:4.0f} {100 * sag:5.1f} {hand.cycles:3d}  {says[0]:5.0%} {says[1]:5.0%} "
        f"{says[2]:5.0%} {np.mean([m.cycles or 0 for m in with_drop]):6.1f} {len(with_drop):4d} "
        f"{u:7.0f} {error:7.0f} {z.mean():+6.2f} {np.sqrt(np.mean(z**2)):6.2f} {np.abs(z).max():5.1f}"
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
    print("   V sag % cyc   jump  none unclear found with   u mV |e| med  bias  rms z max z")
    for volts in asked.volts:
        for cycles in asked.cycles:
            for sag in asked.sags:
                hand = Hand(cycles, not asked.untapped)
                print(line(volts, sag, hand, asked.seed, asked.trials), flush=True)


if __name__ == "__main__":
    sys.exit(main())
