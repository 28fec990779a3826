"""Writing a test log: append only, each row on the disk before ``append`` returns, one writer."""

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from filelock import FileLock, Timeout

from drivers.closing import Closing
from meterlink.durable import sync_folder, write_durably
from meterlink.errors import LogError
from meterlink.testlog.columns import COLUMNS, from_cells, to_cells
from meterlink.testlog.formula import neutralised
from meterlink.testlog.reader import LogScan, OnProblem, Problem, read_rows
from meterlink.testlog.records import record_bytes
from meterlink.testlog.rows import TestRow
from meterlink.testlog.schema import write_schema

MAX_TORN_BYTES = 256 * 1024  # far more than a row; anything longer is no half row
MAX_NOTE_LENGTH = 20_000  # characters; the capture keeps longer notes whole


class TestLog(Closing):
    """The test log, open for appending by this process alone.

    Opening makes the file if it is missing, with its schema beside it
    (``meterlink.testlog.schema``). A last row that is only half there (the power failed) is moved
    to ``tests.csv.torn``; everything before it stays as it is. Columns after ours, and other
    orders, are kept: the header row of the file decides.

    Use it as a context manager::

        with TestLog(job.log_path) as log:
            row = log.append(row)  # on the disk now, with its number

    Attributes:
        path: The file.
        problems: Rows that could not be read; they stay in the file.
        remarks: What was repaired on opening, in sentences.
    """

    __test__ = False  # keeps pytest from collecting the class by its name

    def __init__(self, path: Path, *, extra: Sequence[str] = ()) -> None:
        """Open and repair.

        Args:
            path: The file.
            extra: Columns that it must have after ours; a new file is made with them.

        Raises:
            LogError: Another process is writing, the file is no test log, cannot be written or
                lacks one of ``extra``.
        """
        self.path = path
        self._extra = tuple(extra)
        self.problems: list[Problem] = []
        self.remarks: list[str] = []
        self._handle: int | None = None
        self._columns = COLUMNS
        self._last_test = 0
        self._lock = FileLock(path.with_name(f".{path.name}.lock"), timeout=0)
        try:
            self._lock.acquire()
        except Timeout as error:
            raise LogError(
                f"{path} is being written by another meterlink. Let it finish or close it, "
                "then try again."
            ) from error
        except OSError as error:
            raise self._cannot(error) from error
        try:
            self._open()
        except OSError as error:
            self.close()
            raise self._cannot(error) from error
        except BaseException:
            self.close()
            raise

    @property
    def next_test(self) -> int:
        """The number that the next row gets."""
        return self._last_test + 1

    def append(self, row: TestRow, extra: Mapping[str, str] | None = None) -> TestRow:
        """Write a row and wait until it is on the disk.

        Args:
            row: The test; its number is set here.
            extra: Text for columns after ours; a column that the file lacks is left out.

        Returns:
            The row with its number, its figures as the log keeps them.

        Raises:
            LogError: It could not be written; the log is as it was before.
        """
        return self.append_all([row], extra)[0]

    def append_all(
        self, rows: Sequence[TestRow], extra: Mapping[str, str] | None = None
    ) -> list[TestRow]:
        """Write rows at once and wait until all are on the disk: one wait, however many.

        A crash in the middle leaves the first of them. Arguments and errors as for ``append``.
        """
        if self._handle is None:
            raise LogError(f"{self.path} is closed.")
        more = {name: neutralised(text) for name, text in (extra or {}).items()}
        written = [
            to_cells(replace(row, test=number, note=_storable(row.note)))
            for number, row in enumerate(rows, start=self.next_test)
        ]
        records = (
            record_bytes([(more | cells).get(name, "") for name in self._columns])
            for cells in written
        )
        self._write(self._handle, b"".join(records))
        self._last_test += len(written)
        return [from_cells(cells) for cells in written]

    def rows(self, on_problem: OnProblem | None = None) -> Iterator[TestRow]:
        """The rows that are in the log, in order; see ``read_rows``."""
        return read_rows(self.path, on_problem)

    def close(self) -> None:
        """Let others write. Rows are on the disk already."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None
        self._lock.release()

    def _open(self) -> None:
        if not self.path.exists() or self.path.stat().st_size == 0:
            write_schema(self.path, self._extra)
            write_durably(self.path, [record_bytes([*COLUMNS, *self._extra])])
        flags = os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0)
        self._handle = os.open(self.path, flags)
        with os.fdopen(os.dup(self._handle), "rb") as stream:
            stream.seek(0)
            scan = LogScan(self.path, stream)
            self.problems = [
                Problem(self.path, item) for item in scan if not isinstance(item, TestRow)
            ]
        if scan.open_quote is not None:
            raise LogError(
                f"{Problem(self.path, scan.open_quote)} Rows after it would be misread. Correct "
                "that line (a quote inside a cell is written twice), then try again."
            )
        missing = [name for name in self._extra if name not in scan.columns]
        if missing:
            raise LogError(
                f"{self.path} has no column {', '.join(missing)}. A log gets its columns when it "
                "is made: use another job folder, or add the column to its header row and rows."
            )
        self._columns = scan.columns
        self._last_test = scan.last_test
        self._repair(scan)

    def _repair(self, scan: LogScan) -> None:
        if self._handle is None:
            return
        if scan.torn_at is not None:
            self._move_torn(self._handle, scan.torn_at)
        elif scan.whole_to is not None:
            os.ftruncate(self._handle, scan.whole_to - self._loose_returns(scan.whole_to))
            self._write(self._handle, b"\r\n")

    def _loose_returns(self, end: int) -> int:
        """How many bytes of half a line end stand before ``end``: 0 or 1."""
        with self.path.open("rb") as stream:
            stream.seek(end - 1)
            return int(stream.read(1) == b"\r")

    def _move_torn(self, handle: int, start: int) -> None:
        """Keep the bytes of a half row aside, then take them off the log."""
        aside = self.path.with_name(f"{self.path.name}.torn")
        with self.path.open("rb") as stream:
            stream.seek(start)
            torn = stream.read(MAX_TORN_BYTES + 1)
        if len(torn) > MAX_TORN_BYTES:
            raise LogError(
                f"{self.path}: what stands after byte {start} is no half row, and no rows either. "
                "Move the file away, or correct it."
            )
        with aside.open("ab") as stream:
            stream.write(torn + b"\n")
            stream.flush()
            os.fsync(stream.fileno())
        sync_folder(self.path.parent)
        os.ftruncate(handle, start)
        os.fsync(handle)
        self.problems = [p for p in self.problems if p.damage.start < start]
        self.remarks.append(
            f"{self.path}: the last row was only half written (power lost?). Its {len(torn)} bytes "
            f"are in {aside.name}; repeat that test if it matters."
        )

    def _write(self, handle: int, data: bytes) -> None:
        """Append all of the bytes, or none."""
        before = os.fstat(handle).st_size
        try:
            written = 0
            while written < len(data):
                written += os.write(handle, data[written:])
            os.fsync(handle)
        except OSError as error:
            os.ftruncate(handle, before)
            raise self._cannot(error) from error

    def _cannot(self, error: OSError) -> LogError:
        return LogError(
            f"{self.path} cannot be written: {os.strerror(error.errno or 0)}. Nothing that was in "
            "it is lost. Check that the folder is writable and the disk has room, then try again."
        )


def _storable(note: str) -> str:
    """A note that UTF-8 can hold (halves of characters, as JSON can carry them, become "?")."""
    return note[:MAX_NOTE_LENGTH].encode("utf-8", "replace").decode("utf-8")
