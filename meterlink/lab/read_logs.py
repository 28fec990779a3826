"""Test logs of any version into one table: streamed, tolerant of columns, strict about figures.

The reader of ``meterlink.testlog`` wants every column of the contract and makes a row object each;
trials need four columns of logs that may be old, foreign or a million rows long. A row that cannot
be used is counted and the first ones are named, by file and line.
"""

import difflib
import math
import os
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from operator import itemgetter
from pathlib import Path
from typing import IO

from meterlink.circuit.job import LOG_FILE
from meterlink.errors import LogError, UsageError
from meterlink.lab.errors import LabError
from meterlink.lab.log_records import log_records
from meterlink.lab.table import Question, Table, Tally
from meterlink.show.text_width import clean
from meterlink.testlog.formula import restored
from meterlink.testlog.withdrawn import left_out_text, withdrawn_from

MAX_NAMED = 10  # problems told in full, over all logs
_SETUP = ("hookup", "lead_a", "lead_b", "load_at")
_MAX_CELL = 40
_MAX_VERDICTS = 10  # a log has three; a foreign file must not fill memory

KeyOf = Callable[[list[str]], Hashable]


@dataclass(slots=True)
class Trials:
    """What was read: the table, and what of the logs is not in it.

    Attributes:
        left_out: Trials that were left out as the question asks: path of the log as given, number.
        withdrawn: The same for those that were taken back (``meterlink.testlog.withdrawn``).
    """

    table: Table
    problems: list[str] = field(default_factory=list)
    problem_count: int = 0
    remarks: list[str] = field(default_factory=list)
    left_out: set[tuple[str, int]] = field(default_factory=set)
    withdrawn: set[tuple[str, int]] = field(default_factory=set)

    def problem(self, text: str) -> None:
        """Count a row that cannot be used; tell the first ones."""
        self.problem_count += 1
        if len(self.problems) < MAX_NAMED:
            self.problems.append(text)


def read_trials(paths: Iterable[Path], question: Question) -> Trials:
    """Read logs, or the logs of job folders, in the order given; one named twice is read once.

    Tests of a job that were taken back are left out, with a remark.

    Raises:
        LogError: A file cannot be read or is no test log.
        UsageError: A log lacks a column that was asked for, or a trial to leave out is not there.
    """
    trials = Trials(Table(question))
    seen: set[Path] = set()
    for given in paths:
        path = given / LOG_FILE if given.is_dir() else given
        if path.resolve() in seen:
            trials.remarks.append(f"{path} is named twice; it is read once.")
            continue
        seen.add(path.resolve())
        trials.table.logs.append(str(given))
        try:
            with path.open("rb") as stream:
                _LogReader(path, trials).read(stream)
        except OSError as error:
            raise LogError(
                f"{path} cannot be read: {os.strerror(error.errno or 0)}. Give the path of a job "
                f"folder or of its {LOG_FILE}."
            ) from error
    missing = sorted(question.left_out - trials.left_out - trials.withdrawn)
    if missing:
        raise UsageError(f"{missing[0][0]} has no test {missing[0][1]} that could be left out.")
    return trials


@dataclass(frozen=True, slots=True)
class _Places:
    """Where a log has what is needed; ``None`` where it has no such column."""

    value: int
    amps: int | None
    u: int | None
    time: int | None
    test: int | None
    verdict: int | None
    flags: int | None


