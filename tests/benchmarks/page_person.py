"""A scripted person in front of the page, who reads nothing but the screen and obeys it.

    python tests/benchmarks/page_person.py [--circuits 3] [--receptacles 5] [--first 1] [--typed]

Each visit is ``meterlink test --page`` as a process with an invented circuit behind it, in a time
that runs ten times faster. The person looks at the page at 360 x 740 in headless Chromium: sign,
word, instruction, LEADS, LOAD and keys. What is asked is done after 0.5 to 12 s (uniform, visit
time); the tap that tells of a switching comes before it (one in four), after it (two in four, again
0.5 to 12 s later) or not at all (one in four). With ``--typed`` no meter is on a cable: the person
reads it and types on the pad of the page.

Columns: tests logged; taps and seconds (visit time) a test; rows whose verdict is wrong, and rows
that say nothing; drops off by more than three stated uncertainties; whether the order is settled
and right. The truth is the invented circuit's own.
"""

import argparse
import re
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from meterlink.circuit.job import Job, read_job, write_job
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.testlog.reader import read_rows
from meterlink.tree.resolve import resolve
from tests.benchmarks.visit_drive import upstream
from tests.chromium import Chromium, Tab
from tests.visit.hands import SPEED, Hands

LEADS = (
    (Hookup.NEUTRAL_NEUTRAL, re.compile(r"neutral of (.+) to neutral of (.+)")),
    (Hookup.NEUTRAL_GROUND, re.compile(r"neutral to ground at (.+)")),
    (Hookup.LINE_DROP, re.compile(r"hot to neutral at (.+)")),
)
SCREEN = """({
  sign: document.body.dataset.sign,
  text: document.querySelector('#instruction').textContent,
  leads: document.querySelector('#leads').textContent,
  load: document.querySelector('#load').textContent,
  pad: !document.querySelector('#pad').hidden,
  keys: [...document.querySelectorAll('#keys button')].filter((b) => b.ariaDisabled === 'false')
    .map((b) => [b.dataset.key, b.textContent]),
})"""
MOST_S = 600.0  # of wall time for a visit
LOOK_S = 0.05


@dataclass
class Person:
    """Reads the page, moves leads and load, taps."""

    tab: Tab
    hands: Hands
    rng: np.random.Generator
    taps: int = 0
    seen: tuple[Any, ...] = ()
    plan: list[tuple[float, str]] = field(default_factory=list)

    def delay_s(self) -> float:
        """Half a second to twelve, in wall time."""
        return float(self.rng.uniform(0.5, 12.0)) / SPEED

    def look(self) -> str:
        """Read the screen, decide what to do when it asks for something else, do what is due."""
        screen = self.tab.run(SCREEN)
        now = (screen["sign"], screen["text"], screen["leads"], screen["load"], screen["pad"])
        if now != self.seen:
            self.seen = now
            self.plan = self.decide(screen)
        while self.plan and self.plan[0][0] <= time.monotonic():
            self.do(self.plan.pop(0)[1], screen)
        return str(screen["sign"])

    def decide(self, screen: dict[str, Any]) -> list[tuple[float, str]]:
        """What the sign asks for, as deeds with their times."""
        first = time.monotonic() + self.delay_s()
        later = first + self.delay_s()
        off = "switch OFF" in screen["text"] or "Switch it OFF" in screen["text"]
        match screen["sign"]:
            case "set-up" if screen["pad"]:
                return [(first, "place"), (later, "type")]
            case "set-up":
                return [(first, "place"), (later, "tap ready")]
            case "switch-on" if screen["pad"]:
                return [(first, "on"), (later, "type"), (later + 0.1, "off")]
            case "switch-on":
                return self.told("on", "tap load-on", first, later)
            case "switch-off":
                return self.told("off", "tap load-off", first, later)
            case "confirm-load":
                key = "tap load-off" if self.hands.is_on else "tap no-load"
                return [(first, "off"), (later, key)]
            case "trouble" if screen["text"].endswith("?"):  # this value, or that one
                return [(first + 0.2, "tap keep")]  # it is what the meter showed
            case "trouble" if off:
                return [(first, "off"), (later, "tap ready")]
            case "settled":
                return [(first, "tap stop")]
        return []

    def told(self, deed: str, tap: str, first: float, later: float) -> list[tuple[float, str]]:
        """A switching, and the tap that tells of it, before, after or never."""
        when = self.rng.integers(4)
        if when == 0:
            return [(first, tap), (later, deed)]
        return [(first, deed)] if when == 1 else [(first, deed), (later, tap)]

    def do(self, deed: str, screen: dict[str, Any]) -> None:
        """One deed."""
        if deed == "place":
            self.hands.connect(setup_of(screen["leads"], screen["load"]))
        elif deed in ("on", "off"):
            self.hands.switch(on=deed == "on")
        elif deed == "type":
            self.type_number(self.hands.look())
        else:
            self.tap(deed.removeprefix("tap "))

    def tap(self, key: str) -> None:
        """Press a key if it is there, again while it is dead; say yes where the page asks."""
        found = f"document.querySelector('[data-key={key}]')"
        if self.tab.run(f"{found} !== null"):
            self.taps += 1
            self.tab.wait(f"!{found} || {found}.ariaDisabled === 'false' && !void {found}.click()")
        if self.tab.run("document.querySelector('[data-key=yes]') !== null"):
            self.tab.wait("document.querySelector('[data-key=yes]').ariaDisabled === 'false'")
            self.taps += 1
            self.tab.run("document.querySelector('[data-key=yes]').click()")

    def type_number(self, volts: float) -> None:
        """What the meter shows, on the pad: millivolts with one decimal, or volts."""
        text = f"{1e3 * volts:.1f}" if volts < 1.0 else f"{1e3 * volts:.0f}"
        for sign in (*text, "OK"):
            self.taps += 1
            self.tab.run(
                "[...document.querySelectorAll('#pad button')]"
                f".find((b) => b.textContent === '{sign}').click()"
            )


