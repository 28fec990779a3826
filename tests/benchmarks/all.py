"""Every part against something outside in one run: one table, with the machine and the versions.

    python tests/benchmarks/all.py [--quick] [--json]

Both sides of a ratio run in turn in this process, or each in a process of its own, on the same
input. "x more" is the outside's time over ours, so that more is better for us. What is not
installed is left out by name (extras ``test``, ``data`` and ``bench``). For the studies behind a
line (error rates, calibration, faults) run the other scripts in this folder.
"""

import argparse
import importlib
import importlib.metadata
import json
import os
import platform
import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
CAPTURE = ROOT / "fixtures" / "captures" / "circuit-106" / "visit.jsonl"
LIBRARIES = ("numpy", "scipy", "pandas", "ruptures", "river", "biopython", "click")


@dataclass(frozen=True)
class Line:
    """A line of the table: what is measured, our time, the outside and its time, in seconds."""

    part: str
    what: str
    ours_s: float
    outside: str = ""
    outside_s: float | None = None
    note: str = ""

    @property
    def ratio(self) -> float | None:
        """Outside over ours."""
        return None if self.outside_s is None else self.outside_s / self.ours_s


def best_s(work: Callable[[], object], rounds: int = 3) -> float:
    """Shortest of a few rounds."""
    times = []
    for _ in range(rounds):
        began = time.perf_counter()
        work()
        times.append(time.perf_counter() - began)
    return min(times)


