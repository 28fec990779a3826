"""A thousand captures: two cores and a cluster of two against one core, killed half-way, goes on.

Run: ``python tests/benchmarks/lab_many_captures.py [NUMBER]``

Captures are made up from simulated readings, four tests of 40 s at 4 readings a second each. Each
run is the command line in a process of its own. "Identical" compares the log byte for byte with
that of one core.
"""

import importlib.util
import json
import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

NUMBER = 1000
TESTS = 4
NAMES = ("Door", "Desk", "Bed", "Hall")


def write_capture(path: Path, seed: int) -> None:
    """One visit: neutral-ground at each receptacle with the load right there."""
    rng = random.Random(seed)
    circuit = {"name": "Flat", "receptacles": NAMES, "volts": 230, "hertz": 50, "amps": 10}
    started = f"2026-{1 + seed // 28 % 12:02}-{1 + seed % 28:02}T09:{seed // 336:02}:00+00:00"
    header = {"capture": 1, "started": started, "driver": "lines", "settings": {}}
    lines: list[dict[str, object]] = [header | {"circuit": circuit}]
    for number, at in enumerate(NAMES[:TESTS]):
        t = number * 45.0
        mark = {"t": t, "mark": "test", "hookup": "neutral-ground", "lead_a": at, "load_at": at}
        lines.append(mark)
        for quarter in range(160):
            now = t + quarter / 4
            if quarter in (50, 110):
                lines.append({"t": now, "mark": "load-on" if quarter == 50 else "load-off"})
            level = 5 + (100 + 30 * number if 54 <= quarter < 113 else 0) + rng.gauss(0, 0.4)
            lines.append({"t": now + 0.05, "rx": f"{level:8.2f} mV AC\r\n".encode().hex()})
        lines.append({"t": t + 41, "mark": "end"})
    path.write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")


def command(recordings: Path, job: Path, workers: int | str) -> Sequence[str]:
    """The command line; workers are their number, or the address of a cluster."""
    where = "--cluster" if isinstance(workers, str) else "--workers"
    options = ["--job", str(job), where, str(workers), "--json"]
    return [sys.executable, "-m", "meterlink", "replay", str(recordings), *options]


@contextmanager
def cluster(folder: Path) -> Iterator[str]:
    """A Dask scheduler and two workers as processes of this computer; its address."""
    where = folder / "scheduler.json"
    scheduler = ["dask_scheduler", "--port", "0", "--host", "127.0.0.1"]
    worker = ["dask_worker", "--no-nanny", "--nthreads", "1", "--local-directory", str(folder)]
    running = []
    try:
        for name, *options in (scheduler, worker, worker):
            words = [sys.executable, "-m", f"distributed.cli.{name}", *options, "--no-dashboard"]
            words += ["--scheduler-file", str(where)]
            running.append(
                subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            )
        while not where.exists():
            time.sleep(0.1)
        time.sleep(10)  # workers come
        yield json.loads(where.read_text())["address"]
    finally:
        for process in running:
            process.kill()
            process.wait()


def of_group(group: int) -> int:
    """Processes of a group that still run."""
    found = 0
    for path in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            fields = path.read_text().rpartition(")")[2].split()
            found += int(fields[2]) == group and fields[0] != "Z"
    return found


def kill_parent(recordings: Path, job: Path) -> float:
    """Start on two cores, kill the main process alone; seconds until nothing of it runs."""
    log = job / "tests.csv"
    with subprocess.Popen(
        command(recordings, job, 2), stdout=subprocess.DEVNULL, start_new_session=True
    ) as process:
        while not log.exists() or log.read_bytes().count(b"\n") < 5:
            time.sleep(0.05)
        process.kill()
        began = time.perf_counter()
        while of_group(process.pid) and time.perf_counter() - began < 60:
            time.sleep(0.01)
        return time.perf_counter() - began


def replay(recordings: Path, job: Path, workers: int | str) -> tuple[float, dict[str, int]]:
    """Seconds, and the summary."""
    began = time.perf_counter()
    done = subprocess.run(
        command(recordings, job, workers), capture_output=True, text=True, check=True
    )
    return time.perf_counter() - began, json.loads(done.stdout)


def kill_half_way(recordings: Path, job: Path, rows: int) -> int:
    """Start on two cores, kill everything once half of the rows are logged; rows logged then."""
    log = job / "tests.csv"
    with subprocess.Popen(
        command(recordings, job, 2), stdout=subprocess.DEVNULL, start_new_session=True
    ) as process:
        while not log.exists() or log.read_bytes().count(b"\n") < rows // 2:
            time.sleep(0.05)
        os.killpg(process.pid, signal.SIGKILL)
    return log.read_bytes().count(b"\n") - 1


def study(number: int) -> dict[str, float]:
    """All figures."""
    with tempfile.TemporaryDirectory() as folder:
        recordings = Path(folder) / "recordings"
        recordings.mkdir()
        for seed in range(number):
            write_capture(recordings / f"{seed:04}.jsonl", seed)
        one, two, killed = (Path(folder) / name for name in ("one", "two", "killed"))
        two_s, summary = replay(recordings, two, 2)
        one_s, _ = replay(recordings, one, 1)
        again_s, again = replay(recordings, one, 1)
        logged = kill_half_way(recordings, killed, summary["tests"])
        _, rest = replay(recordings, killed, 2)
        whole = (one / "tests.csv").read_bytes()
        cluster_s, cluster_identical = 0.0, False
        if importlib.util.find_spec("distributed") is not None:
            with cluster(Path(folder)) as address:
                cluster_s, _ = replay(recordings, Path(folder) / "cluster", address)
            cluster_identical = (Path(folder) / "cluster" / "tests.csv").read_bytes() == whole
        return {
            "cluster_s": cluster_s,
            "cluster_identical": cluster_identical,
            "parent_killed_s": kill_parent(recordings, Path(folder) / "orphan"),
            "captures": number,
            "rows": summary["added"],
            "one_s": one_s,
            "two_s": two_s,
            "again_s": again_s,
            "done_before": again["done_before"],
            "logged_when_killed": logged,
            "added_after": rest["added"],
            "two_identical": (two / "tests.csv").read_bytes() == whole,
            "killed_identical": (killed / "tests.csv").read_bytes() == whole,
            "peak_mb": resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024,
        }


def main() -> None:
    """Print the table."""
    found = study(int(sys.argv[1]) if len(sys.argv) > 1 else NUMBER)
    rows = found["rows"]
    print(f"captures {found['captures']}, rows {rows}, cores {os.cpu_count()}")
    print(f"one core   {found['one_s']:7.1f} s {rows / found['one_s']:7.0f} rows/s")
    print(f"two cores  {found['two_s']:7.1f} s {rows / found['two_s']:7.0f} rows/s", end="  ")
    print(f"ratio {found['one_s'] / found['two_s']:.2f}, identical: {found['two_identical']}")
    if found["cluster_s"]:
        print(
            f"cluster, 2 {found['cluster_s']:7.1f} s {rows / found['cluster_s']:7.0f} rows/s",
            end="  ",
        )
        ratio = found["one_s"] / found["cluster_s"]
        print(f"ratio {ratio:.2f}, identical: {found['cluster_identical']}")
    print(f"main process killed: nothing left after {found['parent_killed_s']:.2f} s")
    print(f"again      {found['again_s']:7.1f} s, {found['done_before']} done before")
    print(f"killed with {found['logged_when_killed']} rows logged, started again:", end=" ")
    print(f"{found['added_after']} appended, identical: {found['killed_identical']}")
    print(f"largest process {found['peak_mb']:.0f} MB")


if __name__ == "__main__":
    main()
