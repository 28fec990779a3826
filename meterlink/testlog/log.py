"""Writing a test log: append only, each row on the disk before ``append`` returns, one writer.

Beside the log stands what its columns are, for programs: CSV on the Web metadata. Format and file
name: W3C Recommendation "Metadata Vocabulary for Tabular Data" (2015); a reader of ``tests.csv``
looks for ``tests.csv-metadata.json`` (section 5.3 of "Model for Tabular Data").
"""

import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import replace
from itertools import count, islice
from pathlib import Path

from drivers.closing import Closing
from meterlink.errors import LogError
from meterlink.files import (
    AppendFile,
    MovedFileError,
    is_missing_or_empty,
    keep_torn,
    open_regular,
    why,
    write_durably,
    writing_alone,
)
from meterlink.testlog.columns import (
    COLUMNS,
    TABLE,
    CellError,
    Column,
    Kind,
    TestRow,
    from_cells,
    neutralised,
    to_cells,
    within_bounds,
)
from meterlink.testlog.findings import withdrawn_from
from meterlink.testlog.reader import LogScan, OnProblem, Problem, read_rows, record_bytes
from meterlink.testlog.recorded import Ledger

_NEUTRALISED = (
    "Text that a spreadsheet would take for a formula has an apostrophe in front; take one off."
)


def schema_path(log: Path) -> Path:
    """Where the schema of a log is."""
    return log.with_name(f"{log.name}-metadata.json")


def write_schema(log: Path, extra: Sequence[str] = ()) -> None:
    """Write the schema beside a log.

    Raises:
        OSError: The folder or the disk does not take it.
    """
    text = json.dumps(schema(log.name, extra), indent=1, ensure_ascii=False)
    write_durably(schema_path(log), [text.encode("utf-8"), b"\n"])


def schema(name: str, extra: Sequence[str] = ()) -> dict[str, object]:
    """CSVW metadata of a log.

    Args:
        name: File name of the log.
        extra: Columns after ours.
    """
    columns = [*map(_column, TABLE), *({"titles": name, "datatype": "string"} for name in extra)]
    return {
        "@context": "http://www.w3.org/ns/csvw",
        "url": name,
        "rdfs:comment": _NEUTRALISED,
        "dialect": {"encoding": "utf-8", "header": True, "lineTerminators": ["\r\n", "\n"]},
        "tableSchema": {"columns": columns, "primaryKey": "test"},
    }


def _column(column: Column) -> dict[str, object]:
    found: dict[str, object] = {
        "name": column.name,
        "titles": column.name,
        "dc:description": column.meaning,
        "datatype": _TYPES.get(column.kind, "string"),
    }
    if column.kind is Kind.NUMBER and math.isfinite(column.bounds[0]):
        least, most = column.bounds
        found["datatype"] = {"base": "number", "minimum": least, "maximum": most}
    if column.choices is not None:
        known = "|".join(member.value for member in column.choices)
        found["datatype"] = {"base": "string", "format": f"^(?:{known})$"}
    if column.required:
        found["required"] = True
    return found


_TYPES: dict[Kind, object] = {
    Kind.COUNT: {"base": "integer", "minimum": 0},
    Kind.NUMBER: "number",
    Kind.TIME: "dateTimeStamp",
}


MAX_TORN_BYTES = 256 * 1024  # far more than a row; anything longer is no half row
MAX_NOTE_LENGTH = 20_000  # characters; the capture keeps longer notes whole


