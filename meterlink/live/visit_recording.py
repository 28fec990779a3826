"""What is kept of a visit: its recordings, its log, and what a crash left of them.

One recording runs; where it cannot be written a new one takes its place. Tests go into the log as
they are done, and those that were removed do not count.

After a crash a test that has its ``end`` mark in a recording is done; it is logged now if it was
not. A test that was open when the program died is void: nobody knows what happened to leads and
load since. A ``void`` mark with the reason is appended to the recording, so that every later replay
says the same. Nothing in a recording is removed, not even half a line.
"""

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from drivers.address import Address, steady_s
from drivers.append_file import AppendFile
from drivers.capture import CaptureReader
from drivers.capture_lines import write_event
from drivers.closing import Closing
from drivers.errors import CaptureError, DriverError
from drivers.readings import Function, Mark
from meterlink.circuit.job import Job, header_of
from meterlink.errors import LogError, MeterlinkError
from meterlink.levels.visit_split import CompletedTest
from meterlink.live.session import LiveSession
from meterlink.testlog.captures import LoggedTests, name_of, recordings_in, remove_if_empty
from meterlink.testlog.columns import Source, TestRow
from meterlink.testlog.findings import withdraw, withdrawn_tests
from meterlink.testlog.from_capture import read_visit
from meterlink.testlog.log import TestLog
from meterlink.testlog.recorded import digests_of, recorded_tests
from meterlink.testlog.rows import measured_row
from meterlink.visit.state import SetMark, TypedTest
from meterlink.visit.typed_levels import typed_row

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
        flows: A source was on, or on its way, in that test.
    """

    done: int
    is_open: bool
    last_s: float
    is_torn: bool
    flows: bool = False


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


def close_open_test(path: Path) -> Marks:
    """Append a ``void`` mark where a test was left open; returns what the marks said before.

    Raises:
        DriverError, OSError: The recording cannot be read or written.
    """
    marks = marks_of(path)
    if marks.is_open:
        with AppendFile(path) as file:
            line = write_event(Mark(marks.last_s, "void", WHY_VOID))
            file.append_durably((b"\n" if marks.is_torn else b"") + line)
    return marks


def marks_of(path: Path) -> Marks:
    """Read the marks of a recording; its bytes are not decoded.

    Raises:
        DriverError: It is no capture, or cannot be read.
    """
    done, is_open, last_s, flows = 0, False, 0.0, False
    with CaptureReader(path) as reader:
        for event in reader:
            last_s = event.t_s
            if isinstance(event, Mark) and event.kind in ("test", "end", "void"):
                done += is_open and event.kind != "void"
                is_open, flows = event.kind == "test", False
            elif isinstance(event, Mark) and event.kind == "source":
                flows = _is_on(event.text)
    with path.open("rb") as stream:
        stream.seek(-1, os.SEEK_END)
        is_torn = stream.read(1) != b"\n"
    return Marks(done, is_open, last_s, is_torn, flows)


def _is_on(text: str) -> bool:
    """Whether a mark of a source says that its current flows, or may."""
    try:
        return float(text) != 0
    except ValueError:
        return True


def _recover_one(job: Job, log: TestLog, path: Path, logged: LoggedTests) -> Iterator[str]:
    marks = close_open_test(path)
    if marks.is_open:
        what = "the supply is OFF before you touch anything: it was on" if marks.flows else ""
        yield (
            f"{name_of(path)}: the last visit ended in the middle of a test. That test is "
            "discarded; it is asked for again if it is still worth doing. See that "
            f"{what or 'the load is off'}."
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


class VisitRecording(Closing):
    """A live meter that is always recorded into the job's folder of captures.

    Args:
        job: The circuit and its folder.
        address: Of the meter.
        speed: How many times faster than the wall clock time runs; for simulated meters only.
        wanted: Function that the meter should be on; by default the one of the circuit's load.

    Attributes:
        session: The meter in use, with the recording that runs or broke off last.

    Raises:
        DriverError: The meter cannot be opened, or the recording not be begun.
    """

    def __init__(
        self,
        job: Job,
        address: Address,
        *,
        speed: float = 1.0,
        wanted: Function | None = None,
    ) -> None:
        self._job = job
        self._wanted = wanted or (Function.DC if job.circuit.signed else Function.AC)
        self._address = address
        self._clock: Callable[[], float] = lambda: speed * steady_s()
        self._is_broken = False
        self.session = self._open()

    @property
    def name(self) -> str:
        """File name of the recording."""
        return self.session.capture.name if self.session.capture else ""

    def digest(self, begun_s: float) -> str | None:
        """What the test that began then is known by in the log, if its recording can be read."""
        with suppress(OSError):
            if self.session.capture is not None:
                return digests_of(self.session.capture, [begun_s])[0]
        return None

    def close(self) -> None:
        """Give the meter back and end the recording."""
        self.session.close()

    def mark(self, request: SetMark) -> None:
        """Set a mark; it is on the disk after.

        Raises:
            CaptureError: It cannot be written.
        """
        setup = request.setup
        try:
            self.session.mark(
                request.kind,
                request.text,
                hookup=setup.hookup.value if setup else None,
                lead_a=setup.lead_a if setup else None,
                lead_b=setup.lead_b if setup else None,
                load_at=setup.load_at if setup else None,
                side=setup.side if setup else None,
                return_at=setup.return_at if setup else None,
            )
        except CaptureError:
            self._is_broken = True
            raise

    def go_on(self) -> None:
        """Go on with the recording, or begin a new one where it broke off.

        A test that was open then is void in the old one, at once or before the next visit.

        Raises:
            DriverError: Neither can be done now.
        """
        if not self.session.is_recording:
            broken = self.session.capture
            self.session.close()
            if broken is not None:
                with suppress(DriverError, OSError):
                    close_open_test(broken)
            self.session = self._open()
        elif self._is_broken:
            self.session.mark("void", "the recording could not be written for a while")
        self._is_broken = False

    def _open(self) -> LiveSession:
        wanted = self._wanted
        folder = self._job.captures_path
        path = folder / f"visit-{datetime.now(UTC):%Y%m%d-%H%M%S-%f}.jsonl"
        try:
            folder.mkdir(exist_ok=True)
        except OSError as error:
            raise CaptureError(f"{folder} cannot be made: {error.strerror}.") from error
        header = header_of(self._job.circuit)
        try:
            return LiveSession(
                self._address, path, circuit=header, wanted=wanted, clock=self._clock
            )
        except DriverError:
            remove_if_empty(path)
            raise


class VisitLog:
    """The rows that count, and the file they are appended to.

    Args:
        job: The circuit and its folder.
        log: Its log, open.
        rows: The log so far.
        recording: What measured tests are recorded in; ``None`` where readings are typed.

    Attributes:
        rows: Those that count.
    """

    def __init__(
        self, job: Job, log: TestLog, rows: Sequence[TestRow], recording: VisitRecording | None
    ) -> None:
        self._job = job
        self._log = log
        self._recording = recording
        self._made: dict[CompletedTest, TestRow] = {}
        self.rows = list(rows)

    def append(self, done: CompletedTest | TypedTest) -> TestRow:
        """Log a test; its row is made once, while its recording is the one that runs.

        Raises:
            LogError: It cannot be written now.
            UsageError: What was typed makes no sense.
        """
        row = self._typed(done) if isinstance(done, TypedTest) else self._measured(done)
        self.rows.append(row)
        return row

    def _typed(self, done: TypedTest) -> TestRow:
        return self._log.append(typed_row(done, self._job.circuit, datetime.now().astimezone()))

    def _measured(self, done: CompletedTest) -> TestRow:
        recording = self._recording
        if recording is None:
            raise LogError("No recording runs.")
        if done not in self._made:
            self._made[done] = measured_row(
                done,
                started=recording.session.started,
                amps=self._job.circuit.load_amps,
                source=Source.LIVE,
                capture=recording.name,
            )
        row = self._log.append(self._made[done], digest=recording.digest(done.started_s))
        del self._made[done]
        return row

    def remove(self, test: int) -> None:
        """Write down that a test does not count.

        Raises:
            LogError: That cannot be written.
        """
        withdraw(self._job.folder, test, datetime.now(UTC), "undone in the visit")
        self.rows = [row for row in self.rows if row.test != test]

    def undone_elsewhere(self) -> list[int]:
        """Tests that another command removed since the last look; they do not count either."""
        gone: list[int] = []
        with suppress(LogError):
            away = withdrawn_tests(self._job.folder)
            gone = [row.test for row in self.rows if row.test in away]
            self.rows = [row for row in self.rows if row.test not in away]
        return gone
