"""Kill -9 at random moments of a scripted visit: is every completed test in the log in the end?

``python tests/benchmarks/visit_kill.py [KILLS] [SEED]``; default 100 kills, about four minutes. A
simulated circuit, meter and operator on a real pseudo-terminal; time runs ten times faster. After
each kill the same command goes on with the same job; after a settled order a new job begins.
"""

import random
import sys
import tempfile
import threading
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from drivers.capture import CaptureReader
from drivers.errors import DriverError
from meterlink.circuit.job import Job, write_job
from meterlink.live.visit_recording import marks_of
from meterlink.testlog.columns import Source
from meterlink.testlog.reader import read_rows
from tests.visit.hands import Hands
from tests.visit.script_operator import ScriptOperator

RECEPTACLES = 4
LATEST_S = 6.0  # of the wall clock after a start: some three tests


class Tally:
    """What was counted."""

    def __init__(self) -> None:
        self.kills = self.in_test = self.jobs = self.completed = self.logged = 0
        self.captures = self.invalid = self.damaged_lines = self.torn = 0
        self.late = self.not_going_on = self.twice = 0

    def table(self) -> str:
        return "\n".join(
            f"{text:<58}{value:>8}"
            for text, value in (
                ("kill -9 during a visit", self.kills),
                ("  of them with a test open", self.in_test),
                ("jobs", self.jobs),
                ("tests with their end mark in a recording", self.completed),
                ("  in the log after the next start", self.logged),
                ("  logged twice", self.twice),
                ("  logged by the next start, from the recording", self.late),
                ("recordings", self.captures),
                ("  that cannot be read", self.invalid),
                ("  damaged lines in them, last lines aside", self.damaged_lines),
                ("  with a torn last line", self.torn),
                ("starts after a kill that did not go on", self.not_going_on),
            )
        )


def kill_once(job: Job, hands: Hands, after_s: float, tally: Tally) -> bool:
    """Run the visit until it is killed or settled; returns whether it was settled."""
    operator = ScriptOperator(job.folder, hands)
    timer = threading.Timer(after_s, operator.process.kill)
    timer.start()
    settled = False
    try:
        for event in operator.events():
            settled = settled or (event["event"] == "view" and event["stage"] == "settled")
    except ValueError:  # half a line: killed while it wrote
        pass
    timer.cancel()
    code, messages = operator.finish()
    if code == -9:
        tally.kills += 1
    elif code != 0:
        tally.not_going_on += 1
        print(messages, file=sys.stderr)
    tally.late += messages.count("was done but not logged yet")
    look(job, tally)
    return settled and code == 0


def look(job: Job, tally: Tally) -> None:
    """Every recording can be read as it was left."""
    for path in sorted(job.captures_path.glob("visit-*.jsonl")):
        try:
            with CaptureReader(path) as reader:
                for _ in reader:
                    pass
                tally.torn += len(reader.warnings) if path == newest(job) else 0
                if path == newest(job):
                    tally.damaged_lines += reader.damaged_count
                    tally.in_test += marks_of(path).is_open
        except DriverError as error:
            tally.invalid += path.stat().st_size > 0
            print(error, file=sys.stderr)


def newest(job: Job) -> Path:
    return max(job.captures_path.glob("visit-*.jsonl"))


def settle_accounts(job: Job, tally: Tally) -> None:
    """Compare recordings and log once the last visit has ended in order."""
    rows = [row for row in read_rows(job.log_path) if row.source is Source.LIVE]
    for path in job.captures_path.glob("visit-*.jsonl"):
        mine = [row.time for row in rows if row.capture == path.name]
        tally.captures += 1
        tally.completed += marks_of(path).done
        tally.logged += len(set(mine))
        tally.twice += len(mine) - len(set(mine))


def main() -> None:
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    rng = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    tally = Tally()
    with tempfile.TemporaryDirectory() as folder:
        while tally.kills < kills:
            tally.jobs += 1
            hands = Hands(RECEPTACLES, seed=tally.jobs)
            job = write_job(Path(folder) / str(tally.jobs), hands.circuit)
            settled = False
            while not settled and tally.kills < kills:
                settled = kill_once(job, hands, rng.uniform(0.3, LATEST_S), tally)
            if not settled:
                kill_once(job, hands, 300.0, tally)
            settle_accounts(job, tally)
            hands.meter.close()
    print(tally.table())


if __name__ == "__main__":
    main()
