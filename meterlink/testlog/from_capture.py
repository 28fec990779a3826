"""A recorded visit goes into a job: checked whole first, then kept, then logged row by row.

Nothing is written before every test of the capture has been measured and every name in it is known.
Tests are known by what was recorded of them (``meterlink.testlog.captures``), so that a replay that
was killed half way goes on where it stopped, and one that was done adds nothing.
"""

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from drivers.capture import CaptureReader, replay
from drivers.capture_lines import MAX_LINE_BYTES, LineError, read_event
from drivers.errors import CaptureError
from drivers.readings import Mark, Reading
from meterlink.circuit.checks import checked_figure, unknown_name
from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.job import JOB_FILE, Job, circuit_from_header, read_job, write_job
from meterlink.errors import JobError, UsageError
from meterlink.files import why
from meterlink.levels.visit_split import CompletedTest, completed_tests, setup_of
from meterlink.testlog.captures import CapturesLog
from meterlink.testlog.columns import Source, TestRow
from meterlink.testlog.recorded import digests_of
from meterlink.testlog.rows import measured_row


@dataclass(frozen=True, slots=True)
class Replayed:
    """What a replay did.

    Attributes:
        job: The job it went into.
        rows: All tests of the capture as they stand in the log, in order.
        added: How many of them were not there before.
        remarks: What was odd in the capture, the job or the log, in sentences.
    """

    job: Job
    rows: tuple[TestRow, ...]
    added: int
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Visit:
    """A capture that was read and measured; nothing of it is logged yet.

    Attributes:
        circuit: Of the job, with the load of this visit; else of the header.
        rows: Its tests, without number and capture name.
        remarks: What was odd in the capture or the job, in sentences.
        digests: Of each test, what it is known by (``meterlink.testlog.recorded``).
    """

    circuit: Circuit
    rows: tuple[TestRow, ...]
    remarks: tuple[str, ...]
    digests: tuple[str | None, ...] = ()


def replay_into(capture: Path, folder: Path) -> Replayed:
    """Read a capture, measure its tests and log those that are not in the log yet.

    Args:
        capture: File to read.
        folder: Job folder; it and ``job.toml`` are made from the header where they are missing.

    Raises:
        MeterlinkError: The job or the log cannot be used, or a name in the capture is unknown.
        DriverError: The capture cannot be read.
    """
    visit = read_visit(capture, folder)
    if not (folder / JOB_FILE).exists():
        write_job(folder, visit.circuit)
    return _logged(capture, read_job(folder), visit)


def read_visit(capture: Path, folder: Path) -> Visit:
    """Read a capture and measure its tests; nothing is written.

    Args:
        capture: File to read.
        folder: Job folder, which need not exist.

    Raises:
        MeterlinkError: The job cannot be used, or a name in the capture is unknown.
        DriverError: The capture cannot be read.
    """
    if capture.exists() and not capture.is_file() and not capture.is_dir():
        raise CaptureError(f"{capture}: is a device or pipe. Give the path of a capture file.")
    with CaptureReader(capture) as reader:
        circuit, remarks = _circuit(reader, capture, folder)
        done = _measured(reader, capture, circuit)
        remarks += [f"{capture}, line {d.line}: {d.reason}." for d in reader.warnings[:10]]
        remarks += _damage_remarks(reader, capture)
        started = reader.header.started
    rows = tuple(_rows(done, started, circuit))
    try:
        digests = tuple(digests_of(capture, [test.started_s for test in done]))
    except OSError as error:
        raise CaptureError(f"{capture}: cannot be read: {why(error)}.") from error
    return Visit(circuit, rows, tuple(remarks), digests)