def setup_of(leads: str, load: str) -> Setup:
    """Where everything goes, as LEADS and LOAD have it."""
    for hookup, pattern in LEADS:
        if found := pattern.fullmatch(leads):
            return Setup(hookup, found[1], found[2] if hookup.has_lead_b else None, load)
    raise ValueError(f"nobody can follow {leads!r}")


def visit(folder: Path, hands: Hands, browser: Chromium, seed: int, *, typed: bool) -> str:
    """One whole visit, as a line of the table."""
    job = write_job(folder, hands.circuit)
    meter = [] if typed else ["--meter", hands.meter.address, "--speed", str(SPEED)]
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "meterlink", "test", str(folder), *meter),
            *("--confirm-cautions", "--page", "--json"),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    address = next(line for line in process.stderr if line.startswith("Page: ")).split()[1]
    person = Person(browser.open(address), hands, np.random.default_rng(seed))
    began = time.monotonic()
    while process.poll() is None and time.monotonic() - began < MOST_S:
        person.look()
        time.sleep(LOOK_S)
    took_s = SPEED * (time.monotonic() - began)
    process.kill()
    process.communicate()
    return line_of(job, hands, person, took_s)


def line_of(job: Job, hands: Hands, person: Person, took_s: float) -> str:
    """What came of it."""
    rows = list(read_rows(job.log_path))
    wrong = silent = off = 0
    for row in rows:
        amps = hands.wiring.amps_at(row.setup.load_at or "", hands.circuit.load_amps or 10.0, 120.0)
        true_mv = 1e3 * hands.wiring.drop_v(row.setup, amps)
        silent += row.verdict is Verdict.UNCLEAR
        wrong += row.verdict is Verdict.IN_PATH and true_mv < 1.0
        wrong += row.verdict is Verdict.NOT_IN_PATH and true_mv > max(row.limit_mv or 0.0, 5.0)
        if row.verdict is Verdict.IN_PATH and row.drop_mv is not None and row.drop_u_mv:
            off += abs(row.drop_mv - true_mv) > 3.0 * row.drop_u_mv
    answer = resolve(read_job(job.folder).circuit, rows)
    feeds = {point.name: point.fed_from for point in (*answer.points, *answer.splices)}
    truth = hands.wiring.upstream()
    right = all(upstream(name, feeds) & set(truth) == above for name, above in truth.items())
    count = max(len(rows), 1)
    return (
        f"{len(rows):5}  {person.taps / count:9.1f}  {took_s / count:6.0f}  {wrong:5}  {silent:7}"
        f"  {off:9}  {answer.settled!s:>7}  {right!s:>5}"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--circuits", type=int, default=3)
    parser.add_argument("--receptacles", type=int, default=5)
    parser.add_argument("--first", type=int, default=1, help="seed of the first circuit")
    parser.add_argument("--typed", action="store_true")
    options = parser.parse_args()
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        sys.exit("no chromium on this machine")
    print("seed  tests  taps/test  s/test  wrong  unclear  off by 3u  settled  right", flush=True)
    with tempfile.TemporaryDirectory() as folder, Chromium(path) as browser:
        for seed in range(options.first, options.first + options.circuits):
            hands = Hands(options.receptacles, seed)
            line = visit(Path(folder) / str(seed), hands, browser, seed, typed=options.typed)
            hands.meter.close()
            print(f"{seed:4}  {line}", flush=True)


if __name__ == "__main__":
    main()
