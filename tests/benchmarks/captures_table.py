"""Every recorded visit of a folder against its truth: drops, wiring order, tests that lied.

Run: ``python tests/benchmarks/captures_table.py [DIR]`` (default ``fixtures/captures``). A folder
counts if it holds ``visit.jsonl`` and ``truth.json``. Exit code 1 if any wiring order is wrong, any
circuit is not settled, any drop is off by more than three of its standard uncertainties, or a test
whose lead had lost contact is not among the doubts.
"""

import json
import sys
import time
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np

from drivers.capture import CaptureReader, replay
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import circuit_from_header
from meterlink.levels.visit_split import CompletedTest, completed_tests
from meterlink.testlog.columns import Source, TestRow
from meterlink.tree.resolve import resolve
from meterlink.tree.wiring import WiringMap

DEFAULT = Path(__file__).resolve().parents[2] / "fixtures" / "captures"
COLUMNS = (
    f"{'circuit':14} {'points':>6} {'tests':>5} {'in 1u':>6} {'in 2u':>6} {'in 3u':>6} {'worst':>6}"
    f" {'verdicts':>8}  {'order':5} {'settled':7} {'p(order)':>8} {'lead off':>8} {'doubted':>9}"
    f" {'detect s':>8} {'resolve s':>9}"
)


@dataclass(frozen=True)
class Outcome:
    """One visit against its truth."""

    name: str
    receptacles: int
    z: np.ndarray
    verdicts_right: int
    order_right: bool
    settled: bool
    p_order: float
    lead_off: set[int]
    doubts: set[int]
    detect_s: float
    resolve_s: float

    @property
    def good(self) -> bool:
        """Whether everything is as it should be."""
        honest = bool((np.abs(self.z) <= 3.0).all())
        return self.order_right and self.settled and honest and self.lead_off <= self.doubts

    def line(self) -> str:
        """One line of the table."""
        z = np.abs(self.z)
        shares = " ".join(f"{np.mean(z <= k):6.1%}" for k in (1, 2, 3))
        return (
            f"{self.name:14} {self.receptacles:6d} {z.size:5d} {shares} {z.max():6.2f}"
            f" {self.verdicts_right:4d}/{z.size:<3d}  {'right' if self.order_right else 'WRONG':5}"
            f" {'yes' if self.settled else 'NO':7} {self.p_order:8.4f}"
            f" {_numbers(self.lead_off):>8} {_numbers(self.doubts):>9}"
            f" {self.detect_s:8.2f} {self.resolve_s:9.2f}"
        )


def upstream_of(wiring: WiringMap) -> dict[str, set[str]]:
    """For each receptacle the receptacles that feed it, splices left aside."""
    feed = {point.name: point.fed_from for point in (*wiring.points, *wiring.splices)}
    names = {point.name for point in wiring.points}
    found: dict[str, set[str]] = {}
    for name in names:
        above: set[str] = set()
        step = feed[name]
        while step in feed:
            above.add(step)
            step = feed[step]
        found[name] = above & names
    return found


def rows_of(tests: list[CompletedTest], reader: CaptureReader, circuit: Circuit) -> list[TestRow]:
    """Rows as the log would have them."""
    return [
        TestRow(
            test=number,
            time=reader.header.started + timedelta(seconds=test.started_s),
            setup=test.setup,
            amps=circuit.load_amps,
            source=Source.REPLAY,
            capture="visit.jsonl",
            **{
                name: getattr(test.measurement, name)
                for name in TestRow.__dataclass_fields__
                if hasattr(test.measurement, name)
            },
        )
        for number, test in enumerate(tests, 1)
    ]


def outcome_of(folder: Path) -> Outcome:
    """Replay one visit and hold it against its truth."""
    truth: dict[str, Any] = json.loads((folder / "truth.json").read_text())
    begun = time.perf_counter()
    with CaptureReader(folder / "visit.jsonl") as reader:
        circuit, _ = circuit_from_header(reader.header.circuit or {}, str(folder))
        tests = list(completed_tests(replay(reader), circuit))
        rows = rows_of(tests, reader, circuit)
    detected = time.perf_counter()
    wiring = resolve(circuit, rows)
    resolved = time.perf_counter()
    true = np.array([test["true_drop_mV"] for test in truth["tests"]])
    drop = np.array([row.drop_mv for row in rows], dtype=float)
    u = np.array([row.drop_u_mv for row in rows], dtype=float)
    verdicts = sum(
        (row.verdict == "in-path") == (d > 0.0) for row, d in zip(rows, true, strict=True)
    )
    expected = {name: set(above) for name, above in truth["upstream"].items()}
    return Outcome(
        name=folder.name,
        receptacles=len(circuit.receptacles),
        z=(drop - true) / u,
        verdicts_right=verdicts,
        order_right=upstream_of(wiring) == expected,
        settled=wiring.settled,
        p_order=wiring.order_probability,
        lead_off={test["test"] for test in truth["tests"] if test["lead_off"]},
        doubts={doubt.test for doubt in wiring.doubts},
        detect_s=detected - begun,
        resolve_s=resolved - detected,
    )


def _numbers(tests: set[int]) -> str:
    """Test numbers, or a dash."""
    return ",".join(map(str, sorted(tests))) or "-"


def main() -> int:
    """Print the table; 1 if anything in it is not as it should be."""
    root = Path(sys.argv[1]) if len(sys.argv) > 1 else DEFAULT
    folders = sorted(path.parent for path in root.glob("*/truth.json"))
    if not folders:
        print(f"no folder with visit.jsonl and truth.json under {root}", file=sys.stderr)
        return 2
    print(COLUMNS)
    outcomes = []
    for folder in folders:
        outcomes.append(outcome_of(folder))
        print(outcomes[-1].line(), flush=True)
    z = np.abs(np.concatenate([outcome.z for outcome in outcomes]))
    shares = ", ".join(f"{np.mean(z <= k):.1%} within {k}u" for k in (1, 2, 3))
    right = sum(outcome.order_right for outcome in outcomes)
    settled = sum(outcome.settled for outcome in outcomes)
    print(f"{z.size} tests: {shares}; {right} of {len(outcomes)} orders right, {settled} settled")
    return 0 if all(outcome.good for outcome in outcomes) else 1


if __name__ == "__main__":
    sys.exit(main())