def _circuit(reader: CaptureReader, capture: Path, folder: Path) -> tuple[Circuit, list[str]]:
    """The circuit of the job, with the load of this visit; else of the header."""
    header = reader.header.circuit
    where = f"{capture}, line 1"
    if (folder / JOB_FILE).exists():
        job = read_job(folder)
        said = header or {}
        amps = checked_figure(said.get("amps"), "load_amps", f"{where}, circuit.amps")
        low = checked_figure(said.get("amps_low"), "amps_low", f"{where}, circuit.amps_low")
        kind = said.get("load_kind", job.circuit.load_kind)
        known = LoadKind(str(kind)) if kind in tuple(LoadKind) else job.circuit.load_kind
        circuit = replace(job.circuit, load_kind=known)
        if amps is not None and amps != job.circuit.load_amps:  # another heater, another setting
            circuit = replace(circuit, load_amps=amps, amps_low=None)
        return replace(circuit, amps_low=low or circuit.amps_low), list(job.remarks)
    if header is None:
        raise JobError(
            f"{where}: the header describes no circuit, and {folder / JOB_FILE} is not there. "
            "Write job.toml with at least the names of the receptacles, then replay again."
        )
    return circuit_from_header(header, where)


def _measured(reader: CaptureReader, capture: Path, circuit: Circuit) -> list[CompletedTest]:
    """Every test of the capture, names checked."""
    four_wire = reader.header.settings.get("wires") == 4
    events = checked_names_in(replay(reader), capture, circuit)
    done = list(completed_tests(events, circuit, four_wire=four_wire))
    if not done:
        raise CaptureError(
            f"{capture}: there is no test in it (no mark 'test' that could be read). Nothing was "
            "logged."
        )
    return done


def checked_names_in(
    events: Iterator[Reading | Mark], capture: Path, circuit: Circuit
) -> Iterator[Reading | Mark]:
    """The same events; the first test mark that cannot be used ends it with an error.

    Raises:
        JobError: It names what the circuit does not have, or lacks what its hookup needs.
    """
    for event in events:
        if isinstance(event, Mark) and event.kind == "test":
            try:
                unknown = unknown_name(setup_of(event, circuit), circuit)
            except UsageError as error:
                raise JobError(f"{_place(capture, event)}: {error} Nothing was logged.") from error
            if unknown is not None:
                raise JobError(f"{_place(capture, event)}: {unknown} Nothing was logged.")
        yield event


def _place(capture: Path, mark: Mark) -> str:
    """File and line of a test mark."""
    with capture.open("rb") as stream:
        number = 0
        while line := stream.readline(MAX_LINE_BYTES):
            number += 1
            with suppress(LineError):
                event = read_event(line)
                if isinstance(event, Mark) and _names(event) == _names(mark):
                    return f"{capture}, line {number}"
    return f"{capture}, test mark at {mark.t_s:g} s"


def _names(mark: Mark) -> tuple[str | None, ...]:
    return (
        mark.kind,
        mark.hookup,
        mark.lead_a,
        mark.lead_b,
        mark.load_at,
        mark.side,
        mark.return_at,
    )


def _damage_remarks(reader: CaptureReader, capture: Path) -> list[str]:
    remarks = [f"{capture}, line {d.line}: {d.reason}; skipped." for d in reader.damaged[:5]]
    if reader.damaged_count > len(remarks):
        remarks.append(f"{capture}: {reader.damaged_count} damaged lines were skipped in all.")
    return remarks


def _rows(done: list[CompletedTest], started: datetime, circuit: Circuit) -> list[TestRow]:
    amps, source = circuit.load_amps, Source.REPLAY
    try:
        return [
            measured_row(test, started=started, amps=amps, source=source, capture="")
            for test in done
        ]
    except OverflowError as error:
        raise CaptureError(
            f"A visit that started at {started.isoformat()} runs past the last year that a "
            "calendar has. Correct 'started' in the first line of the capture."
        ) from error


def _logged(capture: Path, job: Job, visit: Visit) -> Replayed:
    """Keep the capture, append what is missing, and find the rows of all its tests."""
    with CapturesLog(job) as log:
        name, numbers, added = log.add(capture, visit.rows, visit.digests)
        rows = {row.test: row for row in log.log.rows(lambda _problem: None) if row.test in numbers}
    logged = tuple(
        rows.get(number) or replace(row, test=number, capture=name)
        for number, row in zip(numbers, visit.rows, strict=True)
    )
    return Replayed(job, logged, added, (*visit.remarks, *log.remarks))
