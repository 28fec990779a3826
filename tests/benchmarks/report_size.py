"""Size of the report and time to make it, for a recorded visit and an invented one of 20.

    python tests/benchmarks/report_size.py

Each report is made three times as a whole process (``meterlink report``), the median is shown, and
once more within this process after imports, to tell the page's own share.
"""

import contextlib
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from drivers.capture import CaptureWriter
from drivers.readings import Header, Mark, Received
from meterlink.answers.wirings import known_of
from meterlink.circuit.job import read_job
from meterlink.circuit.setup import Hookup, Setup
from meterlink.show.report import render_report
from meterlink.simulation import Wiring, random_wiring
from meterlink.testlog.from_capture import replay_into
from meterlink.testlog.reader import read_rows

CAPTURES = Path(__file__).parents[2] / "fixtures" / "captures"
NAMES = tuple(f"Receptacle {k + 1}" for k in range(20))
AMPS, READINGS_PER_S = 12.0, 5.0


def main() -> None:
    """Print the table."""
    print(f"{'job':<24}{'tests':>6}{'KiB':>8}{'process s':>11}{'page s':>8}{'resolve s':>11}")
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        recorded = CAPTURES / "circuit-106" / "visit.jsonl"
        measure("circuit-106", recorded, folder / "106")
        invented = folder / "visit.jsonl"
        record(invented, random_wiring(NAMES, np.random.default_rng(20)))
        measure("20 receptacles", invented, folder / "20")


def measure(name: str, capture: Path, folder: Path) -> None:
    """Replay a capture into a job and make its report."""
    replay_into(capture, folder)
    seconds = [timed(folder) for _ in range(3)]
    job = read_job(folder)
    rows = list(read_rows(job.log_path))
    start = time.perf_counter()
    known = known_of(job.circuit, rows)
    resolved = time.perf_counter()
    page = render_report(job, rows, known)
    rendered = time.perf_counter()
    size = len(page.encode()) / 1024
    print(
        f"{name:<24}{len(rows):>6}{size:>8.0f}{statistics.median(seconds):>11.2f}"
        f"{rendered - resolved:>8.2f}{resolved - start:>11.2f}"
    )


def timed(folder: Path) -> float:
    """Seconds of the whole command."""
    start = time.perf_counter()
    command = [sys.executable, "-m", "meterlink", "report", str(folder)]
    with contextlib.suppress(FileNotFoundError):
        (folder / "report.html").unlink()
    subprocess.run(command, check=True, capture_output=True)
    return time.perf_counter() - start


def record(path: Path, wiring: Wiring) -> None:
    """A visit: neutral to ground at the load for each receptacle, and at others by chance."""
    rng = np.random.default_rng(7)
    names = wiring.receptacles
    setups = [Setup(Hookup.NEUTRAL_GROUND, name, None, name) for name in names]
    for _ in range(2 * len(names)):
        lead, load = rng.choice(np.array(names, dtype=object), 2, replace=False)
        setups.append(Setup(Hookup.NEUTRAL_GROUND, str(lead), None, str(load)))
    circuit = {
        "name": "Twenty",
        "receptacles": list(names),
        "volts": 120,
        "hertz": 60,
        "amps": AMPS,
        "conductor": "14 AWG copper",
    }
    header = Header(datetime(2026, 3, 2, 9, 0, tzinfo=UTC), "lines", {"function": "AC"}, circuit)
    with CaptureWriter(path, header, clock=lambda: 0.0) as writer:
        for number, setup in enumerate(setups):
            record_test(writer, rng, setup, 40.0 * number, wiring)


def record_test(
    writer: CaptureWriter, rng: np.random.Generator, setup: Setup, start_s: float, wiring: Wiring
) -> None:
    """10 s idle, 10 s with the load on, 10 s after."""
    amps = wiring.amps_at(setup.load_at, AMPS, 120.0)
    drop = wiring.drop_v(setup, amps)
    pickup = 0.006 * np.exp(1j * rng.uniform(0, 2 * np.pi))
    writer.write(
        Mark(
            start_s,
            "test",
            hookup=setup.hookup.value,
            lead_a=setup.lead_a,
            load_at=setup.load_at,
        )
    )
    marks = [Mark(start_s + 10, "load-on"), Mark(start_s + 20, "load-off")]
    for k in range(round(30 * READINGS_PER_S)):
        t_s = start_s + 0.1 + k / READINGS_PER_S
        while marks and marks[0].t_s <= t_s:
            writer.write(marks.pop(0))
        on = 11.5 <= t_s - start_s < 21.0
        volts = abs(pickup + drop * on) + 0.0003 * rng.standard_normal()
        writer.write(Received(t_s, f"{1e3 * volts:.2f} mV AC\r\n".encode()))
    writer.write(Mark(start_s + 32, "end"))


if __name__ == "__main__":
    main()
