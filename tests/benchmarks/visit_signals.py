"""SIGTERM, SIGINT and end of input at random moments of a scripted visit.

``python tests/benchmarks/visit_signals.py [SIGNALS] [SEED]``; default 200. Does each end the visit,
how soon, and is every test logged once? A simulated circuit, meter and operator on a real
pseudo-terminal; time runs ten times faster. The next visit goes on with the same job.
"""

import random
import signal
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from meterlink.circuit.job import Job, write_job
from meterlink.live.visit_recording import marks_of
from meterlink.testlog.columns import Source
from meterlink.testlog.reader import read_rows
from tests.visit.hands import Hands
from tests.visit.script_operator import ScriptOperator

RECEPTACLES = 4
EARLIEST_S, LATEST_S = 0.05, 6.0  # after the first view
BOUND_S = 2.0
KINDS = (signal.SIGTERM, signal.SIGINT)


def one(job: Job, hands: Hands, kind: int, after_s: float) -> tuple[float, int, bool]:
    """Seconds from the signal to the end, exit code, and whether the visit was over before."""
    operator = ScriptOperator(job.folder, hands)
    sent: list[float] = []

    def send() -> None:
        sent.append(time.monotonic())
        operator.process.send_signal(kind)

    timer = threading.Timer(after_s, send)
    for number, _ in enumerate(operator.events()):
        if number == 0:
            timer.start()
    operator.process.wait(timeout=30)
    ended_s = time.monotonic()
    timer.cancel()
    code, _ = operator.finish()
    return (ended_s - sent[0] if sent else 0.0), code, not sent


def look(job: Job) -> tuple[int, int, int]:
    """Tests that were done, of these logged, and logged twice."""
    rows = [row for row in read_rows(job.log_path) if row.source is Source.LIVE]
    done = logged = twice = 0
    for path in job.captures_path.glob("visit-*.jsonl"):
        mine = [row.time for row in rows if row.capture == path.name]
        done += marks_of(path).done
        logged += len(set(mine))
        twice += len(mine) - len(set(mine))
    return done, logged, twice


def main() -> None:
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    rng = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    took: list[float] = []
    codes: dict[int, int] = {}
    totals = [0, 0, 0]
    jobs = 0
    with tempfile.TemporaryDirectory() as folder:
        while len(took) < wanted:
            jobs += 1
            hands = Hands(RECEPTACLES, seed=jobs)
            job = write_job(Path(folder) / str(jobs), hands.circuit)
            over = False
            while not over and len(took) < wanted:
                kind = KINDS[len(took) % len(KINDS)]
                after_s = rng.uniform(EARLIEST_S, LATEST_S)
                seconds, code, over = one(job, hands, kind, after_s)
                if not over:
                    took.append(seconds)
                    codes[code] = codes.get(code, 0) + 1
            totals = [a + b for a, b in zip(totals, look(job), strict=True)]
            hands.meter.close()
    for text, value in (
        ("signals (SIGTERM and SIGINT in turn)", len(took)),
        ("ended within 2 s", sum(seconds <= BOUND_S for seconds in took)),
        ("seconds to the end, median", f"{statistics.median(took):.2f}"),
        ("seconds to the end, most", f"{max(took):.2f}"),
        ("exit codes", codes),
        ("tests with their end mark in a recording", totals[0]),
        ("  of them logged", totals[1]),
        ("  logged twice", totals[2]),
    ):
        print(f"{text:<44}{value}")


if __name__ == "__main__":
    main()
