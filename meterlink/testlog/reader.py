"""Reading a test log: every row, or why not, by line."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from meterlink.errors import LogError
from meterlink.files import open_regular, why
from meterlink.testlog.columns import FIRST_COLUMNS, CellError, from_cells
from meterlink.testlog.records import Damage, Record, RecordReader, TooDamagedError
from meterlink.testlog.rows import TestRow


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
