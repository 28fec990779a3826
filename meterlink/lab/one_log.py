"""One job's log, open for many captures: what is in it is looked up once, not once a capture."""

import hashlib
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import TracebackType

from drivers.capture_lines import MAX_LINE_BYTES
from meterlink.circuit.job import Job
from meterlink.errors import LogError
from meterlink.testlog.captures import keep, kept_name
from meterlink.testlog.log import TestLog
from meterlink.testlog.rows import TestRow


class OneLog:
    """A job's log and folder of captures.

    Attributes:
        remarks: What was odd on opening, in sentences.
    """

    def __init__(self, job: Job) -> None:
        """Open for writing.

        Raises:
            LogError: Another process is writing, or the log cannot be used.
        """
        self._captures = job.captures_path
        self._log = TestLog(job.log_path)
        problems = (f"{problem} It is left as it is." for problem in self._log.problems)
        self.remarks = [*self._log.remarks, *problems]
        self._rows: dict[str, Counter[datetime]] = defaultdict(Counter)
        for row in self._log.rows(lambda _problem: None):
            self._rows[row.capture or ""][row.time] += 1
        self._kept: dict[bytes, list[Path]] = defaultdict(list)  # by their first line
        if self._captures.is_dir():
            for path in sorted(filter(Path.is_file, self._captures.iterdir())):
                self._kept[_first_line(path)].append(path)

    def __enter__(self) -> "OneLog":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._log.close()

    def count(self, name: str) -> int:
        """How many rows of a capture are in the log."""
        return self._rows[name].total() if name in self._rows else 0

    def add(self, capture: Path, rows: Sequence[TestRow]) -> tuple[str, int]:
        """Keep a capture and append those of its tests that are not there.

        Returns:
            The name under which it is kept, and how many rows were appended.

        Raises:
            LogError: The disk or the folder does not take it.
        """
        try:
            first = _first_line(capture)
            name = kept_name(capture, self._captures, self._kept[first])
            keep(capture, self._captures, name)
        except OSError as error:
            raise LogError(
                f"{capture} cannot be kept in {self._captures}: {error.strerror or error}. "
                "Check that the folder is writable and the disk has room."
            ) from error
        if self._captures / name not in self._kept[first]:
            self._kept[first].append(self._captures / name)
        there = self._rows[name].copy()
        missing = []
        for row in rows:
            if there[row.time]:
                there[row.time] -= 1
            else:
                missing.append(replace(row, capture=name))
        self._log.append_all(missing)
        self._rows[name].update(row.time for row in missing)
        return name, len(missing)


def _first_line(path: Path) -> bytes:
    """Digest of the first line: captures that start differently are not the same visit."""
    with path.open("rb") as stream:
        return hashlib.sha256(stream.readline(MAX_LINE_BYTES)).digest()
