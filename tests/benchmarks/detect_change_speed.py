"""All changes of a series against a general-purpose library's exact search: same cost, time ratio.

The library is ruptures, ``Pelt(model="l2", min_size=1, jump=1)`` with the same penalty. Then the
cost of a reading in a running test: adding it and asking how the test stands.

Run: ``python tests/benchmarks/detect_change_speed.py [--series 200] [--seed 1]``
"""

import argparse
import time

import numpy as np
import ruptures

from drivers.readings import Function, Reading
from meterlink.circuit.setup import Hookup, Setup
from meterlink.levels.detector import TestDetector
from meterlink.levels.trace import partition

LENGTHS = (100, 400, 1_000)
PENALTY = 25.0


def series(rng: np.random.Generator, n: int) -> np.ndarray:
    """Levels of some seconds each, with noise of unit spread."""
    levels = np.repeat(rng.normal(0.0, 20.0, n // 20 + 1), 20)[:n]
    return levels + rng.normal(0.0, 1.0, n)


def ours(values: np.ndarray) -> list[int]:
    """Starts of the levels."""
    return partition(values, PENALTY)


def theirs(values: np.ndarray) -> list[int]:
    """The same by the library."""
    found = ruptures.Pelt(model="l2", min_size=1, jump=1).fit(values).predict(pen=PENALTY)
    return [0, *found[:-1]]


def times(n: int, seed: int) -> tuple[float, float]:
    """Seconds per series, ours and the library's; both must find the same levels."""
    values = series(np.random.default_rng(seed), n)
    begun = time.perf_counter()
    found = ours(values)
    middle = time.perf_counter()
    expected = theirs(values)
    ended = time.perf_counter()
    if found != expected:
        raise SystemExit(f"n = {n}: levels from {found} here, {expected} in the library")
    return middle - begun, ended - middle


def reading_cost_ms(seed: int) -> tuple[float, float]:
    """Median and greatest cost of a reading and a look, in ms, through a test of 35 s."""
    rng = np.random.default_rng(seed)
    setup = Setup(Hookup.NEUTRAL_GROUND, "Bed", None, "Door")
    detector = TestDetector(setup, 0.0, hertz=60.0)
    took = []
    for k in range(140):
        t = 0.25 * k
        if k in (40, 96):
            detector.mark("load-on" if k == 40 else "load-off", t)
        volts = (0.4 if 11 <= t < 25 else 6e-3) + rng.normal(0.0, 2e-4)
        begun = time.perf_counter()
        detector.add(Reading(t, volts, Function.AC, 1e-5))
        detector.progress()
        took.append(1e3 * (time.perf_counter() - begun))
    return float(np.median(took)), float(np.max(took))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    cases = [series(rng, int(rng.integers(5, 120))) for _ in range(options.series)]
    alike = sum(ours(values) == theirs(values) for values in cases)
    print(f"{alike} of {options.series} series of 5 to 120 values have the same levels")
    for n in LENGTHS:
        here, there = times(n, options.seed)
        print(f"n = {n:5d}: {1e3 * here:8.2f} ms here, {1e3 * there:8.1f} ms ruptures Pelt")
    median, most = reading_cost_ms(options.seed)
    print(f"a reading and a look at the test: median {median:.2f} ms, at most {most:.2f} ms")


if __name__ == "__main__":
    main()
