"""Rows of the test log, and its columns: one table, from which cells, JSON and the schema are made.

Text that a spreadsheet would run as a formula is written with an apostrophe in front. Spreadsheets
take a cell that starts with one of a few characters as a formula, also when it comes from a CSV
file. An apostrophe in front makes it text; reading takes that apostrophe off again. Text that
already looks neutralised gets one more, so that every text comes back as it was.
"""

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from typing import Any, TypeVar

from meterlink.circuit.checks import FIGURES
from meterlink.circuit.setup import Hookup, Setup, Verdict, made_setup
from meterlink.errors import UsageError


class Source(StrEnum):
    """Where the readings of a row came from."""

    LIVE = "live"
    REPLAY = "replay"
    ENTERED = "entered"


@dataclass(frozen=True, slots=True)
class TestRow:
    """One test: its setup and what was measured. Millivolts throughout; ``None`` is not known.

    Attributes:
        test: Number of the row in its log, from 1.
        time: When the test started, with offset.
        setup: Hookup, leads and load.
        amps: Current of the load that was stated for the test.
        idle_mv, idle_sd_mv, n_idle: Level, spread and count of the readings before the load.
        on_mv, on_sd_mv, n_on: The same with the load on.
        after_mv: Level after the load was switched off.
        delta_mv: ``on`` minus ``idle``, signed, averaged over cycles.
        drop_mv, drop_u_mv: What the load current itself causes, and its standard uncertainty.
        limit_mv: Smallest drop that would have been seen with 95 % probability.
        verdict: What the test says.
        source, capture: Where the readings came from, and the capture file's name.
        flags: Names of what was noticed (documented in ``meterlink.levels.test_flags``).
        note: Free text.
        path_mohm, path_u_mohm: What an ohmmeter read between the leads, and its standard
            uncertainty.
        setting: Setting of the load: ``low``, ``high``, or ``low+high`` where both were used and
            the drop is that of the high one; ``None`` where nobody said.
        level_u_mv: Standard uncertainty of the jump between the levels, before what the unknown
            phase of the idle reading adds.
        cycles: How often the load was switched on and off.
    """

    __test__ = False  # keeps pytest from collecting the class by its name

    test: int
    time: datetime
    setup: Setup
    amps: float | None = None
    idle_mv: float | None = None
    idle_sd_mv: float | None = None
    on_mv: float | None = None
    on_sd_mv: float | None = None
    after_mv: float | None = None
    delta_mv: float | None = None
    drop_mv: float | None = None
    drop_u_mv: float | None = None
    limit_mv: float | None = None
    verdict: Verdict = Verdict.UNCLEAR
    n_idle: int | None = None
    n_on: int | None = None
    source: Source = Source.ENTERED
    capture: str | None = None
    flags: tuple[str, ...] = ()
    note: str = ""
    path_mohm: float | None = None
    path_u_mohm: float | None = None
    setting: str | None = None
    level_u_mv: float | None = None
    cycles: int | None = None


# = + - @ and their full-width forms, tab and line ends; blanks before them do not help everywhere.
_RISKY = r"(?:\s*[=+\-@\uff1d\uff0b\uff0d\uff20]|[\t\r\n])"
_NEEDS_APOSTROPHE = re.compile(f"'*{_RISKY}")
_HAS_APOSTROPHE = re.compile(f"'+{_RISKY}")


def neutralised(text: str) -> str:
    """Text as it goes into a cell.

    >>> neutralised("=1+1"), neutralised("Desk")
    ("'=1+1", 'Desk')
    """
    return f"'{text}" if _NEEDS_APOSTROPHE.match(text) else text


def restored(cell: str) -> str:
    """Text as it was before ``neutralised``."""
    return cell[1:] if _HAS_APOSTROPHE.match(cell) else cell


