"""Repeat trials: 10,000 rows in 200 groups against pandas, and a million rows with peak memory.

Needs pandas (extra ``data``). Run: ``python tests/benchmarks/lab_trials.py``

Both programs read the same file and work out n, mean, standard deviation, lowest and highest a
group; meterlink also does uncertainty, drift, autocorrelation, outliers and the chi-square of the
stated uncertainty. Each is a process of its own, start-up and imports apart; best of three.
"""

import csv
import json
import random
import subprocess
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from itertools import chain
from pathlib import Path

from meterlink.testlog.columns import COLUMNS

ROUNDS = 3
GROUPS = 200

OURS = """
import json, re, sys, time
def peak_mb():
    return int(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1]) / 1024
from pathlib import Path
from meterlink.lab.uncertainty import t_quantile
from meterlink.lab.study import study_logs
from meterlink.lab.table import Question
t_quantile(0.9, 3)  # loads SciPy
before = peak_mb()
began = time.perf_counter()
study = study_logs([Path(sys.argv[1])], Question())
took = time.perf_counter() - began
peak = peak_mb()
figures = [[g.summary.n, g.summary.mean, g.summary.sd] for g in study.groups]
print(json.dumps({"s": took, "base_mb": before, "peak_mb": peak, "figures": figures}))
"""
THEIRS = """
import json, re, sys, time
def peak_mb():
    return int(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1]) / 1024
import pandas
before = peak_mb()
began = time.perf_counter()
frame = pandas.read_csv(sys.argv[1])
groups = frame.groupby(["hookup", "lead_a", "lead_b", "load_at"], sort=False)["drop_mV"]
found = groups.agg(["count", "mean", "std", "min", "max"])
took = time.perf_counter() - began
peak = peak_mb()
figures = found[["count", "mean", "std"]].to_numpy().tolist()
print(json.dumps({"s": took, "base_mb": before, "peak_mb": peak, "figures": figures}))
"""


def write_rows(path: Path, rows: int) -> None:
    """A log of trials, the groups taking turns."""
    rng = random.Random(1)
    began = datetime(2026, 3, 2, 9, tzinfo=UTC)
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(COLUMNS)
        for k in range(rows):
            drop = f"{50 + k % GROUPS + rng.gauss(0, 1.2):.4f}"
            time = (began + timedelta(seconds=30 * k)).isoformat(timespec="milliseconds")
            levels = [12.1, 5.1234, 0.213, 155.4, 0.311, 5.1001, drop, drop, 1.2, 3.1]
            place = ["neutral-neutral", f"R{k % GROUPS}", "Door", "Bed"]
            rest = ["in-path", 100, 90, "live", "visit.jsonl", "", ""]
            rest += [""] * (len(COLUMNS) - 23)
            writer.writerow([k + 1, time, *place, *levels, *rest])


def best(code: str, path: Path, rounds: int = ROUNDS) -> dict[str, object]:
    """Run in processes of their own; the quickest."""
    runs = []
    for _ in range(rounds):
        command = [sys.executable, "-c", code, str(path)]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        runs.append(json.loads(done.stdout))
    return min(runs, key=lambda run: run["s"])


def largest_difference(ours: list[list[float]], theirs: list[list[float]]) -> float:
    """Of any figure, relative."""
    pairs = zip(chain.from_iterable(ours), chain.from_iterable(theirs), strict=True)
    return max(abs(a - b) / max(abs(b), 1e-300) for a, b in pairs)


def rows() -> list[tuple[int, dict[str, object], dict[str, object]]]:
    """Measure: number of rows, ours, pandas'."""
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for count, rounds in ((10_000, ROUNDS), (1_000_000, 1)):
            path = Path(folder) / "log.csv"
            write_rows(path, count)
            found.append((count, best(OURS, path, rounds), best(THEIRS, path, rounds)))
    return found


def main() -> None:
    """Print the table."""
    print(f"{'rows':>9} {'ours s':>8} {'pandas s':>9} {'ratio':>6} {'rows/s':>9}", end=" ")
    print(f"{'peak MB':>8} {'above idle MB':>14} {'pandas MB':>10} {'differ by':>10}")
    for count, ours, theirs in rows():
        ratio = ours["s"] / theirs["s"]
        differ = largest_difference(ours["figures"], theirs["figures"])
        print(
            f"{count:9,d} {ours['s']:8.2f} {theirs['s']:9.2f} {ratio:6.2f} "
            f"{count / ours['s']:9,.0f} {ours['peak_mb']:8.0f} "
            f"{ours['peak_mb'] - ours['base_mb']:14.0f} "
            f"{theirs['peak_mb'] - theirs['base_mb']:10.0f} {differ:10.1e}"
        )


if __name__ == "__main__":
    main()
