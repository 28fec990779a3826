"""Do the lab's intervals hold what they say, and how often do its outlier rules err: by simulation.

Run: ``python tests/benchmarks/lab_coverage.py [SERIES]`` (default 2000 series a line; seeded).

First table: share of "95 %" intervals of the mean that hold the true one, how often a drift is
claimed, and the width in that of Student's t for independent trials ("student": as if they were).
Second: the mean of levels, over all studies and over those in which levels are said not to differ.
Third: false alarms and power of the outlier rule by number of values.
"""

import math
import sys

import numpy as np
from scipy import stats

from meterlink.lab.one_way import one_way
from meterlink.lab.series import summarise
from meterlink.lab.uncertainty import suspects

CASES = (
    ("independent", 0.0, 0.0),
    ("drift of 3 sd", 0.0, 3.0),
    ("AR(1) 0.3", 0.3, 0.0),
    ("AR(1) 0.8", 0.8, 0.0),
    ("AR(1) 0.8, drift of 6 sd", 0.8, 6.0),
)
NUMBERS = (5, 10, 15, 20, 30, 50, 100, 200)


def process(rng: np.random.Generator, n: int, rho: float) -> np.ndarray:
    """A first-order process of unit variance."""
    fresh = rng.standard_normal(n)
    values = fresh.copy()
    for place in range(1, n):
        values[place] = rho * values[place - 1] + math.sqrt(1 - rho * rho) * fresh[place]
    return values


def of_mean(n: int, rho: float, slope: float, series: int, seed: int = 1) -> tuple[float, ...]:
    """Coverage, Student's coverage, drift claimed, half width over sd / sqrt(n)."""
    rng = np.random.default_rng(seed)
    across = np.linspace(-0.5, 0.5, n)
    k = float(stats.t.ppf(0.975, n - 1))
    inside = student = claimed = 0
    width = 0.0
    for _ in range(series):
        values = process(rng, n, rho) + slope * across
        found = summarise(values)
        low, high = found.interval
        inside += low <= 0 <= high
        student += abs(found.mean) <= k * found.u_mean
        claimed += found.drift is not None and found.drift.significant
        width += (high - low) / 2 / (2 * k / math.sqrt(n)) * 2
    return inside / series, student / series, claimed / series, width / series


def of_levels(p: int, n: int, between: float, spread: float, series: int) -> tuple[float, ...]:
    """Coverage of the mean of levels, all; share said not to differ; coverage among those."""
    rng = np.random.default_rng(2)
    codes = np.repeat(np.arange(p), n)
    sizes = np.linspace(1.0, spread, p)[codes]
    inside = same = inside_same = 0
    for _ in range(series):
        values = between * rng.standard_normal(p)[codes] + sizes * rng.standard_normal(p * n)
        found = one_way(values, codes)
        half = float(stats.t.ppf(0.975, found.dof_mean)) * found.u_mean
        holds = abs(found.mean_of_levels) <= half
        inside += holds
        same += not found.differs
        inside_same += holds and not found.differs
    return inside / series, same / series, inside_same / max(same, 1)


def of_outliers(n: int, series: int) -> tuple[float, ...]:
    """False alarms; power for one and for two on the same side, eight standard deviations off."""
    rng = np.random.default_rng(3)
    clean = one = two = 0
    for _ in range(series):
        values = rng.standard_normal(n)
        clean += bool(suspects(values))
        values[0] += 8
        one += 0 in {found.index for found in suspects(values)}
        values[1] += 8.5
        two += {0, 1} <= {found.index for found in suspects(values)}
    return clean / series, one / series, two / series


def main() -> None:
    """Print the tables."""
    series = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print(f"{series} series a line; 95 % intervals of the mean")
    print(f"{'n':>4} {'series':26} {'holds':>7} {'student':>8} {'drift claimed':>14} {'width':>6}")
    for n in NUMBERS:
        for name, rho, slope in CASES:
            holds, student, claimed, width = of_mean(n, rho, slope, series)
            print(f"{n:4} {name:26} {holds:7.3f} {student:8.3f} {claimed:14.3f} {width:6.2f}")
    print("\nmean of levels: sd between levels in sd of trials; spread of the last level")
    print(f"{'p':>3} {'n':>3} {'between':>8} {'spread':>7} {'holds':>7} {'same':>6} {'then':>6}")
    for p, n in ((2, 10), (3, 3), (3, 10), (5, 3), (5, 10), (8, 10)):
        for between, spread in ((0, 1), (0.2, 1), (0.4, 1), (1, 1), (3, 1), (0, 3)):
            holds, same, then = of_levels(p, n, between, spread, series)
            print(f"{p:3} {n:3} {between:8} {spread:7} {holds:7.3f} {same:6.2f} {then:6.3f}")
    print("\noutliers: false alarms; power for one at 8 sd, for two at 8 and 8.5 sd")
    for n in (4, 5, 6, 7, 8, 9, 10, 12, 15, 20, 25, 30, 54, 100):
        alarms, one, two = of_outliers(n, series)
        print(f"{n:4} {alarms:7.3f} {one:7.3f} {two:7.3f}")


if __name__ == "__main__":
    main()
