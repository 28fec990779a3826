"""The log of a visit: tests go in as they are done, and those that were removed do not count."""

from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime

from meterlink.circuit.job import Job
from meterlink.errors import LogError
from meterlink.levels.visit_split import CompletedTest
from meterlink.live.visit_recording import VisitRecording
from meterlink.testlog.findings import withdraw, withdrawn_tests
from meterlink.testlog.from_capture import measured_row
from meterlink.testlog.log import TestLog
from meterlink.testlog.rows import Source, TestRow
from meterlink.visit.state import TypedTest
from meterlink.visit.typed_levels import typed_row


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
