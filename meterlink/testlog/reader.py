"""Reading a test log: every row, or why not, by line, in bounded memory, whatever the file holds.

The log has one writer and may be cut off at any byte. Each CSV record therefore comes with the line
and the byte range that it takes up, and with whether its line end is there. A record that cannot be
read (a quote never closed, a row of the wrong width) gives a ``Damage`` instead; reading goes on at
the next line, so that one stray quote does not swallow the rows after it.
"""

import csv
import io
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from meterlink.errors import LogError
from meterlink.files import open_regular, why
from meterlink.testlog.columns import FIRST_COLUMNS, CellError, TestRow, from_cells

MAX_LINE_BYTES = 256 * 1024
MAX_DAMAGES = 100  # a file with more is no test log; also bounds the work of reading on


@dataclass(frozen=True, slots=True)
class Record:
    """One record.

    Attributes:
        line: Number of its first line, from 1.
        start, end: Byte range in the file, line end included.
        fields: Its cells.
        ended: Whether its line end is there.
    """

    line: int
    start: int
    end: int
    fields: tuple[str, ...]
    ended: bool


@dataclass(frozen=True, slots=True)
class Damage:
    """A record that cannot be read: its first line and byte, and why.

    ``open_quote``: the file ends inside a quoted cell that starts here.
    """

    line: int
    start: int
    why: str
    open_quote: bool = False
    ended: bool = True


@dataclass(frozen=True, slots=True)
class _Line:
    number: int
    start: int
    data: bytes


class TooDamagedError(Exception):
    """A line too long, or more damages, than a test log can have; the text says which."""


class RecordReader:
    """Iterates over the records and damages of a CSV stream of bytes.

    Args:
        stream: Open for reading bytes.
        is_good: Whether the cells make a row; a bad record of several lines is read anew from its
            second line. Called once a record with its cells; returns why not, or ``None``.
    """

    def __init__(self, stream: IO[bytes], is_good: Callable[[tuple[str, ...]], str | None]) -> None:
        self._stream = stream
        self._is_good = is_good
        self._pending: deque[_Line] = deque()  # lines to be read again
        self._taken: list[_Line] = []  # lines of the record in work
        self._next_number = 1
        self._next_start = 0
        self._damages = 0
        self._torn_from: int | None = None  # first byte of a last record of several lines

    def __iter__(self) -> Iterator[Record | Damage]:
        """Give records and damages in file order.

        Raises:
            TooDamagedError: More than ``MAX_DAMAGES`` of them, or a line of more than
                ``MAX_LINE_BYTES``.
        """
        while True:
            self._taken = []
            rows = csv.reader(self._lines(), strict=True)
            try:
                fields = tuple(next(rows))
            except StopIteration:
                return
            except csv.Error as error:
                yield self._damage(str(error))
                continue
            if not fields and self._taken:
                continue  # an empty line
            why = self._is_good(fields)
            if why is None and any(map(_has_foreign_bytes, fields)):
                why = "it is not UTF-8 text"
            if why is not None:
                yield self._damage(why)
                continue
            self._torn_from = None
            first, last = self._taken[0], self._taken[-1]
            ended = last.data.endswith(b"\n")
            yield Record(first.number, first.start, last.start + len(last.data), fields, ended)

    def _lines(self) -> Iterator[str]:
        while True:
            line = self._pending.popleft() if self._pending else self._read_line()
            if line is None:
                return
            self._taken.append(line)
            data = line.data.removeprefix(b"\xef\xbb\xbf") if line.start == 0 else line.data
            yield data.decode("utf-8", "surrogateescape")

    def _read_line(self) -> _Line | None:
        data = self._stream.readline(MAX_LINE_BYTES)
        if not data:
            return None
        if len(data) >= MAX_LINE_BYTES:
            raise TooDamagedError(f"line {self._next_number} has no end")
        line = _Line(self._next_number, self._next_start, data)
        self._next_start += len(data)
        self._next_number += data.endswith(b"\n")
        return line

    def _damage(self, why: str) -> Damage:
        self._damages += 1
        if self._damages > MAX_DAMAGES:
            raise TooDamagedError(f"more than {MAX_DAMAGES} rows cannot be read")
        first, last = self._taken[0], self._taken[-1]
        open_quote = "end of data" in why or ("field limit" in why and len(self._taken) > 1)
        self._pending.extendleft(reversed(self._taken[1:]))
        if open_quote:
            why = "a quoted cell starts here and never ends"
        elif "new-line character" in why:
            why = "a line end stands inside a cell without quotes"
        ended = last.data.endswith(b"\n")
        start = first.start
        if not ended and len(self._taken) > 1:
            self._torn_from = start
        elif not ended and self._torn_from is not None:
            start = self._torn_from
        return Damage(first.number, start, why, open_quote, ended)