class _LogReader:
    """One log on its way into the table."""

    def __init__(self, path: Path, trials: Trials) -> None:
        self._path = path
        self._trials = trials
        self._table = trials.table
        self._log = trials.table.logs[-1]
        self._question = trials.table.question
        left_out = self._question.left_out
        self._left_out = {number for log, number in left_out if log == self._log}
        self._withdrawn = withdrawn_from(path)

    def read(self, stream: IO[bytes]) -> None:
        """Read all of it."""
        records = log_records(self._path, stream, self._trials.problem)
        _, names = next(records)
        places = self._places(names)
        group_of = _tuple_of([self._key(names, name) for name in self._question.groups])
        factor_of = [self._key(names, name) for name in self._question.factors]
        gone = set()
        for line, cells in records:
            test = _number(cells[places.test]) if places.test is not None else 0
            if test in self._withdrawn:
                gone.add(test)
                continue
            if test in self._left_out:
                self._trials.left_out.add((self._log, test))
                continue
            group = self._table.group_codes.of(group_of(cells))
            tally = self._table.tally(group)
            _count(tally, cells, places)
            try:
                value, u = self._value(cells, places)
            except ValueError as error:
                self._trials.problem(f"{self._path}, line {line}: {error}.")
                continue
            if value is None:
                tally.empty += 1
                continue
            time_s = _seconds(cells[places.time]) if places.time is not None else math.nan
            self._table.add(value, u, time_s, test, group, [key(cells) for key in factor_of])
        if gone:
            self._trials.remarks.append(left_out_text(self._path, gone))
            self._trials.withdrawn |= {(self._log, test) for test in gone}

    def _places(self, names: list[str]) -> _Places:
        question = self._question
        stated = question.value == "drop_mV"
        places = _Places(
            value=self._needed(names, question.value, "the column to evaluate"),
            amps=self._needed(names, "amps", "the current") if question.per_amp else None,
            u=_place(names, "drop_u_mV") if stated else None,
            time=_place(names, "time"),
            test=_place(names, "test"),
            verdict=_place(names, "verdict"),
            flags=_place(names, "flags"),
        )
        if stated and places.u is None:
            self._trials.remarks.append(
                f"{self._path} has no column drop_u_mV; its rows state no uncertainty."
            )
        return places

    def _value(self, cells: list[str], places: _Places) -> tuple[float | None, float]:
        """Value and stated uncertainty of a row; no value where a cell for it is empty.

        Raises:
            ValueError: A cell holds no plain number.
        """
        value = figure(cells[places.value], self._question.value)
        u = figure(cells[places.u], "drop_u_mV") if places.u is not None else None
        amps = figure(cells[places.amps], "amps") if places.amps is not None else 1.0
        if value is None or not amps:
            return None, math.nan
        return value / amps, math.nan if u is None or u < 0 else u / amps

    def _key(self, names: list[str], column: str) -> KeyOf:
        """What a row has in a column, or in one that is made up of others."""
        if column == "log":
            name = self._log
            return lambda _cells: name
        if column == "setup":
            return itemgetter(*(self._needed(names, name, "the hookup") for name in _SETUP))
        if column == "day":
            at = self._needed(names, "time", "the day")
            return lambda cells: cells[at][:10]
        return itemgetter(self._needed(names, column, "a column to group by"))

    def _needed(self, names: list[str], column: str, what: str) -> int:
        at = _place(names, column)
        if at is not None:
            return at
        near = difflib.get_close_matches(column.lower(), [name.lower() for name in names], 1, 0.7)
        near = [name for name in names if name.lower() in near]
        hint = f" Did you mean {near[0]}?" if near else ""
        if near and near[0].rpartition("_")[0] == column.rpartition("_")[0]:
            hint = f" It has {near[0]}: convert it and name it {column}, so that units agree."
        raise UsageError(
            f"{self._path} has no column {column[:_MAX_CELL]} ({what}).{clean(hint)} "
            f"Its columns: {', '.join(clean(name[:_MAX_CELL]) for name in names[:30])}."
        )


def group_text(value: Hashable) -> str:
    """A value of a group or factor in words for a person."""
    if isinstance(value, tuple) and len(value) == len(_SETUP):
        hookup, lead_a, lead_b, load_at = (restored(str(part)) for part in value)
        leads = f"{lead_a} to {lead_b}" if lead_b else lead_a
        return f"{hookup} {leads}, load at {load_at}"
    return restored(str(value)) or "(empty)"


def check_values(trials: Trials) -> None:
    """Refuse logs without any value.

    Raises:
        LabError: There is nothing to evaluate; the message says why.
    """
    if len(trials.table):
        return
    why = f" {trials.problem_count} rows could not be used." if trials.problem_count else ""
    empty = sum(tally.empty for tally in trials.table.tallies)
    if empty:
        why += f" {empty} rows have nothing in {trials.table.question.value}."
    if trials.withdrawn:
        why += f" Tests that were taken back do not count: {len(trials.withdrawn)}."
    raise LabError(f"There is no trial to evaluate in the logs.{why}")


def _count(tally: Tally, cells: list[str], places: _Places) -> None:
    """Count verdicts and flagged rows."""
    if places.verdict is not None:
        verdict = cells[places.verdict][:_MAX_CELL]
        known = tally.verdicts.get(verdict, 0)
        if known or len(tally.verdicts) < _MAX_VERDICTS:
            tally.verdicts[verdict] = known + 1
    if places.flags is not None and cells[places.flags]:
        tally.flagged += 1


def _place(names: list[str], column: str) -> int | None:
    return names.index(column) if column in names else None


def _tuple_of(keys: list[KeyOf]) -> KeyOf:
    if len(keys) == 1:
        only = keys[0]
        return lambda cells: (only(cells),)
    return lambda cells: tuple(key(cells) for key in keys)


def figure(cell: str, column: str) -> float | None:
    """A number, ``None`` for an empty cell.

    Raises:
        ValueError: Anything else; the message says what was expected.
    """
    if not cell or cell.isspace():
        return None
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or "_" in cell:
        raise ValueError(
            f"{column} is {cell[:_MAX_CELL]!r}; expected a plain number with '.' as decimal point "
            "and no unit"
        )
    return value


def moment(cell: str) -> datetime | None:
    """A time, taken as UTC where it has no offset; ``None`` where the cell holds none."""
    try:
        time = datetime.fromisoformat(cell)
    except ValueError:
        return None
    return time if time.tzinfo else time.replace(tzinfo=UTC)


def _seconds(cell: str) -> float:
    time = moment(cell)
    try:
        return time.timestamp() if time is not None else math.nan
    except OverflowError:  # the first or last day of the calendar, moved by its offset
        return math.nan


def _number(cell: str) -> int:
    return int(cell) if cell.isascii() and cell.isdigit() and len(cell) < 18 else 0