class Kind(StrEnum):
    """What the cells of a column hold."""

    COUNT = "whole number"
    NUMBER = "number"
    TIME = "time"
    TEXT = "text"
    CHOICE = "one of a few words"


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the log.

    Attributes:
        name: In the header row, and the key in JSON.
        kind: What its cells hold.
        meaning: In words, with the unit.
        choices: The words of a choice.
        required: No cell of it is empty.
        bounds: Least and greatest number that makes sense; what is beyond is refused, with the
            row, and never written.
    """

    name: str
    kind: Kind
    meaning: str
    choices: type[StrEnum] | None = None
    required: bool = False
    bounds: tuple[float, float] = (-math.inf, math.inf)

    @property
    def attribute(self) -> str:
        """Of ``TestRow``, or of its ``setup``."""
        return self.name.lower()

    def of(self, row: TestRow) -> Any:
        """The value in a row; ``None`` or empty where not known."""
        return getattr(row.setup if self.attribute in _SETUP else row, self.attribute)


_SETUP = ("hookup", "lead_a", "lead_b", "load_at", "side", "return_at")
_NUMBER, _TEXT = Kind.NUMBER, Kind.TEXT
_AMPS = FIGURES["load_amps"][:2]
_LEVEL_MV = (-1e6, 1e6)  # 1 kV: more is no mains circuit but a slip of the decimal point
_JUMP_MV = (-1e7, 1e7)
_SPREAD_MV = (0.0, 1e7)
_MOHM = (-1e9, 1e9)
_SPREAD_MOHM = (0.0, 1e9)


def _mv(name: str, meaning: str, bounds: tuple[float, float]) -> Column:
    return Column(name, Kind.NUMBER, f"{meaning}, in millivolts", bounds=bounds)


TABLE: tuple[Column, ...] = (
    Column("test", Kind.COUNT, "Number of the test", required=True),
    Column("time", Kind.TIME, "Start of the test, ISO 8601 with offset", required=True),
    Column("hookup", Kind.CHOICE, "Where the leads go", Hookup, required=True),
    Column("lead_a", _TEXT, "Receptacle of the first lead", required=True),
    Column("lead_b", _TEXT, "Receptacle of the second lead, where there is one"),
    Column("load_at", _TEXT, "Receptacle of the load; empty where there is none"),
    Column("amps", _NUMBER, "Stated current of the load, amperes", bounds=_AMPS),
    _mv("idle_mV", "Level without load", _LEVEL_MV),
    _mv("idle_sd_mV", "Standard deviation of the readings without load", _SPREAD_MV),
    _mv("on_mV", "Level with the load on", _LEVEL_MV),
    _mv("on_sd_mV", "Standard deviation of the readings with the load on", _SPREAD_MV),
    _mv("after_mV", "Level after the load was switched off", _LEVEL_MV),
    _mv("delta_mV", "On minus idle, signed, averaged over cycles", _JUMP_MV),
    _mv(
        "drop_mV",
        "Voltage that the load current itself causes, freed from idle pickup",
        _JUMP_MV,
    ),
    _mv("drop_u_mV", "Standard uncertainty of drop_mV", _SPREAD_MV),
    _mv("limit_mV", "Smallest drop that would have been seen with 95 % probability", _SPREAD_MV),
    Column("verdict", Kind.CHOICE, "What the test says", Verdict, required=True),
    Column("n_idle", Kind.COUNT, "Readings without load"),
    Column("n_on", Kind.COUNT, "Readings with the load on"),
    Column("source", Kind.CHOICE, "Where the readings came from", Source, required=True),
    Column("capture", _TEXT, "Name of the recording in the folder captures"),
    Column("flags", _TEXT, "What was noticed, names with blanks between"),
    Column("note", _TEXT, "Free text"),
    # the first version ended here; what follows may be missing in an older log
    Column("side", _TEXT, "Conductors measured on the dead circuit, joined by +"),
    Column("path_mohm", _NUMBER, "Resistance that an ohmmeter read, in milliohms", bounds=_MOHM),
    Column(
        "path_u_mohm",
        _NUMBER,
        "Standard uncertainty of path_mohm, milliohms",
        bounds=_SPREAD_MOHM,
    ),
    Column("setting", _TEXT, "Setting of the load: low, high or low+high"),
    _mv(
        "level_u_mV",
        "Standard uncertainty of the jump before the idle reading's unknown phase",
        _SPREAD_MV,
    ),
    Column("cycles", Kind.COUNT, "How often the load was switched on and off"),
    Column("return_at", _TEXT, "Receptacle where a direct source's current comes back"),
)
COLUMNS: tuple[str, ...] = tuple(column.name for column in TABLE)
FIRST_COLUMNS = COLUMNS[:23]  # every log has these

MAX_COUNT = 10**12  # more tests or readings than anybody logs; keeps foreign digits bounded

_Named = TypeVar("_Named", bound=StrEnum)
_Value = TypeVar("_Value")


class CellError(ValueError):
    """A cell does not hold what its column is for."""


def to_cells(row: TestRow) -> dict[str, str]:
    """The cells of a row by column, numbers with ``.``, empty where not known."""
    return {column.name: _cell(column, column.of(row)) for column in TABLE}


def within_bounds(row: TestRow) -> TestRow:
    """A row that can be read back: figures that make no sense are left out, and make it unclear."""
    beyond = [
        column.attribute
        for column in TABLE
        if column.kind is Kind.NUMBER
        and (value := column.of(row)) is not None
        and not column.bounds[0] <= value <= column.bounds[1]
    ]
    if not beyond:
        return row
    note = "; ".join(filter(None, (row.note, f"no sensible figure: {', '.join(beyond)}")))
    left_out: dict[str, Any] = dict.fromkeys(beyond)
    return replace(row, verdict=Verdict.UNCLEAR, note=note, **left_out)


def row_mapping(row: TestRow) -> dict[str, object]:
    """A row for JSON: the columns as keys, numbers as numbers, ``None`` where not known."""
    return {column.name: _plain(column, column.of(row)) for column in TABLE}


def from_cells(cells: Mapping[str, str]) -> TestRow:
    """Read a row from its cells by column; columns that are not ours are left aside.

    Args:
        cells: Cells by column; later columns than ``FIRST_COLUMNS`` may be missing.

    Raises:
        CellError: A cell does not hold what its column is for; the message names column and cell.
    """
    values: dict[str, Any] = {}
    for column in TABLE:
        if column.attribute not in _SETUP:
            values[column.attribute] = _value(column, cells)
    if values["test"] is None:
        raise CellError("test is empty; expected the number of the test")
    if values["time"] is None:
        raise CellError(f"time is empty; expected {_ISO_TIME}")
    flags = restored(cells["flags"]).split()
    texts = {"flags": tuple(flags), "note": restored(cells["note"])}
    return TestRow(setup=_setup(cells), **(values | texts))


_YEARS = (2, 9998)  # so that a time can be shown in another time zone
_MAX_CELL = 60  # characters; longer than any number or time that is written
_ISO_TIME = "an ISO 8601 time with its offset, such as 2026-03-02T09:14:05+00:00"


def _cell(column: Column, value: Any) -> str:
    if value is None:
        return ""
    if column.kind is Kind.NUMBER:
        return _number_cell(value)
    if column.kind is Kind.TIME:
        return str(value.isoformat(timespec="milliseconds"))
    if column.kind is Kind.TEXT:
        return neutralised(" ".join(value) if isinstance(value, tuple) else value)
    return str(value)


def _plain(column: Column, value: Any) -> object:
    if isinstance(value, tuple):
        return list(value)
    if column.kind is Kind.TIME:
        return value.isoformat(timespec="milliseconds")
    if column.kind is Kind.CHOICE:
        return str(value)
    return None if value == "" and column.name != "note" else value


def _value(column: Column, cells: Mapping[str, str]) -> object:
    """The value of one cell; ``None`` where it is empty or the column is missing."""
    if column.kind is Kind.COUNT:
        return _count(cells, column.name)
    if column.kind is Kind.NUMBER:
        return _number(cells, column)
    if column.kind is Kind.TIME:
        return _time(cells)
    if column.choices is not None:
        return _one_of(cells, column.name, column.choices)
    return restored(cells.get(column.name, "")) or None


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
    cell = cells.get(column, "").strip()
    if not cell:
        return None
    refusal = CellError(f"{column} is {cell[:_MAX_CELL]!r}; expected {expected}")
    if len(cell) > _MAX_CELL:
        raise refusal
    try:
        return parse(cell)
    except ValueError as error:
        raise refusal from error


def _number(cells: Mapping[str, str], column: Column) -> float | None:
    def parse(cell: str) -> float:
        value = float(cell)
        if not math.isfinite(value) or "_" in cell:
            raise ValueError
        return value

    name, (least, most) = column.name, column.bounds
    value = _parsed(cells, name, parse, "a number with '.' as decimal point, or nothing")
    if value is not None and not least <= value <= most:
        raise CellError(f"{name} is {cells[name][:_MAX_CELL]!r}; expected {least:g} to {most:g}")
    return value


def _count(cells: Mapping[str, str], column: str) -> int | None:
    def parse(cell: str) -> int:
        whole, _, rest = cell.partition(".")  # table programs write 7 as 7.0 too
        value = int(whole)
        if not 0 <= value < MAX_COUNT or "_" in cell or rest.strip("0"):
            raise ValueError
        return value

    return _parsed(cells, column, parse, "a whole number, or nothing")


def _time(cells: Mapping[str, str]) -> datetime | None:
    def parse(cell: str) -> datetime:
        value = datetime.fromisoformat(cell)
        if value.tzinfo is None or not _YEARS[0] <= value.year <= _YEARS[1]:
            raise ValueError
        return value

    return _parsed(cells, "time", parse, _ISO_TIME)


def _one_of(cells: Mapping[str, str], column: str, kind: type[_Named]) -> _Named:
    try:
        return kind(cells[column].strip())
    except ValueError as error:
        known = ", ".join(member.value for member in kind)
        raise CellError(f"{column} is {cells[column][:60]!r}; expected one of {known}") from error


def _setup(cells: Mapping[str, str]) -> Setup:
    lead_a, lead_b, load_at, side, return_at = (restored(cells.get(k, "")) for k in _SETUP[1:])
    hookup = _one_of(cells, "hookup", Hookup)
    for column, name in (("lead_a", lead_a), ("load_at", load_at)):
        if not name and not (column == "load_at" and hookup.ohms):
            raise CellError(f"{column} is empty; expected the name of a receptacle")
    try:
        return made_setup(
            hookup,
            lead_a,
            lead_b or None,
            load_at,
            side=side,
            return_at=return_at,
            direct=bool(side) and not hookup.ohms,
        )
    except UsageError as error:
        raise CellError(str(error)) from error