def record_bytes(fields: list[str]) -> bytes:
    """One record as RFC 4180 has it, with its line end."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerow(fields)
    return text.getvalue().encode("utf-8", "replace")


def _has_foreign_bytes(text: str) -> bool:
    return any("\udc80" <= character <= "\udcff" for character in text)


@dataclass(frozen=True, slots=True)
class Problem:
    """A row that could not be read; ``str`` gives the sentence for a person."""

    path: Path
    damage: Damage

    def __str__(self) -> str:
        return f"{self.path}, line {self.damage.line}: {self.damage.why}."


OnProblem = Callable[[Problem], None]


def read_rows(path: Path, on_problem: OnProblem | None = None) -> Iterator[TestRow]:
    """Read the rows of a test log in order, in constant memory. Needs no lock.

    A last row that is only half there (it is being written, or the power failed) is a problem as
    well; one that lacks nothing but its line end is read.

    Args:
        path: The log. A missing or empty file has no rows.
        on_problem: Called for each row that cannot be read. Where it is ``None`` the first such row
            raises.

    Raises:
        LogError: Not a test log, cannot be opened, or a row cannot be read.
    """
    try:
        with open_regular(path) as stream:
            for item in LogScan(path, stream):
                if isinstance(item, TestRow):
                    yield item
                elif on_problem is None:
                    raise LogError(f"{Problem(path, item)} Correct or delete that row.")
                else:
                    on_problem(Problem(path, item))
    except FileNotFoundError:
        return
    except OSError as error:
        raise LogError(f"{path} cannot be read: {why(error)}.") from error


class LogScan:
    """One pass over an open log; afterwards it knows what a writer needs.

    Attributes:
        columns: Names in the header row, empty where there is none yet.
        last_test: Largest test number seen.
        torn_at: First byte of a last row that is only half there; ``None`` if there is none.
        whole_to: Where the last whole row ends without its line end; ``None`` if it has one.
        open_quote: A quote that never ends with good rows after it, if there is one.
    """

    def __init__(self, path: Path, stream: IO[bytes]) -> None:
        self._path = path
        self._reader = RecordReader(stream, self._why_not)
        self._row: TestRow | None = None
        self._seen: set[int] = set()  # hashes of rows: a few dozen bytes a row
        self.columns: tuple[str, ...] = ()
        self.last_test = 0
        self.torn_at: int | None = None
        self.whole_to: int | None = None
        self.open_quote: Damage | None = None
        self._unclosed: Damage | None = None

    def __iter__(self) -> Iterator[TestRow | Damage]:
        try:
            for item in self._reader:
                if isinstance(item, Damage):
                    self._note_damage(item)
                    yield item
                else:
                    self._note_record(item, self._row)
                    if self._row is not None:
                        yield self._doubled(item, self._row) or self._row
        except TooDamagedError as error:
            raise LogError(
                f"{self._path} is no test log: {error}. Move it away, or correct it."
            ) from error
        if self._unclosed is not None:
            self.torn_at = self._unclosed.start

    def _doubled(self, record: Record, row: TestRow) -> Damage | None:
        """A row that is there a second time, cell for cell."""
        before = len(self._seen)
        self._seen.add(hash(record.fields))
        if len(self._seen) > before:
            return None
        why = f"test {row.test} is there twice, and counts once"
        return Damage(record.line, record.start, why)

    def _note_damage(self, damage: Damage) -> None:
        if not self.columns:
            raise LogError(f"{self._path}, line {damage.line}: {damage.why}. {_EXPECTED_HEADER}")
        if damage.open_quote and self._unclosed is None:
            self._unclosed = damage
        self.torn_at = None if damage.ended else damage.start

    def _note_record(self, record: Record, row: TestRow | None) -> None:
        self.torn_at = None
        self.whole_to = None if record.ended else record.end
        if row is not None:
            self.last_test = max(self.last_test, row.test)
        if self._unclosed is not None:  # rows follow: a stray quote, not a torn row
            self.open_quote, self._unclosed = self._unclosed, None

    def _why_not(self, fields: tuple[str, ...]) -> str | None:
        self._row = None
        if not self.columns:
            return self._take_header(fields)
        if len(fields) != len(self.columns):
            return f"it has {len(fields)} cells; the header has {len(self.columns)}"
        try:
            self._row = from_cells(dict(zip(self.columns, fields, strict=True)))
        except CellError as error:
            return str(error).removesuffix(".")
        return None

    def _take_header(self, fields: tuple[str, ...]) -> str | None:
        names = tuple(field.strip() for field in fields)
        signs = [sign for sign in ";\t" if FIRST_COLUMNS[1] in names[0].split(sign)]
        if signs:  # a log that a table program saved in its own way
            name = "semicolons" if signs[0] == ";" else "tabs"
            return f"{name} stand between its cells; have the program save it with commas"
        missing = [name for name in FIRST_COLUMNS if name not in names]
        if missing:
            return f"the header row lacks {', '.join(missing[:5])}"
        if len(set(names)) != len(names):
            return "the header row has a name twice"
        self.columns = names
        return None


_EXPECTED_HEADER = (
    "A test log starts with the header row "
    f"'{','.join(FIRST_COLUMNS[:4])},…'. Move the file away, or correct its first line."
)