class TestLog(Closing):
    """The test log, open for appending by this process alone.

    Opening makes the file if it is missing, with its schema beside it
    (``meterlink.testlog.log``). A last row that is only half there (the power failed) is moved
    to ``tests.csv.torn``; everything before it stays as it is. Columns after ours, and other
    orders, are kept: the header row of the file decides. The number of a test that was removed
    is not given again, even where its row is gone.

    Where the file at the path is another one than was opened (it was moved, deleted, or saved anew
    by a table program), an append fails and says so; the next one opens what is there then.

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
        self._file: AppendFile | None = None
        self._held = ExitStack()  # the lock and the file
        self._moved = False
        self._columns = COLUMNS
        self._last_test = 0
        self._open()

    @property
    def next_test(self) -> int:
        """The number that the next row gets."""
        return self._numbers(1)[0]

    def append(
        self, row: TestRow, extra: Mapping[str, str] | None = None, *, digest: str | None = None
    ) -> TestRow:
        """Write a row and wait until it is on the disk.

        Args:
            row: The test; its number is set here.
            extra: Text for columns after ours; a column that the file lacks is left out.
            digest: Of the test in its recording (``meterlink.testlog.recorded``), by which
                ``number_of`` knows it later.

        Returns:
            The row with its number, its figures as the log keeps them.

        Raises:
            LogError: It could not be written; the log is as it was before.
        """
        return self.append_all([row], extra, digests=[digest])[0]

    def append_all(
        self,
        rows: Sequence[TestRow],
        extra: Mapping[str, str] | None = None,
        *,
        digests: Sequence[str | None] = (),
    ) -> list[TestRow]:
        """Write rows at once and wait until all are on the disk: one wait, however many.

        A crash in the middle leaves the first of them. Arguments and errors as for ``append``.
        """
        file = self._at_its_place()
        more = {name: neutralised(text) for name, text in (extra or {}).items()}
        written = [
            to_cells(_storable(within_bounds(replace(row, test=number))))
            for number, row in zip(self._numbers(len(rows)), rows, strict=True)
        ]
        try:
            kept = [from_cells(cells) for cells in written]
        except CellError as error:
            raise LogError(f"{self.path} cannot hold this test: {error}") from error
        records = (
            record_bytes([(more | cells).get(name, "") for name in self._columns])
            for cells in written
        )
        try:
            file.append_durably(b"".join(records))
        except OSError as error:
            raise self._cannot(error) from error
        self._last_test = max([self._last_test, *(row.test for row in kept)])
        self.know((row.test, row, digest) for row, digest in zip(kept, digests, strict=False))
        return kept

    def number_of(self, digest: str | None) -> int | None:
        """The number under which a recorded test was logged, ``None`` where it never was.

        Its row may have been removed, or made unreadable, since; the number may be another test's.
        """
        return self._ledger.number_of(digest)

    def has_number(self, digest: str | None) -> bool:
        """Whether a recorded test was logged, and no other was under its number since."""
        return self._ledger.has_number(digest)

    def know(self, tests: Iterable[tuple[int, TestRow, str | None]]) -> None:
        """Note which recorded tests are in the log: number, row and digest of each.

        Where that cannot be written they are in the log all the same; ``remarks`` says so.
        """
        try:
            self._ledger.add(tests)
        except OSError as error:
            self.remarks.append(f"Not noted in {self._ledger.path}: {why(error)}.")

    def rows(self, on_problem: OnProblem | None = None) -> Iterator[TestRow]:
        """The rows that are in the log, in order; see ``read_rows``."""
        return read_rows(self.path, on_problem)

    def close(self) -> None:
        """Let others write. Rows are on the disk already."""
        self._file, self._moved = None, False
        self._held.close()

    def _open(self) -> None:
        """Take the lock, open the file and repair it."""
        with ExitStack() as held:
            try:
                held.enter_context(writing_alone(self.path))
                file, scan = self._scanned(held)
                self._repair(file, scan)
            except OSError as error:
                raise self._cannot(error) from error
            self._ledger = Ledger(self.path)
            self._columns, self._last_test = scan.columns, scan.last_test
            self._held, self._file, self._moved = held.pop_all(), file, False

    def _scanned(self, held: ExitStack) -> tuple[AppendFile, LogScan]:
        if is_missing_or_empty(self.path):
            write_schema(self.path, self._extra)
            write_durably(self.path, [record_bytes([*COLUMNS, *self._extra])])
        file = held.enter_context(AppendFile(self.path))
        with open_regular(self.path) as stream:
            scan = LogScan(self.path, stream)
            found = [item for item in scan if not isinstance(item, TestRow)]
        self.problems = [Problem(self.path, item) for item in found]
        if scan.open_quote is not None:
            raise LogError(
                f"{Problem(self.path, scan.open_quote)} Rows after it would be misread. Correct "
                "that line (a quote inside a cell is written twice), then try again."
            )
        if not scan.columns:  # blank lines only
            file.end_line()
            file.append_durably(record_bytes([*COLUMNS, *self._extra]))
            scan.columns = (*COLUMNS, *self._extra)
        missing = [name for name in self._extra if name not in scan.columns]
        if missing:
            raise LogError(
                f"{self.path} has no column {', '.join(missing)}. A log gets its columns when it "
                "is made: use another job folder, or add the column to its header row and rows."
            )
        return file, scan

    def _repair(self, file: AppendFile, scan: LogScan) -> None:
        """Move half a row aside; give a whole last line the line end that it lacks."""
        if scan.torn_at is not None:
            self._keep_torn(file, scan.torn_at)
        elif file.read(max(file.size - 1, 0), 1) not in (b"", b"\n"):
            half_end = file.read(file.size - 1, 1) == b"\r"
            file.cut(file.size - half_end)
            file.append_durably(b"\r\n")

    def _keep_torn(self, file: AppendFile, start: int) -> None:
        kept = keep_torn(file, start, most_bytes=MAX_TORN_BYTES)
        if kept is None:
            raise LogError(
                f"{self.path}: what stands after byte {start} is no half row, and no rows either. "
                "Move the file away, or correct it."
            )
        aside, count = kept
        self.problems = [p for p in self.problems if p.damage.start < start]
        self.remarks.append(
            f"{self.path}: the last row was only half written (power lost?). Its {count} bytes "
            f"are in {aside.name}; repeat that test if it matters."
        )

    def _numbers(self, how_many: int) -> list[int]:
        """Numbers for new rows: above all in the log, none of a test that was removed."""
        gone = withdrawn_from(self.path)
        free = (number for number in count(self._last_test + 1) if number not in gone)
        return list(islice(free, how_many))

    def _at_its_place(self) -> AppendFile:
        """The open file; where it was found moved before, the one that is there now.

        Raises:
            LogError: It is closed, or is not at its path.
        """
        try:
            if self._moved and self.path.exists():
                self._open()
            if self._moved:
                raise MovedFileError(self.path)
            if self._file is None:
                raise LogError(f"{self.path} is closed.")
            self._file.check_place()
        except OSError as error:
            raise self._cannot(error) from error
        return self._file

    def _cannot(self, error: OSError) -> LogError:
        if isinstance(error, MovedFileError):
            self.close()
            self._moved = True
            return LogError(
                f"{self.path} is not the file that was opened: {why(error)}. This test is not in "
                "it. Put the file, or its folder, back in its place (or leave the new one there), "
                "then try again."
            )
        return LogError(
            f"{self.path} cannot be written: {why(error)}. Nothing that was in "
            "it is lost. Check that the folder is writable and the disk has room, then try again."
        )


def _storable(row: TestRow) -> TestRow:
    """A row whose texts UTF-8 can hold: halves of characters (JSON can carry them) become "?"."""
    note = row.note[:MAX_NOTE_LENGTH].encode("utf-8", "replace").decode("utf-8")
    capture = (row.capture or "").encode("utf-8", "replace").decode("utf-8") or None
    return replace(row, note=note, capture=capture)
