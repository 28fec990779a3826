"""After a crash: what the recordings hold and the log lacks, and tests that nobody ended.

A test that has its ``end`` mark in a recording is done; it is logged now if it was not. A test
that was open when the program died is void: nobody knows what happened to leads and load since. A
``void`` mark with the reason is appended to the recording, so that every later replay says the
same. Nothing in a recording is removed, not even half a line.
"""

import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from drivers.append_file import AppendFile
from drivers.capture import CaptureReader
from drivers.capture_lines import write_event
from drivers.errors import DriverError
from drivers.readings import Mark
from meterlink.circuit.job import Job
from meterlink.errors import LogError, MeterlinkError
from meterlink.testlog.captures import LoggedTests, name_of, recordings_in, remove_if_empty
from meterlink.testlog.from_capture import read_visit
from meterlink.testlog.log import TestLog
from meterlink.testlog.recorded import recorded_tests
from meterlink.testlog.rows import Source

CAPTURES = "visit-*.jsonl"  # recordings that ``meterlink test`` made
WHY_VOID = "the program ended in the middle of this test"


@dataclass(frozen=True, slots=True)
class Marks:
    """What the marks of a recording say.

    Attributes:
        done: Number of tests that were ended.
        is_open: A test was neither ended nor voided.
        last_s: Time of the last event.
        is_torn: The last line has no end.
    """

    done: int
    is_open: bool
    last_s: float
    is_torn: bool


def recover(job: Job, log: TestLog) -> Iterator[str]:
    """Bring log and recordings of a job into agreement; the log is open, so nobody else writes.

    Yields:
        A sentence for each thing that was put right, or cannot be.

    Raises:
        LogError: A row could not be written.
    """
    logged = LoggedTests(log)
    for path in recordings_in(job.captures_path, CAPTURES):
        if remove_if_empty(path):  # the program died between making the file and its header
            continue
        try:
            yield from _recover_one(job, log, path, logged)
        except LogError:
            raise
        except (DriverError, MeterlinkError, OSError) as error:
            yield f"{name_of(path)} cannot be compared with the log: {error}"


def close_open_test(path: Path) -> bool:
    """Append a ``void`` mark where a test was left open; returns whether one was.

    Raises:
        DriverError, OSError: The recording cannot be read or written.
    """
    marks = marks_of(path)
    if marks.is_open:
        with AppendFile(path) as file:
            line = write_event(Mark(marks.last_s, "void", WHY_VOID))
            file.append_durably((b"\n" if marks.is_torn else b"") + line)
    return marks.is_open


def marks_of(path: Path) -> Marks:
    """Read the marks of a recording; its bytes are not decoded.

    Raises:
        DriverError: It is no capture, or cannot be read.
    """
    done, is_open, last_s = 0, False, 0.0
    with CaptureReader(path) as reader:
        for event in reader:
            last_s = event.t_s
            if isinstance(event, Mark) and event.kind in ("test", "end", "void"):
                done += is_open and event.kind != "void"
                is_open = event.kind == "test"
    with path.open("rb") as stream:
        stream.seek(-1, os.SEEK_END)
        is_torn = stream.read(1) != b"\n"
    return Marks(done, is_open, last_s, is_torn)


def _recover_one(job: Job, log: TestLog, path: Path, logged: LoggedTests) -> Iterator[str]:
    if close_open_test(path):
        yield (
            f"{name_of(path)}: the last visit ended in the middle of a test. That test is "
            "discarded; it is asked for again if it is still worth doing. See that the load is off."
        )
    tests = [test for test in recorded_tests(path) if not test.is_open]
    if all(log.number_of(test.digest) is not None for test in tests):
        return
    visit = read_visit(path, job.folder)
    rows = [replace(row, capture=name_of(path), source=Source.LIVE) for row in visit.rows]
    numbers = logged.find(rows, visit.digests, any_name=True)
    found = zip(rows, visit.digests, numbers, strict=True)
    for row, digest, number in found:
        if number is None and log.number_of(digest) is None:
            kept = log.append(row, digest=digest)
            yield f"Test {kept.test} was done but not logged yet; it is now, from {row.capture}."
