"""How often answers are right that are given with a stated certainty.

    python tests/benchmarks/calibration.py [--circuits 1000] [--seed 50000] [--workers 2]
        [--branches 3] [--most 16]

Invented circuits of 4 to 16 receptacles (``simulated_tests``: chains, forks at receptacles, hidden
splices; pickup, wander, 3 % outliers), other seeds than any that were looked at while the code
was written; with ``--branches`` so many times as many forks and splices as usual. Each gets ``n``
to ``4 n`` tests: a routine one at each receptacle, then random ones. The table, printed every 100
circuits, shows for the whole order and for the first receptacle how many answers were given in
each band of certainty and what share of them was right, with its standard error.
"""

import argparse
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from simulated_tests import Bench, true_clades

from meterlink.circuit.setup import Hookup, Setup
from meterlink.tree.infer import infer
from meterlink.tree.posterior import first_probabilities

BANDS = ((0.0, 0.5), (0.5, 0.9), (0.9, 0.95), (0.95, 0.99), (0.99, 1.01))


@dataclass
class Answer:
    """What was said of one circuit, and whether it was right."""

    seed: int
    order: float
    order_right: bool
    first: float
    first_right: bool
    seconds: float


def answer(seed: int, most: int, branches: float) -> Answer:
    """Test one invented circuit and resolve it."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(4, most + 1))
    bench = Bench.draw(n, seed, branches=branches)
    names = bench.circuit.receptacles
    setups = [Setup(Hookup.NEUTRAL_GROUND, name, None, name) for name in names]
    more = int(rng.integers(0, 3 * n + 1))
    setups += [bench.random_setup() for _ in range(more)]
    rows = [bench.row(i, setup) for i, setup in enumerate(setups, start=1)]
    start = time.process_time()
    posterior = infer(bench.circuit, rows)
    seconds = time.process_time() - start
    best = posterior.orders.clades[posterior.orders.best]
    first = first_probabilities(posterior.orders, n)
    truth = bench.wiring.first()
    at = n if truth is None else names.index(truth)
    return Answer(
        seed,
        float(posterior.orders.probability.max()),
        best.tolist() == true_clades(bench),
        float(first.max()),
        int(first.argmax()) == at,
        seconds,
    )


def show(answers: list[Answer]) -> None:
    """Print the table of what was answered so far."""
    print(f"{len(answers)} circuits")
    for what in ("order", "first"):
        print(f"{what:6}  certainty   answers  right")
        stated = np.array([getattr(a, what) for a in answers])
        right = np.array([getattr(a, what + "_right") for a in answers])
        for low, high in BANDS:
            inside = (stated >= low) & (stated < high)
            count = int(inside.sum())
            if not count:
                continue
            share, mean = right[inside].mean(), stated[inside].mean()
            error = (mean * (1 - mean) / count) ** 0.5
            print(
                f"        {low:.2f}-{min(high, 1):.2f}   {count:5}   {share:.3f}"
                f"  (stated {mean:.3f} ± {error:.3f})"
            )
        wrong = [
            a.seed for a in answers if getattr(a, what) > 0.99 and not getattr(a, what + "_right")
        ]
        print(f"        wrong above 0.99: {wrong}")
    seconds = np.array([a.seconds for a in answers])
    print(f"CPU seconds a circuit: median {np.median(seconds):.2f}, most {seconds.max():.1f}\n")
    sys.stdout.flush()


def run_all(
    answer_of: Callable[..., Any],
    show_them: Callable[[list[Any]], None],
    text: str | None,
    **options: float,
) -> None:
    """Answer many circuits in several processes, and print the tables as they grow.

    Args:
        answer_of: Takes a seed and the options, and answers one circuit.
        show_them: Prints what the answers so far come to.
        text: What the command's help says.
        options: Names and usual values; ``circuits``, ``seed`` and ``workers`` are always there.
    """
    parser = argparse.ArgumentParser(description=text)
    always = {"circuits": 1000, "seed": 50000, "workers": 2}
    for name, usual in (always | options).items():
        parser.add_argument(f"--{name}", type=type(usual), default=usual)
    given = vars(parser.parse_args())
    circuits, seed, workers = (given.pop(name) for name in always)
    answers: list[Any] = []
    with ProcessPoolExecutor(workers) as pool:
        one = partial(answer_of, **given)
        for found in pool.map(one, range(seed, seed + circuits), chunksize=4):
            answers.append(found)
            if len(answers) % 100 == 0 or len(answers) == circuits:
                show_them(answers)


if __name__ == "__main__":
    run_all(answer, show, __doc__, branches=1.0, most=16)
