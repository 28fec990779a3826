"""What the report reads from a job folder besides its rows: plots, instruments, digests."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from drivers.capture import CaptureReader
from drivers.errors import DriverError
from drivers.events import Mark
from drivers.readings import Reading
from drivers.replay import replay
from meterlink.circuit.job import CAPTURES, JOB_FILE, LOG_FILE, Job
from meterlink.errors import MeterlinkError
from meterlink.show.traces import draw_trace, traced_tests
from meterlink.testlog.captures import sha256
from meterlink.testlog.measured import measured_row
from meterlink.testlog.rows import Source, TestRow


@dataclass(frozen=True, slots=True)
class Visit:
    """One capture of the job.

    Attributes:
        name: File name in the folder of captures.
        started: When it began; ``None`` where the file cannot be read.
        facts: What is known of the instrument, as label and value.
        remarks: Lines that were damaged, or why the file cannot be read.
        notes: What the person wrote between tests and at the end.
    """

    name: str
    started: datetime | None
    facts: tuple[tuple[str, str], ...]
    remarks: tuple[str, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Digest:
    """A file of the job as it was when the report was made."""

    name: str
    size_bytes: int
    sha256: str


def visits(job: Job, rows: Sequence[TestRow]) -> tuple[tuple[Visit, ...], Mapping[int, str]]:
    """Read the captures that the rows name.

    Args:
        job: The job folder. Names in the log are only looked for in its folder of captures.
        rows: The test log.

    Returns:
        The captures that are there, and the plot of each test (SVG) by its number.
    """
    plots: dict[int, str] = {}
    found: list[Visit] = []
    for path in _captures(job):
        mine = [row for row in rows if row.capture == path.name]
        if mine:
            found.append(_visit(path, job, mine, plots))
    return tuple(found), plots


def digests(job: Job) -> tuple[Digest, ...]:
    """SHA-256 (FIPS 180-4) of every file that the report rests on.

    Raises:
        OSError: A file cannot be read.
    """
    files = [job.folder / JOB_FILE, job.folder / LOG_FILE, *_captures(job)]
    return tuple(
        Digest(path.relative_to(job.folder).as_posix(), path.stat().st_size, sha256(path))
        for path in files
        if path.is_file()
    )


def _captures(job: Job) -> list[Path]:
    folder = job.folder / CAPTURES
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if path.is_file())


def _visit(path: Path, job: Job, rows: list[TestRow], plots: dict[int, str]) -> Visit:
    try:
        with CaptureReader(path) as reader:
            notes: list[str] = []
            plots.update(_plots(reader, job, rows, notes))
            header = reader.header
            damaged = [f"line {d.line}: {d.reason}" for d in (*reader.damaged, *reader.warnings)]
    except (DriverError, MeterlinkError) as error:
        return Visit(path.name, None, (), (f"{error} Its tests have no plots.",))
    facts = [("bytes read as", header.driver), *sorted(header.instrument.items())]
    facts += [(key, str(value)) for key, value in sorted(header.settings.items())]
    return Visit(path.name, header.started, tuple(facts), tuple(damaged), tuple(notes))


def _plots(
    reader: CaptureReader, job: Job, rows: list[TestRow], notes: list[str]
) -> Iterator[tuple[int, str]]:
    """Measure the capture again and draw each test that is in the log, found by its time.

    Notes that belong to no test are gathered on the way.
    """
    waiting = {(row.time, row.setup): row for row in reversed(rows)}
    for test, trace in traced_tests(_noting(replay(reader), notes), job.circuit):
        again = measured_row(
            test,
            started=reader.header.started,
            amps=job.circuit.load_amps,
            source=Source.REPLAY,
            capture=reader.name,
        )
        row = waiting.pop((again.time, again.setup), None)
        if row is not None:
            drawn = draw_trace(row, test.measurement, trace, identity=f"test-{row.test}")
            yield row.test, drawn


def _noting(events: Iterable[Reading | Mark], notes: list[str]) -> Iterator[Reading | Mark]:
    """Pass events on, and keep what was noted between tests and at the end."""
    inside = False
    for event in events:
        if isinstance(event, Mark):
            if event.kind in ("test", "end", "void"):
                inside = event.kind == "test"
            elif event.kind == "note" and not inside and event.text:
                notes.append(event.text)
        yield event
