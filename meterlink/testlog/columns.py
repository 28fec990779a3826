"""A test row as the cells of ``tests.csv``, and back."""

import math
from collections.abc import Callable, Mapping
from datetime import datetime
from enum import StrEnum
from typing import TypeVar

from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.errors import UsageError
from meterlink.testlog.formula import neutralised, restored
from meterlink.testlog.rows import Source, TestRow

COLUMNS: tuple[str, ...] = (
    "test",
    "time",
    "hookup",
    "lead_a",
    "lead_b",
    "load_at",
    "amps",
    "idle_mV",
    "idle_sd_mV",
    "on_mV",
    "on_sd_mV",
    "after_mV",
    "delta_mV",
    "drop_mV",
    "drop_u_mV",
    "limit_mV",
    "verdict",
    "n_idle",
    "n_on",
    "source",
    "capture",
    "flags",
    "note",
)

_MAX_COUNT = 10**12  # more tests or readings than anybody logs; keeps foreign digits bounded

_Named = TypeVar("_Named", bound=StrEnum)
_Value = TypeVar("_Value")


class CellError(ValueError):
    """A cell does not hold what its column is for."""


def to_cells(row: TestRow) -> dict[str, str]:
    """The cells of a row by column, numbers with ``.``, empty where not known."""
    return {
        "test": str(row.test),
        "time": row.time.isoformat(timespec="milliseconds"),
        "hookup": row.setup.hookup.value,
        "lead_a": neutralised(row.setup.lead_a),
        "lead_b": neutralised(row.setup.lead_b or ""),
        "load_at": neutralised(row.setup.load_at),
        "amps": _number_cell(row.amps),
        "idle_mV": _number_cell(row.idle_mv),
        "idle_sd_mV": _number_cell(row.idle_sd_mv),
        "on_mV": _number_cell(row.on_mv),
        "on_sd_mV": _number_cell(row.on_sd_mv),
        "after_mV": _number_cell(row.after_mv),
        "delta_mV": _number_cell(row.delta_mv),
        "drop_mV": _number_cell(row.drop_mv),
        "drop_u_mV": _number_cell(row.drop_u_mv),
        "limit_mV": _number_cell(row.limit_mv),
        "verdict": row.verdict.value,
        "n_idle": "" if row.n_idle is None else str(row.n_idle),
        "n_on": "" if row.n_on is None else str(row.n_on),
        "source": row.source.value,
        "capture": neutralised(row.capture or ""),
        "flags": neutralised(" ".join(row.flags)),
        "note": neutralised(row.note),
    }


def from_cells(cells: Mapping[str, str]) -> TestRow:
    """Read a row from its cells by column; columns that are not ours are left aside.

    Raises:
        CellError: A cell does not hold what its column is for; the message names column and cell.
    """
    number = _count(cells, "test")
    if number is None:
        raise CellError("test is empty; expected the number of the test")
    return TestRow(
        test=number,
        time=_time(cells),
        setup=_setup(cells),
        amps=_number(cells, "amps"),
        idle_mv=_number(cells, "idle_mV"),
        idle_sd_mv=_number(cells, "idle_sd_mV"),
        on_mv=_number(cells, "on_mV"),
        on_sd_mv=_number(cells, "on_sd_mV"),
        after_mv=_number(cells, "after_mV"),
        delta_mv=_number(cells, "delta_mV"),
        drop_mv=_number(cells, "drop_mV"),
        drop_u_mv=_number(cells, "drop_u_mV"),
        limit_mv=_number(cells, "limit_mV"),
        verdict=_one_of(cells, "verdict", Verdict),
        n_idle=_count(cells, "n_idle"),
        n_on=_count(cells, "n_on"),
        source=_one_of(cells, "source", Source),
        capture=restored(cells["capture"]) or None,
        flags=tuple(restored(cells["flags"]).split()),
        note=restored(cells["note"]),
    )


_MAX_CELL = 60  # characters; longer than any number or time that is written


def _number_cell(value: float | None) -> str:
    """A tenth of a microvolt, or five digits where that is finer; no sign on zero.

    Always with a point: programs that guess the type of a column from its first rows must not take
    100 whole numbers for a column of integers.
    """
    if value is None or not math.isfinite(value):
        return ""
    if value == 0:
        return "0.0"
    text = f"{value:.5g}" if abs(value) < 1 else f"{value:.4f}".rstrip("0")
    if "." in text or "e" in text:
        return f"{text}0" if text.endswith(".") else text
    return f"{text}.0"


def _parsed(
    cells: Mapping[str, str], column: str, parse: Callable[[str], _Value], expected: str
) -> _Value | None:
    cell = cells[column].strip()
    if not cell:
        return None
    refusal = CellError(f"{column} is {cell[:_MAX_CELL]!r}; expected {expected}")
    if len(cell) > _MAX_CELL:
        raise refusal
    try:
        return parse(cell)
    except ValueError as error:
        raise refusal from error


def _number(cells: Mapping[str, str], column: str) -> float | None:
    def parse(cell: str) -> float:
        value = float(cell)
        if not math.isfinite(value) or "_" in cell:
            raise ValueError
        return value

    return _parsed(cells, column, parse, "a number with '.' as decimal point, or nothing")


def _count(cells: Mapping[str, str], column: str) -> int | None:
    def parse(cell: str) -> int:
        value = int(cell)
        if not 0 <= value < _MAX_COUNT or "_" in cell:
            raise ValueError
        return value

    return _parsed(cells, column, parse, "a whole number, or nothing")


def _time(cells: Mapping[str, str]) -> datetime:
    def parse(cell: str) -> datetime:
        value = datetime.fromisoformat(cell)
        if value.tzinfo is None:
            raise ValueError
        return value

    expected = "an ISO 8601 time with its offset, such as 2026-03-02T09:14:05+00:00"
    time = _parsed(cells, "time", parse, expected)
    if time is None:
        raise CellError(f"time is empty; expected {expected}")
    return time


def _one_of(cells: Mapping[str, str], column: str, kind: type[_Named]) -> _Named:
    try:
        return kind(cells[column].strip())
    except ValueError as error:
        known = ", ".join(member.value for member in kind)
        raise CellError(f"{column} is {cells[column][:60]!r}; expected one of {known}") from error


def _setup(cells: Mapping[str, str]) -> Setup:
    lead_a, lead_b, load_at = (restored(cells[key]) for key in ("lead_a", "lead_b", "load_at"))
    for column, name in (("lead_a", lead_a), ("load_at", load_at)):
        if not name:
            raise CellError(f"{column} is empty; expected the name of a receptacle")
    try:
        return Setup(_one_of(cells, "hookup", Hookup), lead_a, lead_b or None, load_at)
    except UsageError as error:
        raise CellError(str(error)) from error
