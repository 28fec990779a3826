"""Records of a log as lists of cells: fast, in bounded memory, every bad one named.

``meterlink.testlog`` reads with the care that a writer needs, which byte each row takes up. For
reading alone the csv module at full speed does.
"""

import csv
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

from meterlink.errors import LogError

MAX_LINE_BYTES = 256 * 1024


def log_records(
    path: Path, stream: IO[bytes], on_problem: Callable[[str], None]
) -> Iterator[tuple[int, list[str]]]:
    """Give the records of a log with the number of their last line, the header first.

    Args:
        path: For messages.
        stream: Open for reading bytes.
        on_problem: Told of each record that cannot be read, with file and line.

    Raises:
        LogError: There is no header, or a line without end.
    """
    lines = _Lines(path, stream)
    width = 0
    done = False
    while not done:
        first = lines.count + 1
        try:
            for cells in csv.reader(lines, strict=True):
                if not cells:
                    pass  # an empty line
                elif not width:
                    width = len(cells)
                    yield lines.count, [cell.strip() for cell in cells]
                elif len(cells) == width:
                    yield lines.count, cells
                else:
                    why = f"it has {len(cells)} cells; the header has {width}"
                    on_problem(f"{lines.place(first)}: {why}.")
                first = lines.count + 1
            done = True
        except csv.Error as error:
            on_problem(f"{lines.place(first)}: {error}.")
    if not width:
        raise LogError(f"{path} is empty: there is no header row and no test in it.")


class _Lines:
    """The lines of a file as text; counts them."""

    def __init__(self, path: Path, stream: IO[bytes]) -> None:
        self._path = path
        self._stream = stream
        self.count = 0

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        data = self._stream.readline(MAX_LINE_BYTES)
        if not data:
            raise StopIteration
        if len(data) >= MAX_LINE_BYTES:
            raise LogError(f"{self._path} is no test log: line {self.count + 1} has no end.")
        self.count += 1
        if self.count == 1:
            data = data.removeprefix(b"\xef\xbb\xbf")
        return data.decode("utf-8", "replace")

    def place(self, first: int) -> str:
        """File and lines from ``first`` to here."""
        if first == self.count:
            return f"{self._path}, line {first}"
        return f"{self._path}, lines {first} to {self.count}"
