"""Faults injected at random moments into whole tests through pseudo-terminals: what came of them.

Run: ``python tests/benchmarks/fault_table.py [TRIALS]`` (default 272: each fault with each kind of
meter several times). Seeds are the trial numbers.
"""

import sys
import time
from collections import defaultdict
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from fault_trials import DRIVERS, FAULTS, Outcome, run_trials


def main() -> None:
    """Print the table, a line a fault, then every trial that went wrong."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 272
    trials = [
        (FAULTS[k % len(FAULTS)], DRIVERS[k // len(FAULTS) % len(DRIVERS)], k) for k in range(count)
    ]
    begin_s = time.monotonic()
    outcomes = run_trials(trials)
    by_fault: dict[str, list[Outcome]] = defaultdict(list)
    for outcome in outcomes:
        by_fault[outcome.fault].append(outcome)
    heads = ("trials", "lost", "damaged", "hangs", "traces", "wrong", "logged", "void")
    print(f"{'fault':26}" + "".join(f"{head:>9}" for head in heads))
    for fault, found in [*by_fault.items(), ("all", outcomes)]:
        print(f"{fault:26}" + "".join(f"{figure:9}" for figure in _figures(found)))
    for trial, outcome in zip(trials, outcomes, strict=False):
        if outcome.wrong or outcome.traceback or outcome.lost or outcome.damaged or outcome.hung:
            print(trial, outcome)
    print(f"{time.monotonic() - begin_s:.0f} s")


def _figures(found: list[Outcome]) -> tuple[int, ...]:
    return (
        len(found),
        sum(one.lost for one in found),
        sum(one.damaged for one in found),
        sum(one.hung for one in found),
        sum(bool(one.traceback) for one in found),
        sum(bool(one.wrong) for one in found),
        sum(one.result not in ("void", "none") for one in found),
        sum(bool(one.void) for one in found),
    )


if __name__ == "__main__":
    main()
