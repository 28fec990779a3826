"""Logs as one table for other programs: a Parquet file with types, or one CSV file.

The first column, ``log``, is the path as given. Columns that only some logs have follow ours; they
are text, empty where a log lacks them.
"""

import csv
import io
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO

from meterlink.circuit.job import LOG_FILE
from meterlink.errors import LabError, LogError, UsageError
from meterlink.files import open_regular, why, write_durably
from meterlink.lab.csv_records import LogRecords, figure, moment, number
from meterlink.testlog.columns import COLUMNS, TABLE, Kind, restored
from meterlink.testlog.findings import left_out_text, withdrawn_from

_BATCH_ROWS = 20_000
_KINDS = {column.name: column.kind for column in TABLE}

OnProblem = Callable[[str], None]
Cells = dict[str, str]


@dataclass(frozen=True, slots=True)
class Exported:
    """How many rows went out, the columns after ours, and what was left out, in sentences."""

    rows: int
    extra: tuple[str, ...]
    remarks: tuple[str, ...] = ()


def export_logs(paths: Sequence[Path], target: Path, on_problem: OnProblem) -> Exported:
    """Write the rows of logs to one file; what it holds depends on its name's end.

    Tests that were removed are left out, as whoever reads the file does not see that they were.

    Args:
        paths: Logs or job folders, in order.
        target: A ``.parquet`` or ``.csv`` file; one that is there is replaced when the new one is
            whole.
        on_problem: Told of each row, or figure in a row, that cannot be used: the row is left out,
            the figure is left empty.

    Raises:
        UsageError: Another end of the name.
        LogError: A log cannot be read, or the file cannot be written.
        LabError: The library for Parquet is missing.
    """
    writers = {".parquet": _write_parquet, ".csv": _write_csv}
    write = writers.get(target.suffix.lower())
    if write is None:
        raise UsageError(f"{target}: expected a name that ends in .parquet or .csv.")
    logs = {given: given / LOG_FILE if given.is_dir() else given for given in paths}
    headers = [_header(path) for path in logs.values()]
    extra = tuple(dict.fromkeys(n for names in headers for n in names if n not in COLUMNS))
    if "log" in extra:
        raise UsageError("A log has a column named log already, so the path has no place. Rename.")
    remarks: list[str] = []
    rows = _Counted(_rows(logs, on_problem, remarks.append))
    try:
        write(rows, extra, target, on_problem)
    except OSError as error:
        why = error.strerror or error
        raise LogError(f"{target} cannot be written: {why}. Check folder and disk.") from error
    return Exported(rows.count, extra, tuple(remarks))


class _Counted:
    """An iterator that counts."""

    def __init__(self, rows: Iterator[Cells]) -> None:
        self._rows = rows
        self.count = 0

    def __iter__(self) -> Iterator[Cells]:
        return self

    def __next__(self) -> Cells:
        row = next(self._rows)
        self.count += 1
        return row


def _header(path: Path) -> list[str]:
    with _opened(path) as stream:
        names = LogRecords(path, stream, lambda _problem: None).header
    if not set(names) & set(COLUMNS):
        raise LogError(f"{path} is no test log: none of its columns is one of a log.")
    return names


def _rows(
    logs: dict[Path, Path], on_problem: OnProblem, on_left_out: Callable[[str], None]
) -> Iterator[Cells]:
    for given, path in logs.items():
        away = withdrawn_from(path)
        gone = set()
        with _opened(path) as stream:
            records = LogRecords(path, stream, on_problem)
            for remark in records.remarks:
                on_left_out(remark)
            for _, cells in records:
                row = {"log": str(given), **dict(zip(records.header, cells, strict=True))}
                if records.decimal_comma:
                    row |= _with_points(row)
                if (test := number(row.get("test", ""))) in away:
                    gone.add(test)
                else:
                    yield row
        if gone:
            on_left_out(left_out_text(path, gone))


def _with_points(row: Cells) -> Cells:
    """Figures of a row whose decimal points are commas, as the contract has them."""
    return {
        name: cell.replace(",", ".")
        for name, cell in row.items()
        if _KINDS.get(name) is Kind.NUMBER and cell.count(",") == 1
    }


def _opened(path: Path) -> BinaryIO:
    try:
        return open_regular(path)
    except OSError as error:
        raise LogError(f"{path} cannot be read: {why(error)}.") from error


def _write_csv(
    rows: Iterator[Cells], extra: tuple[str, ...], target: Path, on_problem: OnProblem
) -> None:
    del on_problem  # cells go out as they came in
    names = ("log", *COLUMNS, *extra)

    def chunks() -> Iterator[bytes]:
        yield _csv_bytes([names])
        while batch := [[row.get(name, "") for name in names] for row in islice(rows, _BATCH_ROWS)]:
            yield _csv_bytes(batch)

    write_durably(target, chunks())


def _csv_bytes(rows: Sequence[Sequence[str]]) -> bytes:
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerows(rows)
    return text.getvalue().encode("utf-8", "replace")


def _write_parquet(
    rows: Iterator[Cells], extra: tuple[str, ...], target: Path, on_problem: OnProblem
) -> None:
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError as error:
        raise LabError(
            "A Parquet file needs the library pyarrow, which is not installed. Install it with: "
            "python -m pip install pyarrow (or meterlink with its extra: '.[parquet]'); or export "
            "to a .csv file."
        ) from error
    names = ("log", *COLUMNS, *extra)
    schema = pyarrow.schema([(name, _parquet_type(pyarrow, name)) for name in names])
    part = target.with_name(f".{target.name}.part")
    try:
        with parquet.ParquetWriter(part, schema) as writer:
            while batch := list(islice(rows, _BATCH_ROWS)):
                columns = [
                    pyarrow.array([_typed(row, name, on_problem) for row in batch], kind)
                    for name, kind in zip(names, schema.types, strict=True)
                ]
                writer.write_table(pyarrow.Table.from_arrays(columns, schema=schema))
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)


def _parquet_type(pyarrow: Any, name: str) -> Any:
    types = {
        Kind.TIME: lambda: pyarrow.timestamp("ms", tz="UTC"),
        Kind.COUNT: pyarrow.int64,
        Kind.NUMBER: pyarrow.float64,
    }
    return types.get(_KINDS.get(name, Kind.TEXT), pyarrow.string)()


def _typed(row: Cells, name: str, on_problem: OnProblem) -> object:
    """A cell as its type; ``None`` where it is empty or holds something else."""
    cell = row.get(name, "")
    if name == "log":
        return cell
    kind = _KINDS.get(name, Kind.TEXT)
    if kind in (Kind.TEXT, Kind.CHOICE):
        return restored(cell) or None
    try:
        if kind is Kind.TIME:
            return _time(cell)
        value = figure(cell, name)
        if kind is Kind.COUNT and value is not None:
            return _whole(value, name)
    except ValueError as error:
        on_problem(f"{row['log']}, test {row.get('test', '?')[:20]}: {error.args[0]}.")
        return None
    return value


def _time(cell: str) -> datetime | None:
    time = moment(cell)
    if time is None and cell:
        raise ValueError(f"time is {cell[:40]!r}; expected ISO 8601 with its offset")
    return time


def _whole(value: float, name: str) -> int:
    if value != int(value):
        raise ValueError(f"{name} is {value:g}; expected a whole number")
    return int(value)