def decode(quick: bool) -> Iterator[Line]:
    """Bytes to readings against a bare scan of the same bytes."""
    import decode_speed

    rng = random.Random(1)
    levels = [
        abs(rng.gauss((0.008, 0.15)[k // 80 % 2], 1e-3)) for k in range(decode_speed.READINGS)
    ]
    for name, write in decode_speed.WRITERS.items():
        data = b"".join(write(volts) for volts in levels)
        driver = name.partition(",")[0]
        ours = best_s(partial(decode_speed.decode, driver, data), 1 if quick else 3)
        for scan, work in decode_speed.SCANS[driver]:
            bare = best_s(partial(work, data), 1 if quick else 3)
            note = f"{decode_speed.READINGS / ours:,.0f} readings/s"
            yield Line(
                "decode", f"{driver}, {len(levels):,} readings", ours, f"bare {scan}", bare, note
            )


def detect(quick: bool) -> Iterator[Line]:
    """The exact change in an array, and the cost of a reading as it comes."""
    import detect_change_speed

    for n in (200, 2_000) if quick else detect_change_speed.LENGTHS:
        ours, theirs = detect_change_speed.times(n, 1)
        yield Line("detect", f"one change in {n:,}", ours, "ruptures Dynp", theirs, "same split")
    values = np.concatenate([np.full(2000, 0.005), np.full(2000, 0.15)])
    values = values + np.random.default_rng(1).normal(0, 3e-4, values.size)
    ours = best_s(partial(_detect_online, values))
    drift = importlib.import_module("river.drift")
    for name in ("PageHinkley", "ADWIN"):
        theirs = best_s(partial(_feed, getattr(drift, name), values.tolist()))
        note = "a whole test: levels, drop, flags"
        yield Line(
            "detect", f"{values.size:,} readings online", ours, f"river {name}", theirs, note
        )


def _feed(kind: Callable[[], object], values: list[float]) -> None:
    detector = kind()
    for value in values:
        detector.update(value)


def _detect_online(values: np.ndarray) -> None:
    from drivers.readings import Function, Reading
    from meterlink.circuit.setup import Hookup, Setup
    from meterlink.levels.detector import TestDetector

    setup = Setup(Hookup.NEUTRAL_GROUND, "Desk", None, "Desk")
    detector = TestDetector(setup, 0.0, hertz=60)
    half = values.size // 2
    for k, value in enumerate(values):
        if k == half:
            detector.mark("load-on", k * 0.01)
        detector.add(Reading(k * 0.01, float(value), Function.AC))
    detector.finish(values.size * 0.01)


def resolve(quick: bool) -> Iterator[Line]:
    """The wiring order: against listing all trees, and a full matrix against neighbour joining."""
    import oracle
    from simulated_tests import Bench

    from meterlink.tree.infer import infer

    for n in (5,) if quick else (5, 6):
        bench = Bench.draw(n, 4)
        rows = [bench.row(k + 1, bench.random_setup()) for k in range(12)]
        ours = best_s(partial(infer, bench.circuit, rows), 2)
        posterior = infer(bench.circuit, rows)
        listing = best_s(partial(oracle.listed, posterior), 1)
        apart = oracle.difference(posterior, oracle.listed(posterior), rows)
        note = f"probabilities differ by {apart:.1e} at most"
        yield Line(
            "resolve", f"{n} receptacles, 12 tests", ours, "listing all trees", listing, note
        )
    yield _against_joining(8)


def _against_joining(n: int) -> Line:
    """A full matrix of neutral-ground tests; joining gets exact distances: only time compares."""
    from Bio.Phylo.TreeConstruction import DistanceMatrix, DistanceTreeConstructor
    from simulated_tests import Bench

    from meterlink.circuit.setup import Hookup, Setup
    from meterlink.tree.infer import infer

    bench = Bench.draw(n, 4, outlier=0.0)
    names = list(bench.circuit.receptacles)
    setups = [Setup(Hookup.NEUTRAL_GROUND, a, None, b) for a in names for b in names]
    rows = [bench.row(k + 1, setup) for k, setup in enumerate(setups)]
    shared = np.array([bench.wiring.drop_v(setup, 1.0) for setup in setups]).reshape(n, n)
    own = np.diag(shared)
    apart = own[:, None] + own[None, :] - shared - shared.T
    lower = [[float(apart[i, j]) for j in range(i + 1)] for i in range(n)]
    matrix = DistanceMatrix(names, lower)
    joining = best_s(lambda: DistanceTreeConstructor().nj(matrix))
    ours = best_s(partial(infer, bench.circuit, rows), 1)
    note = "joining gives one tree, no probabilities"
    what = f"{n} receptacles, full matrix"
    return Line("resolve", what, ours, "Biopython nj", joining, note)


def plan(quick: bool) -> Iterator[Line]:
    """The next test."""
    from simulated_tests import Bench

    from meterlink.plan.next_test import next_test
    from meterlink.tree.infer import infer

    for n in (5,) if quick else (5, 8, 12):
        bench = Bench.draw(n, 2)
        rows = [bench.row(k + 1, bench.random_setup()) for k in range(n)]
        posterior = infer(bench.circuit, rows)
        work = partial(next_test, posterior, last=None, done=set())
        yield Line("plan", f"{n} receptacles after {n} tests", best_s(work, 2))


def replay(quick: bool) -> Iterator[Line]:
    """Many captures: two cores against one."""
    import lab_many_captures

    found = lab_many_captures.study(60 if quick else 1000)
    rows = found["rows"]
    same = found["two_identical"] and found["killed_identical"]
    note = f"{rows / found['two_s']:.0f} rows/s, killed and started again "
    note += "identical" if same else "DIFFERENT"
    what = f"{found['captures']} captures, two cores"
    yield Line("replay", what, found["two_s"], "one core", found["one_s"], note)


def trials(quick: bool) -> Iterator[Line]:
    """Repeat trials."""
    import lab_trials

    for count, ours, theirs in lab_trials.rows()[: 1 if quick else 2]:
        note = f"peak {ours['peak_mb']:.0f} MB, pandas {theirs['peak_mb']:.0f} MB"
        yield Line("trials", f"{count:,} rows, 200 groups", ours["s"], "pandas", theirs["s"], note)


def start_up(quick: bool) -> Iterator[Line]:
    """Whole processes."""
    rounds = 3 if quick else 9
    bare = _process([sys.executable, "-c", "import click"], rounds)[0]
    ours, peak = _process([sys.executable, "-m", "meterlink", "--help"], rounds)
    yield Line("start-up", "meterlink --help", ours, "import click", bare, f"peak {peak:.0f} MB")
    with tempfile.TemporaryDirectory() as folder:
        for round_number in range(1 if quick else 3):
            job = str(Path(folder) / str(round_number))
            command = [sys.executable, "-m", "meterlink", "replay", str(CAPTURE), "--job", job]
            took, peak = _process(command, 1)
        yield Line("replay", "circuit-106, whole process", took, note=f"peak {peak:.0f} MB")
        took, peak = _process([sys.executable, "-m", "meterlink", "map", job], 1)
        yield Line("resolve", "map of circuit-106, whole process", took, note=f"peak {peak:.0f} MB")


#: A process counts the memory of the one that started it as its own, so a small one stands between.
_BETWEEN = """
import json, resource, subprocess, sys, time
began = time.perf_counter()
code = subprocess.call(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
took = time.perf_counter() - began
peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
print(json.dumps([code, took, peak]))
"""


def _process(command: list[str], rounds: int) -> tuple[float, float]:
    """Shortest time, and peak memory in MB, of a command."""
    runs = []
    for _ in range(rounds):
        between = [sys.executable, "-S", "-c", _BETWEEN, *command]
        done = subprocess.run(between, capture_output=True, text=True, check=True)
        code, took, peak = json.loads(done.stdout)
        if code:
            raise SystemExit(f"{command} ended with {code}")
        runs.append((took, peak))
    return min(took for took, _ in runs), max(peak for _, peak in runs)


PARTS = (decode, detect, resolve, plan, replay, trials, start_up)


def machine() -> dict[str, str]:
    """What the figures were measured on."""
    load = os.getloadavg()[0]
    found = {
        "machine": f"{platform.machine()}, {os.cpu_count()} cores, load {load:.1f} at the start",
        "system": f"{platform.system()} {platform.release()}",
        "python": platform.python_version(),
        "meterlink": importlib.metadata.version("meterlink"),
    }
    for name in LIBRARIES:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "not installed"
    return found


def lines(quick: bool, only: str) -> Iterator[Line | str]:
    """Every line as it is measured, or why a part is left out."""
    for part in PARTS:
        if only and part.__name__ != only:
            continue
        try:
            yield from part(quick)
        except ImportError as error:
            yield f"{part.__name__}: the rest is left out, {error.name} is not installed"


def shown(line: Line) -> str:
    """A line as text."""
    outside = ratio = ""
    if line.outside_s is not None:
        outside, ratio = f"{1e3 * line.outside_s:12,.2f}", f"{line.ratio:9.2f}"
    return (
        f"{line.part:9} {line.what:34} {1e3 * line.ours_s:12,.2f} {line.outside:18} {outside:>12} "
        f"{ratio:>9}  {line.note}"
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="smaller, for a look")
    parser.add_argument("--only", default="", choices=["", *(part.__name__ for part in PARTS)])
    parser.add_argument("--json", action="store_true", help="for comparing runs")
    arguments = parser.parse_args()
    about = machine()
    if arguments.json:
        found = list(lines(arguments.quick, arguments.only))
        measured = [asdict(line) for line in found if isinstance(line, Line)]
        print(json.dumps({"about": about, "lines": measured}, indent=1))
        return
    for name, value in about.items():
        print(f"{name:10} {value}")
    print()
    print(f"{'part':9} {'what':34} {'ours ms':>12} {'outside':18} {'outside ms':>12} {'x more':>9}")
    for line in lines(arguments.quick, arguments.only):
        print(shown(line) if isinstance(line, Line) else line, flush=True)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"\npeak memory of this process {peak:.0f} MB")


if __name__ == "__main__":
    main()
