"""Guided visits driven to settlement by a scripted operator: tests needed, seconds a test.

    python tests/benchmarks/visit_drive.py [--circuits 5] [--receptacles 5] [--quiet] [--rhythm]
        [--page] [--shots DIR]

Each is ``meterlink test`` as a process, with a simulated meter on a pseudo-terminal and an invented
circuit, in a time that runs ten times faster. Seconds are of the visit's own time, the operator's
walking left out: he is at once where he is asked to be. Every visit's rows are compared with those
of a replay of its recording. ``--quiet``: he says only what the trace cannot show; ``--rhythm``:
the switching is called out. ``--page`` drives through the page in headless Chromium, ``--shots``
takes a picture of the page at each stage, at 360 and 1280 pixels.
"""

import argparse
import shutil
import statistics
import sys
import tempfile
import time
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from meterlink.circuit.job import Job, write_job
from meterlink.testlog.columns import Source
from meterlink.testlog.from_capture import replay_into
from meterlink.testlog.reader import read_rows
from tests.chromium import Chromium
from tests.visit.hands import SPEED, Hands
from tests.visit.page_operator import PageOperator
from tests.visit.script_operator import ScriptOperator


class Drive:
    """One visit and what it took."""

    def __init__(
        self,
        job: Job,
        hands: Hands,
        browser: Chromium | None,
        shots: Path | None,
        *more: str,
        quiet: bool = False,
    ) -> None:
        self.seconds: list[float] = []
        self.thinking: list[float] = []
        self.shown: set[str] = set()
        self._shots = shots
        self._job = job
        width = 360
        self._operator = (
            ScriptOperator(job.folder, hands, *more, quiet=quiet)
            if browser is None
            else PageOperator(job.folder, hands, browser, width=width)
        )
        self._other = browser and isinstance(self._operator, PageOperator) and self._operator.tab
        self.last: dict = {}
        self._run()
        self.taps = self._operator.taps
        _, self.messages = self._operator.finish()

    def _run(self) -> None:
        began_s = thought_s = None
        for event in self._operator.events():
            now_s = time.monotonic()
            if event["event"] == "view":
                self._picture(event["stage"])
                if event["stage"] == "settling" and began_s is None:
                    began_s = now_s
            elif event["event"] == "row" and began_s is not None:
                self.seconds.append(SPEED * (now_s - began_s))
                began_s, thought_s = None, now_s
            elif event["event"] == "map":
                if thought_s is not None:
                    self.thinking.append(now_s - thought_s)
                self.last = event

    def _picture(self, stage: str) -> None:
        if self._shots is None or stage in self.shown or not self._other:
            return
        self.shown.add(stage)
        for width in (1280, 360):
            self._other.call(
                "Emulation.setDeviceMetricsOverride",
                width=width, height=800, deviceScaleFactor=1, mobile=width < 500,
            )  # fmt: skip
            self._other.run("new Promise((done) => requestAnimationFrame(() => done(1)))")
            self._other.screenshot(self._shots / f"{stage}-{width}.png")

    def rows_equal_replay(self, into: Path) -> bool:
        """Whether a replay of the recording gives the rows of the log."""
        rows = list(read_rows(self._job.log_path))
        (capture,) = self._job.captures_path.glob("visit-*.jsonl")
        again = replay_into(capture, into).rows
        return rows == [replace(row, source=Source.LIVE) for row in again]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--circuits", type=int, default=5)
    parser.add_argument("--receptacles", type=int, default=5)
    parser.add_argument("--quiet", action="store_true")
    parser.add_argument("--rhythm", action="store_true")
    parser.add_argument("--page", action="store_true")
    parser.add_argument("--shots", type=Path)
    options = parser.parse_args()
    print(
        "seed  tests  taps/test  s/test median, most  thinking s median, most  settled  right"
        "  = replay"
    )
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        browser = None
        if options.page:
            binary = shutil.which("chromium") or shutil.which("chromium-browser")
            if binary is None:
                sys.exit("no chromium on this machine")
            browser = stack.enter_context(Chromium(binary))
        for seed in range(1, options.circuits + 1):
            more = ("--rhythm",) if options.rhythm else ()
            one(
                folder,
                seed,
                options.receptacles,
                browser,
                options.shots,
                *more,
                quiet=options.quiet,
            )


def one(
    folder: Path,
    seed: int,
    receptacles: int,
    browser: Chromium | None,
    shots: Path | None,
    *more: str,
    quiet: bool,
) -> None:
    hands = Hands(receptacles, seed)
    job = write_job(folder / str(seed), hands.circuit)
    drive = Drive(job, hands, browser, shots, *more, quiet=quiet)
    hands.meter.close()
    equal = drive.rows_equal_replay(folder / f"{seed}-again")
    feeds = {point["name"]: point["fed_from"] for point in drive.last["points"]}
    feeds |= {splice["name"]: splice["fed_from"] for splice in drive.last["splices"]}
    truth = hands.wiring.upstream()
    right = all(upstream(name, feeds) & set(truth) == feeding for name, feeding in truth.items())
    print(
        f"{seed:4}  {len(drive.seconds):5}  {drive.taps / len(drive.seconds):9.2f}"
        f"  {statistics.median(drive.seconds):13.1f}"
        f" {max(drive.seconds):5.1f}  {statistics.median(drive.thinking):17.2f}"
        f" {max(drive.thinking):5.2f}  {drive.last['settled']!s:>7}  {right!s:>5}  {equal!s:>8}"
    )


def upstream(name: str, feeds: dict[str, str]) -> set[str]:
    """Every point on the way from the panel."""
    found = set()
    while (name := feeds.get(name, "panel")) != "panel":
        found.add(name)
    return found


if __name__ == "__main__":
    main()
