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
from pathlib import Path
from typing import IO

from meterlink.circuit.job import LOG_FILE
from meterlink.errors import LogError, UsageError
from meterlink.lab.errors import LabError
from meterlink.lab.log_records import log_records
from meterlink.lab.table import Question, Table
from meterlink.testlog.formula import restored

MAX_NAMED = 10  # problems told in full, over all logs
_SETUP = ("hookup", "lead_a", "lead_b", "load_at")
_MAX_CELL = 40

KeyOf = Callable[[list[str]], Hashable]


@dataclass(slots=True)
class Trials:
    """What was read: the table, and what could not be used of the logs."""

    table: Table
    problems: list[str] = field(default_factory=list)
    problem_count: int = 0
    remarks: list[str] = field(default_factory=list)
    left_out: set[tuple[str, int]] = field(default_factory=set)

    def problem(self, text: str) -> None:
        """Count a row that cannot be used; tell the first ones."""
        self.problem_count += 1
        if len(self.problems) < MAX_NAMED:
            self.problems.append(text)


def read_trials(paths: Iterable[Path], question: Question) -> Trials:
    """Read logs, or the logs of job folders, in the order given; one named twice is read once.

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
    missing = sorted(question.left_out - trials.left_out)
    if missing:
        raise UsageError(f"{missing[0][0]} has no test {missing[0][1]} that could be left out.")
    return trials


class _LogReader:
    """One log on its way into the table."""

    def __init__(self, path: Path, trials: Trials) -> None:
        self._path = path
        self._trials = trials
        self._question = trials.table.question
        self._line = 0

    def read(self, stream: IO[bytes]) -> None:
        """Read all of it."""
        records = log_records(self._path, stream, self._trials.problem)
        add = self._adder(next(records)[1])
        for self._line, cells in records:
            add(cells)

    def _adder(self, names: list[str]) -> Callable[[list[str]], None]:
        """A function that takes the cells of a row; places of columns are looked up once."""
        table, question = self._trials.table, self._question
        value_at = self._needed(names, question.value, "the column to evaluate")
        amps_at = self._needed(names, "amps", "the current") if question.per_amp else None
        stated = question.value == "drop_mV"
        u_at = _place(names, "drop_u_mV") if stated else None
        if stated and u_at is None:
            self._trials.remarks.append(
                f"{self._path} has no column drop_u_mV; its rows state no uncertainty."
            )
        time_at, test_at = _place(names, "time"), _place(names, "test")
        verdict_at, flags_at = _place(names, "verdict"), _place(names, "flags")
        group_of = _tuple_of([self._key(names, name) for name in question.groups])
        factor_of = [self._key(names, name) for name in question.factors]
        log = table.logs[-1]
        left_out = {number for path, number in question.left_out if path == log}

        def add(cells: list[str]) -> None:
            test = _number(cells[test_at]) if test_at is not None else 0
            if test in left_out:
                self._trials.left_out.add((log, test))
                return
            group = table.group_codes.of(group_of(cells))
            tally = table.tally(group)
            if verdict_at is not None:
                verdict = cells[verdict_at][:_MAX_CELL]
                if verdict in tally.verdicts or len(tally.verdicts) < 10:
                    tally.verdicts[verdict] = tally.verdicts.get(verdict, 0) + 1
            if flags_at is not None and cells[flags_at]:
                tally.flagged += 1
            try:
                value = figure(cells[value_at], question.value)
                u = figure(cells[u_at], "drop_u_mV") if u_at is not None else None
                amps = figure(cells[amps_at], "amps") if amps_at is not None else 1.0
            except ValueError as error:
                self._trials.problem(f"{self._path}, line {self._line}: {error}.")
                return
            if value is None or not amps:
                tally.empty += 1
                return
            table.add(
                value=value / amps,
                u=math.nan if u is None or u < 0 else u / amps,
                time_s=_seconds(cells[time_at]) if time_at is not None else math.nan,
                test=test,
                group=group,
                factors=tuple(
                    codes.of(key(cells))
                    for codes, key in zip(table.factor_codes, factor_of, strict=True)
                ),
            )

        return add

    def _key(self, names: list[str], column: str) -> KeyOf:
        """What a row has in a column, or in one that is made up of others."""
        if column == "log":
            name = self._trials.table.logs[-1]
            return lambda _cells: name
        if column == "setup":
            a, b, c, d = (self._needed(names, name, "the hookup") for name in _SETUP)
            return lambda cells: (cells[a], cells[b], cells[c], cells[d])
        if column == "day":
            at = self._needed(names, "time", "the day")
            return lambda cells: cells[at][:10]
        at = self._needed(names, column, "a column to group by")
        return lambda cells: cells[at]

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
            f"{self._path} has no column {column[:_MAX_CELL]} ({what}).{hint} "
            f"Its columns: {', '.join(name[:_MAX_CELL] for name in names[:30])}."
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
    raise LabError(f"There is no trial to evaluate in the logs.{why}")


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
