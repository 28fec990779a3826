"""The one change against a general-purpose library's exact search: same splits, time as a ratio.

The library is ruptures, ``Dynp(model="l2", min_size=1, jump=1)`` with one change; both get the same
series, half of them with a change.

Run: ``python tests/benchmarks/detect_change_speed.py [--series 1000] [--seed 1]``
"""

import argparse
import time

import numpy as np
import ruptures
from meterlink.levels.change import most_likely_change

LENGTHS = (200, 2_000, 20_000)


def series(rng: np.random.Generator, n: int, *, with_change: bool) -> np.ndarray:
    """Noise of unit spread, with or without a step somewhere."""
    values = rng.normal(0.0, 1.0, n)
    if with_change:
        values[int(rng.integers(1, n)) :] += rng.normal(0.0, 2.0)
    return values


def library_split(values: np.ndarray) -> int:
    """Split of the exact search."""
    return int(ruptures.Dynp(model="l2", min_size=1, jump=1).fit(values).predict(n_bkps=1)[0])


def same_splits(count: int, seed: int) -> int:
    """How many of ``count`` series of 5 to 120 values are split alike."""
    rng = np.random.default_rng(seed)
    alike = 0
    for k in range(count):
        values = series(rng, int(rng.integers(5, 120)), with_change=bool(k % 2))
        alike += most_likely_change(values).split == library_split(values)
    return alike


def times(n: int, seed: int) -> tuple[float, float]:
    """Median seconds per series of ours, and seconds of one run of the library's."""
    rng = np.random.default_rng(seed)
    values = series(rng, n, with_change=True)
    ours = []
    for _ in range(50):
        begun = time.perf_counter()
        split = most_likely_change(values).split
        ours.append(time.perf_counter() - begun)
    begun = time.perf_counter()
    theirs = library_split(values)
    took = time.perf_counter() - begun
    if theirs != split:
        raise SystemExit(f"n = {n}: split {split} here, {theirs} in the library")
    return float(np.median(ours)), took


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    alike = same_splits(arguments.series, arguments.seed)
    print(f"same split on {alike} of {arguments.series} random series")
    print(f"{'readings':>8} {'ours ms':>9} {'library ms':>11} {'library / ours':>15}")
    for n in LENGTHS:
        ours, theirs = times(n, arguments.seed)
        print(f"{n:8d} {1e3 * ours:9.4f} {1e3 * theirs:11.2f} {theirs / ours:15.0f}")


if __name__ == "__main__":
    main()
