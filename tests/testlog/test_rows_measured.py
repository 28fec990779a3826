import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drivers.capture import CaptureReader, replay
from meterlink.circuit.job import circuit_from_header, write_job
from meterlink.levels.visit_split import CompletedTest, completed_tests
from meterlink.testlog.columns import Source, from_cells, to_cells
from meterlink.testlog.from_capture import read_visit
from meterlink.testlog.rows import measured_row


def some_test(captures: Path) -> CompletedTest:
    with CaptureReader(captures / "circuit-101" / "visit.jsonl") as reader:
        circuit, _ = circuit_from_header(reader.header.circuit or {}, "header")
        return next(iter(completed_tests(replay(reader), circuit)))


@pytest.mark.parametrize(
    ("said", "low"), [({"amps_low": 6.0}, 6.0), ({"amps": 8.0}, None), ({}, 5.0)]
)
def test_a_visit_with_another_heater_has_that_ones_lower_setting_and_not_the_jobs(
    tmp_path: Path, captures: Path, said: dict[str, float], low: float | None
) -> None:
    lines = (captures / "circuit-101" / "visit.jsonl").read_text().splitlines(keepends=True)
    header = json.loads(lines[0])
    circuit, _ = circuit_from_header(header["circuit"], "header")
    write_job(tmp_path / "job", replace(circuit, amps_low=5.0))
    header["circuit"] |= said
    visit = tmp_path / "visit.jsonl"
    visit.write_text("".join([json.dumps(header) + "\n", *lines[1:]]))
    read = read_visit(visit, tmp_path / "job")
    assert read.circuit.amps_low == low
    assert read.circuit.load_amps == said.get("amps", circuit.load_amps)


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
