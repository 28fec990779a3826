"""Records of a log as lists of cells: fast, in bounded memory, every bad one named.

``meterlink.testlog`` reads with the care that a writer needs, which byte each row takes up. For
reading alone the csv module at full speed does. Logs that went through a table program may be in
UTF-16, have semicolons or tabs between cells and commas in numbers; that is read, and said.
"""

import codecs
import csv
import math
import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from meterlink.errors import LogError

MAX_LINE = 256 * 1024
_TELL_EVERY = 20_000  # rows
MAX_FIGURE = 1e15  # no meter shows it; squares of more leave the range of numbers
_WIDE_MARKS = {b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}
_WHOLE = re.compile(r"\s*([0-9]{1,17})(?:[.,]0*)?\s*")
_COMMA = re.compile(r"\s*[-+]?[0-9]+,[0-9]+(?:[eE][-+]?[0-9]+)?\s*")


def figure(cell: str, column: str, *, comma: bool = False) -> float | None:
    """A number, ``None`` for an empty cell.

    Args:
        cell: The text.
        column: For messages.
        comma: Whether a comma can only be a decimal point, as other signs separate the cells.

    Raises:
        ValueError: Anything else: what came and what was expected, and the reason in short.
    """
    if not cell or cell.isspace():
        return None
    if comma and _COMMA.fullmatch(cell):
        cell = cell.replace(",", ".")
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    if abs(value) <= MAX_FIGURE and "_" not in cell:
        return value
    raise ValueError(
        f"{column} is {cell[:40]!r} ({(reason := _reason(cell, value))}); expected a plain number "
        "with '.' as decimal point and no unit",
        reason,
    )


def moment(cell: str) -> datetime | None:
    """A time, taken as UTC where it has no offset; ``None`` where the cell holds none."""
    try:
        time = datetime.fromisoformat(cell)
    except ValueError:
        return None
    return time if time.tzinfo else time.replace(tzinfo=UTC)


def seconds(cell: str) -> float:
    """Seconds since 1970 of a time; NaN where the cell holds none."""
    time = moment(cell)
    try:
        return time.timestamp() if time is not None else math.nan
    except OverflowError:  # the first or last day of the calendar, moved by its offset
        return math.nan


def number(cell: str) -> int:
    """The number of a test; 0 where the cell holds none. Table programs write 7 as 7.0 too."""
    found = _WHOLE.fullmatch(cell)
    return int(found[1]) if found else 0


def _reason(cell: str, value: float) -> str:
    """Why a cell is no figure, in short."""
    if abs(value) > MAX_FIGURE and math.isfinite(value):
        return "a figure too large for any meter"
    if _COMMA.fullmatch(cell):
        return "a decimal comma"
    if re.fullmatch(r"\s*[-+]?(nan|inf|infinity|[0-9.]+e[0-9]+)\s*", cell, re.IGNORECASE):
        return "nan or infinity"
    if re.match(r"\s*[-+]?[0-9.,]+\s*[^\W\d_]", cell):
        return "a unit in the cell"
    return "no number"


class LogRecords(Iterator[tuple[int, list[str]]]):
    """The records of a log with the number of their last line, the header apart.

    Attributes:
        header: Names of the columns.
        remarks: What is unusual about the file, in sentences.
        decimal_comma: Whether a comma in a cell can be a decimal point.
    """

    def __init__(self, path: Path, stream: IO[bytes], on_problem: Callable[[str], None]) -> None:
        """Read the header.

        Args:
            path: For messages.
            stream: Open for reading bytes.
            on_problem: Told of each record that cannot be read, with file and line.

        Raises:
            LogError: There is no header, or a line without end.
        """
        self.remarks: list[str] = []
        self._lines = _Lines(path, stream)
        if self._lines.wide:
            self.remarks.append(f"{path} is UTF-16; it is read. Logs are UTF-8 otherwise.")
        delimiter = self._lines.delimiter
        self.decimal_comma = delimiter != ","
        if self.decimal_comma:
            name = {";": "semicolons", "\t": "tabs"}[delimiter]
            self.remarks.append(
                f"{path} has {name} between cells; it is read, a comma in a number as its decimal "
                "point."
            )
        self._on_problem = on_problem
        self._records = self._read(delimiter)
        first = next(self._records, None)
        if first is None:
            raise LogError(f"{path} is empty: there is no header row and no test in it.")
        self.header = [cell.strip() for cell in first[1]]

    def __next__(self) -> tuple[int, list[str]]:
        return next(self._records)

    def _read(self, delimiter: str) -> Iterator[tuple[int, list[str]]]:
        lines, width, done = self._lines, 0, False
        while not done:
            first = lines.count + 1
            try:
                for cells in csv.reader(lines, strict=True, delimiter=delimiter):
                    if cells and len(cells) == (width or len(cells)):
                        width = len(cells)
                        yield lines.count, cells
                    elif cells:
                        why = f"it has {len(cells)} cells; the header has {width}"
                        self._on_problem(f"{lines.place(first)}: {why}.")
                    first = lines.count + 1
                done = True
            except csv.Error as error:
                self._on_problem(f"{lines.place(first)}: {error}.")


class _Lines:
    """The lines of a file as text; counts them.

    Attributes:
        wide: Whether it is UTF-16.
        delimiter: What separates the cells of the first line that is not empty.
    """

    def __init__(self, path: Path, stream: IO[bytes]) -> None:
        self._path = path
        start = stream.read(4)
        stream.seek(0)
        encoding = _WIDE_MARKS.get(start[:2], "utf-8")
        if len(start) > 1 and encoding == "utf-8" and bool(start[0]) is not bool(start[1]):
            encoding = "utf-16-le" if start[0] else "utf-16-be"
        self.wide = encoding != "utf-8"
        self._stream = stream
        self._wide = codecs.getreader(encoding)(stream, "replace") if self.wide else None
        self.count = 0
        self._waiting: list[str] = []
        header = ""
        while not header.strip():
            line = self._line()
            if not line:
                break
            self._waiting.append(header := line)
        counts = {sign: header.count(sign) for sign in ",;\t"}
        self.delimiter = max(counts, key=lambda sign: counts[sign])

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        line = self._waiting.pop(0) if self._waiting else self._line()
        if not line:
            raise StopIteration
        self.count += 1
        return line

    def _line(self) -> str:
        if self._wide is not None:
            line = self._wide.readline(MAX_LINE)
        else:
            data = self._stream.readline(MAX_LINE)
            line = data.decode("utf-8", "replace")
            line = line.removeprefix("\ufeff") if not self.count and not self._waiting else line
        if len(line) >= MAX_LINE - 3:
            at = self.count + len(self._waiting) + 1
            raise LogError(f"{self._path} is no test log: line {at} has no end.")
        return line

    def place(self, first: int) -> str:
        """File and lines from ``first`` to here."""
        if first == self.count:
            return f"{self._path}, line {first}"
        return f"{self._path}, lines {first} to {self.count}"


#: Told of rows read so far, and of the share of all bytes.
Progress = Callable[[int, float], None]


class ProgressTeller:
    """Passes progress on, counted over all logs."""

    def __init__(self, on_progress: Progress | None, total: int) -> None:
        self._on_progress = on_progress
        self._total = total
        self._rows = 0
        self._before = 0

    def row(self, stream: IO[bytes]) -> None:
        """A row was read."""
        self._rows += 1
        if self._on_progress is not None and self._rows % _TELL_EVERY == 0:
            self._on_progress(self._rows, (self._before + stream.tell()) / self._total)

    def ended(self, stream: IO[bytes]) -> None:
        """A log was read."""
        self._before += stream.tell()
