"""Tests needed to settle: the planner against random choice and a fixed routine.

    python tests/benchmarks/planner_tests.py [--circuits 20] [--sizes 5,8,12] [--no-grounds]

Each circuit is invented (``simulated_tests``), with pickup, wander and lying tests; each way of
choosing gets the same circuits. A trial ends when the goal has a probability of 0.95, or after
``6 n`` tests. The table shows the mean number of tests, how many trials ended, and how many of the
answers were right.
"""

import argparse
import time
from collections.abc import Iterator

import numpy as np
from simulated_tests import Bench, true_clades

from meterlink.circuit.setup import Hookup, Setup
from meterlink.plan.next_test import Goal, is_settled, next_test
from meterlink.tree.infer import infer


def fixed_routine(bench: Bench) -> Iterator[Setup]:
    """Load at each in turn with the meter there; then the pairs, load at the second, then first."""
    names = bench.circuit.receptacles
    own = Hookup.NEUTRAL_GROUND if bench.circuit.grounded else Hookup.LINE_DROP
    for name in names:
        yield Setup(own, name, None, name)
    for gap in range(1, len(names)):
        for i in range(len(names) - gap):
            yield Setup(Hookup.NEUTRAL_NEUTRAL, names[i], names[i + gap], names[i + gap])
            yield Setup(Hookup.NEUTRAL_NEUTRAL, names[i], names[i + gap], names[i])
    while True:
        yield bench.random_setup()


def trial(
    n: int, seed: int, way: str, goal: Goal, *, grounded: bool
) -> tuple[int, bool, bool, float]:
    """Tests used, whether it settled, whether the answer was right, seconds a choice took."""
    bench = Bench.draw(n, seed, grounded=grounded)
    fixed = fixed_routine(bench)
    rows, seconds = [], []
    posterior = infer(bench.circuit, rows)
    while len(rows) < 6 * n:
        start = time.perf_counter()
        if way == "planner":
            last = rows[-1].setup if rows else None
            setup = next_test(posterior, last=last, done={r.setup for r in rows}, goal=goal).setup
        else:
            setup = next(fixed) if way == "fixed" else bench.random_setup()
        rows.append(bench.row(len(rows) + 1, setup))
        posterior = infer(bench.circuit, rows)
        seconds.append(time.perf_counter() - start)
        if is_settled(posterior, goal):
            break
    return len(rows), is_settled(posterior, goal), _right(bench, posterior, goal), max(seconds)


def _right(bench: Bench, posterior: object, goal: Goal) -> bool:
    """Whether the most probable answer is the true one."""
    names = bench.circuit.receptacles
    clades = posterior.orders.clades[posterior.orders.best]
    if goal is Goal.FIRST:
        full = (1 << len(names)) - 1
        found = [names[i] for i in range(len(names)) if clades[i] == full]
        return (found[0] if found else None) == bench.wiring.first()
    return list(clades) == true_clades(bench)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--circuits", type=int, default=20)
    parser.add_argument("--sizes", default="5,8,12")
    parser.add_argument("--ways", default="planner,random,fixed")
    parser.add_argument("--goals", default="order,first")
    parser.add_argument("--no-grounds", action="store_true")
    options = parser.parse_args()
    print("n   goal   way      mean tests  per n  settled  right  worst s a step")
    for n in map(int, options.sizes.split(",")):
        for goal in map(Goal, options.goals.split(",")):
            for way in options.ways.split(","):
                done = [
                    trial(n, 7000 + s, way, goal, grounded=not options.no_grounds)
                    for s in range(options.circuits)
                ]
                used, settled, right, slow = (np.array(x) for x in zip(*done, strict=True))
                print(
                    f"{n:<3} {goal:6} {way:8} {used.mean():6.1f}      {used.mean() / n:5.2f}"
                    f"   {settled.sum():3}/{len(done)}  {right[settled].sum():3}"
                    f"/{settled.sum()}   {slow.max():.1f}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
