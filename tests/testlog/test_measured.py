from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from drivers.capture import CaptureReader, replay
from meterlink.circuit.job import circuit_from_header
from meterlink.levels.visit_split import CompletedTest, completed_tests
from meterlink.testlog.columns import Source, from_cells, to_cells
from meterlink.testlog.from_capture import measured_row


def some_test(captures: Path) -> CompletedTest:
    with CaptureReader(captures / "circuit-101" / "visit.jsonl") as reader:
        circuit, _ = circuit_from_header(reader.header.circuit or {}, "header")
        return next(iter(completed_tests(replay(reader), circuit)))


def test_a_row_of_a_visit_that_began_at_some_microsecond_is_found_again_in_the_log(
    captures: Path,
) -> None:
    done = replace(some_test(captures), started_s=8.271095)
    started = datetime(2026, 3, 2, 9, 13, 48, 239804, tzinfo=UTC)
    row = replace(
        measured_row(done, started=started, amps=10.0, source=Source.LIVE, capture="v.jsonl"),
        test=1,
    )
    assert abs(row.time - started - timedelta(seconds=8.271095)) <= timedelta(milliseconds=1)
    assert from_cells(to_cells(row)).time == row.time
