"""Kill -9 at random moments with appends going on: is every acknowledged row there, and once?

``python tests/benchmarks/append_kill.py [KILLS] [SEED]``; default 100 kills, some seconds. A child
opens the log, appends rows of made-up recorded tests and acknowledges each over a pipe; it is
killed within a tenth of a second. The next child goes on with the tests that are not in the log,
as recovery does. (``visit_kill.py`` does the same to whole visits.)
"""

import hashlib
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

from meterlink.circuit.setup import Hookup, Setup
from meterlink.testlog.columns import TestRow
from meterlink.testlog.log import TestLog

SETUP = Setup(Hookup("neutral-ground"), "Desk", None, "Bed")


def digest(test: int) -> str:
    return hashlib.sha256(str(test).encode()).hexdigest()


def append(path: Path, acknowledge: int) -> None:
    """In the child: log what is not logged, acknowledge each row, until the end comes."""
    with TestLog(path) as log:
        rows = {row.note for row in log.rows()}
        for test in range(10**9):
            note = f"test {test}"
            if log.number_of(digest(test)) is None and note not in rows:
                log.append(TestRow(0, datetime.now(UTC), SETUP, note=note), digest=digest(test))
            os.write(acknowledge, f"{test}\n".encode())


def kill_once(path: Path, after_s: float) -> int:
    """How many tests were acknowledged before the child was killed."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        append(path, writing)
    os.close(writing)
    with os.fdopen(reading, "rb") as stream:
        first = stream.readline()  # it has begun
        time.sleep(after_s)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return (first + stream.read()).count(b"\n")


def main() -> None:
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    chance = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    acknowledged = torn = unreadable = 0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "tests.csv"
        for _ in range(kills):
            acknowledged = max(acknowledged, kill_once(path, chance.uniform(0.002, 0.1)))
            with TestLog(path) as log:
                torn += len(log.remarks)
                unreadable += len(log.problems)
        with TestLog(path) as log:
            notes = Counter(row.note for row in log.rows())
            numbers = Counter(row.test for row in log.rows())
    missing = sum(f"test {test}" not in notes for test in range(acknowledged))
    for text, value in (
        ("kill -9 while rows were appended", kills),
        ("rows acknowledged", acknowledged),
        ("  of them missing", missing),
        ("rows in the log", notes.total()),
        ("  there twice", notes.total() - len(notes)),
        ("  with the number of another", numbers.total() - len(numbers)),
        ("half rows moved aside", torn),
        ("rows that cannot be read", unreadable),
    ):
        print(f"{text:<40}{value:>8}")
    sys.exit(missing > 0 or len(notes) < notes.total() or unreadable > 0)


if __name__ == "__main__":
    main()
