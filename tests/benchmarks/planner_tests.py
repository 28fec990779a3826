"""Tests needed to settle: the planner against random choice and a fixed routine.

    python tests/benchmarks/planner_tests.py [--circuits 20] [--sizes 5,8,12,16] [--no-grounds]

Each circuit is invented (``simulated_tests``), with pickup, wander and outliers; each way of
choosing gets the same circuits. A trial ends when the goal has a probability of 0.95, or after
``6 n`` tests; from 12 receptacles on, random choice and the routine look at it after every second
test only. The table shows the mean number of tests with its standard error, how many trials ended,
and how many of the answers were right. The way ``tripped`` is the planner after the device at the
receptacle that feeds about half of the others was tripped by its test button, and all were looked
at: what that look alone saves. Goals: ``two`` is ``protect`` for two receptacles drawn by chance,
``fault`` asks for the box where all beyond one run, drawn by chance, are dead.
"""

import argparse
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from simulated_tests import Bench, true_clades

from meterlink.answers.protection import fewest_devices
from meterlink.circuit.setup import Hookup, Setup
from meterlink.plan.next_test import Goal, Question, is_settled, next_test
from meterlink.testlog.columns import TestRow
from meterlink.testlog.findings import Cut, Finding, State
from meterlink.tree.infer import Posterior, infer
from meterlink.tree.posterior import first_probabilities


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


@dataclass(frozen=True)
class Trial:
    """What is tried, and on which circuit."""

    n: int
    seed: int
    way: str
    goal: str
    grounded: bool


@dataclass(frozen=True)
class Result:
    """Tests used, whether that settled it, whether the answer was right, seconds of a choice."""

    tests: int
    settled: bool
    right: bool
    seconds: float


def run(trial: Trial) -> Result:
    """One circuit, one way of choosing."""
    n = trial.n
    bench = Bench.draw(n, trial.seed, grounded=trial.grounded)
    asked = question_of(trial, bench)
    fixed = fixed_routine(bench)
    rows: list[TestRow] = []
    seconds = []
    stride = 1 if trial.way in ("planner", "tripped") or n < 12 else 2
    findings = tripped_in_the_middle(bench) if trial.way == "tripped" else []
    posterior = infer(bench.circuit, rows, findings=findings)
    while len(rows) < 6 * n:
        start = time.process_time()
        if trial.way in ("planner", "tripped"):
            last = rows[-1].setup if rows else None
            choice = next_test(posterior, last=last, question=asked)
            findings += [seen_dead(name) for name in choice.look_at]
            setup = choice.setup
        else:
            setup = next(fixed) if trial.way == "fixed" else bench.random_setup()
        rows.append(bench.row(len(rows) + 1, setup))
        if len(rows) % stride:
            continue
        posterior = infer(bench.circuit, rows, findings=findings)
        seconds.append(time.process_time() - start)
        if is_settled(posterior, question=asked):
            break
    right = _right(bench, posterior, asked)
    return Result(len(rows), is_settled(posterior, question=asked), right, max(seconds))


def seen_dead(name: str) -> Finding:
    """What a look with the breaker off finds of a receptacle that is on the circuit."""
    return Finding(1, datetime(2026, 1, 1, tzinfo=UTC), Cut.BREAKER_OFF, None, name, State.DEAD)


def question_of(trial: Trial, bench: Bench) -> Question:
    """The goal of a trial, about receptacles drawn by chance where it is about some."""
    rng = np.random.default_rng(trial.seed)
    names = bench.circuit.receptacles
    if trial.goal == "two":
        two = rng.choice(len(names), 2, replace=False)
        return Question(Goal.PROTECT, cover=tuple(names[i] for i in two))
    if trial.goal == "fault":
        behind = true_clades(bench)[int(rng.integers(len(names)))]
        dead = tuple(name for i, name in enumerate(names) if behind >> i & 1)
        return Question(Goal.FAULT, dead=dead)
    return Question(Goal(trial.goal))


def tripped_in_the_middle(bench: Bench) -> list[Finding]:
    """What a device at the receptacle that feeds about half of the others makes dead."""
    names, own = bench.circuit.receptacles, true_clades(bench)
    at = min(range(len(names)), key=lambda i: abs(own[i].bit_count() - 1 - len(names) / 2))
    return [
        Finding(
            i + 1,
            datetime(2026, 1, 1, tzinfo=UTC),
            Cut.TRIPPED,
            names[at],
            name,
            State.DEAD if own[at] >> i & 1 else State.LIVE,
        )
        for i, name in enumerate(names)
    ]


def _right(bench: Bench, posterior: Posterior, asked: Question) -> bool:
    """Whether the most probable answer is that of the true wiring."""
    orders = posterior.orders
    names = bench.circuit.receptacles
    true = np.array(true_clades(bench), dtype=np.int64)
    if asked.goal is Goal.PROTECT:
        wanted = sum(1 << names.index(name) for name in asked.cover) or (1 << len(names)) - 1
        devices = int(fewest_devices(orders.clades, orders.probability, wanted)[orders.best])
        covered = np.bitwise_or.reduce([c for i, c in enumerate(true) if devices >> i & 1])
        return bool(covered & wanted == wanted)
    if asked.goal is Goal.FIRST:  # the true order need not be among those that are kept
        every = (1 << len(names)) - 1
        first = [i for i, clade in enumerate(true) if clade == every] or [len(names)]
        return [int(first_probabilities(orders, len(names)).argmax())] == first
    label = asked.labels(posterior)
    best = int(np.bincount(label, orders.probability).argmax())
    same = (orders.clades == true).all(axis=1)
    return bool((label[same] == best).any())


def line_of(n: int, goal: str, way: str, results: list[Result]) -> str:
    """A line of the table."""
    used = np.array([r.tests for r in results], dtype=float)
    settled = np.array([r.settled for r in results])
    right = np.array([r.right for r in results])
    error = used.std(ddof=1) / len(used) ** 0.5 if len(used) > 1 else float("nan")
    return (
        f"{n:<3} {goal:7} {way:8} {used.mean():6.1f} ± {error:4.1f}  {used.mean() / n:5.2f}"
        f"   {settled.sum():3}/{len(results)}  {right[settled].sum():3}/{settled.sum()}"
        f"   {max(r.seconds for r in results):.1f}"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--circuits", type=int, default=20)
    parser.add_argument("--sizes", default="5,8,12,16")
    parser.add_argument("--ways", default="planner,random,fixed")
    parser.add_argument("--goals", default="order,first")
    parser.add_argument("--no-grounds", action="store_true")
    parser.add_argument("--seed", type=int, default=7000)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    print("n   goal    way      mean tests     per n  settled  right  most CPU s a step")
    with ProcessPoolExecutor(options.workers) as pool:
        for n in map(int, options.sizes.split(",")):
            for goal in options.goals.split(","):
                for way in options.ways.split(","):
                    seeds = range(options.seed, options.seed + options.circuits)
                    trials = [Trial(n, seed, way, goal, not options.no_grounds) for seed in seeds]
                    print(line_of(n, goal, way, list(pool.map(run, trials))), flush=True)


if __name__ == "__main__":
    main()
