"""CSV records with their place in the file, in bounded memory, whatever the file holds.

The log has one writer and may be cut off at any byte. Each record therefore comes with the line and
the byte range that it takes up, and with whether its line end is there. A record that cannot be
read (a quote never closed, a row of the wrong width) gives a ``Damage`` instead; reading goes on at
the next line, so that one stray quote does not swallow the rows after it.
"""

import csv
import io
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import IO

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
