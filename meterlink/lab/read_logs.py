"""Test logs of any version into one table: streamed, tolerant of columns, strict about figures.

The reader of ``meterlink.testlog`` wants every column of the contract and makes a row object each;
trials need four columns of logs that may be old, foreign or a million rows long. A row that cannot
be used is counted and the first ones are named, by file and line.
"""

import difflib
import math
from collections import Counter
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field, replace
from operator import itemgetter
from pathlib import Path
from typing import IO

from meterlink.circuit.job import LOG_FILE
from meterlink.errors import LabError, LogError, UsageError
from meterlink.files import open_regular, why
from meterlink.lab.csv_records import LogRecords, Progress, ProgressTeller, figure, number, seconds
from meterlink.lab.table import Condition, Question, Row, Table, Tally
from meterlink.show.format import clean
from meterlink.testlog.captures import sha256
from meterlink.testlog.columns import restored
from meterlink.testlog.findings import left_out_text, withdrawn_from

MAX_NAMED = 10  # problems told in full, over all logs
_SETUP = ("hookup", "lead_a", "lead_b", "load_at")
_MAX_CELL = 40
_MAX_VERDICTS = 10  # a log has three; a foreign file must not fill memory

KeyOf = Callable[[list[str]], Hashable]


@dataclass(slots=True)
class Trials:
    """What was read: the table, and what of the logs is not in it.

    Attributes:
        reasons: Why rows could not be used, counted.
        filtered: Rows that a condition left out, by condition.
        left_out: Trials that were left out as the question asks: path of the log as given, number.
        withdrawn: The same for those that were removed (``meterlink.testlog.findings``).
        negative_u: Rows that state an uncertainty below zero, which is not used.
    """

    table: Table
    problems: list[str] = field(default_factory=list)
    problem_count: int = 0
    reasons: Counter[str] = field(default_factory=Counter)
    remarks: list[str] = field(default_factory=list)
    filtered: Counter[str] = field(default_factory=Counter)
    left_out: set[tuple[str, int]] = field(default_factory=set)
    withdrawn: set[tuple[str, int]] = field(default_factory=set)
    negative_u: int = 0

    def problem(self, text: str, reason: str = "another number of cells than the header") -> None:
        """Count a row that cannot be used; tell the first ones."""
        self.problem_count += 1
        self.reasons[reason] += 1
        if len(self.problems) < MAX_NAMED:
            self.problems.append(text)


def read_trials(
    paths: Iterable[Path], question: Question, on_progress: Progress | None = None
) -> Trials:
    """Read logs, or the logs of job folders, in the order given; one named twice is read once.

    Tests of a job that were removed are left out, with a remark.

    Raises:
        LogError: A file cannot be read or is no test log.
        UsageError: A log lacks a column that was asked for, or a trial or a level to leave out is
            not there.
    """
    if any(one.column == "verdict" for one in question.conditions):
        question = replace(question, all_verdicts=True)
    trials = Trials(Table(question))
    logs: dict[Path, Path] = {}
    for given in paths:
        path = given / LOG_FILE if given.is_dir() else given
        first = next((other for other in logs if _same(path, other)), None)
        if first is not None:
            again = path.resolve() == first.resolve()
            what = "is named twice" if again else f"is a copy of {first}"
            trials.remarks.append(f"{path} {what}; it is read once.")
        else:
            logs[path] = given
    total = sum(path.stat().st_size for path in logs if path.is_file())
    tell = ProgressTeller(on_progress, max(total, 1))
    seen: dict[Condition, Counter[str]] = {one: Counter() for one in question.conditions}
    for path, given in logs.items():
        trials.table.logs.append(str(given))
        try:
            with open_regular(path) as stream:
                _LogReader(path, trials, seen).read(stream, tell)
        except OSError as error:
            raise LogError(
                f"{path} cannot be read: {why(error)}. Give the path of a job "
                f"folder or of its {LOG_FILE}."
            ) from error
    _check_asked(question, trials, seen)
    trials.remarks += _odd(trials)
    return trials


def check_values(trials: Trials) -> None:
    """Refuse logs without any value.

    Raises:
        LabError: There is nothing to evaluate; the message says why.
    """
    if len(trials.table):
        return
    why = ""
    if trials.problem_count:
        reasons = "; ".join(f"{n} with {reason}" for reason, n in trials.reasons.most_common(4))
        why = f" {trials.problem_count} rows could not be used: {reasons}. {trials.problems[0]}"
    empty = sum(tally.empty for tally in trials.table.tallies)
    if empty:
        why += f" {empty} rows have nothing in {trials.table.question.value}."
    if trials.filtered:
        why += f" {trials.filtered.total()} rows are left out: {', '.join(trials.filtered)}."
    if trials.withdrawn:
        why += f" Tests that were removed do not count: {len(trials.withdrawn)}."
    raise LabError(f"There is no trial to evaluate in the logs.{why}")


def group_text(value: Hashable) -> str:
    """A value of a group or factor in words for a person."""
    if isinstance(value, tuple) and len(value) == len(_SETUP):
        hookup, lead_a, lead_b, load_at = (restored(str(part)) for part in value)
        leads = f"{lead_a} to {lead_b}" if lead_b else lead_a
        return f"{hookup} {leads}, load at {load_at}"
    return restored(str(value)) or "(empty)"


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

    def __init__(self, path: Path, trials: Trials, seen: dict[Condition, Counter[str]]) -> None:
        self._path = path
        self._trials = trials
        self._seen = seen
        self._table = trials.table
        self._log = trials.table.logs[-1]
        self._question = trials.table.question
        left_out = self._question.left_out
        self._left_out = {number for log, number in left_out if log == self._log}
        self._withdrawn = withdrawn_from(path)
        self._gone: set[int] = set()
        self._comma = False

    def read(self, stream: IO[bytes], tell: ProgressTeller) -> None:
        """Read all of it."""
        records = LogRecords(self._path, stream, self._trials.problem)
        self._comma = records.decimal_comma
        self._trials.remarks += records.remarks
        names = records.header
        places = self._places(names)
        group_of = _tuple_of([self._key(names, name) for name in self._question.groups])
        factor_of = [self._key(names, name) for name in self._question.factors]
        setup_of = self._setup(names)
        conditions = [(one, self._key(names, one.column)) for one in self._question.conditions]
        for line, cells in records:
            tell.row(stream)
            test = number(cells[places.test]) if places.test is not None else 0
            if not self._counts(test, cells, places, conditions):
                continue
            group = self._table.group_codes.of(group_of(cells))
            tally = self._table.tally(group)
            _count(tally, cells, places)
            try:
                value, u = self._value(cells, places)
            except ValueError as error:
                text, reason = error.args
                self._trials.problem(f"{self._path}, line {line}: {text}.", reason)
                continue
            if value is None:
                tally.empty += 1
                continue
            self._table.add(
                Row(
                    value=value,
                    u=u,
                    time_s=seconds(cells[places.time]) if places.time is not None else math.nan,
                    test=test,
                    group=group,
                    verdict=cells[places.verdict] if places.verdict is not None else "",
                    setup=setup_of(cells),
                    levels=[key(cells) for key in factor_of],
                )
            )
        tell.ended(stream)
        if self._gone:
            self._trials.remarks.append(left_out_text(self._path, self._gone))
            self._trials.withdrawn |= {(self._log, test) for test in self._gone}

    def _counts(
        self,
        test: int,
        cells: list[str],
        places: _Places,
        conditions: list[tuple[Condition, KeyOf]],
    ) -> bool:
        """Whether a row is among those asked for."""
        if test in self._withdrawn:
            self._gone.add(test)
            return False
        if test in self._left_out:
            self._trials.left_out.add((self._log, test))
            return False
        for condition, key in conditions:
            has = restored(str(key(cells)))
            seen = self._seen[condition]
            if len(seen) < MAX_NAMED or has in seen or has == condition.text:
                seen[has] += 1
            holds = has == condition.text
            if condition.column == "flags":
                flags = has.split()
                holds = condition.text in flags if condition.text else not flags
                seen[condition.text] += holds
            if holds is not condition.wanted:
                self._trials.filtered[str(condition)] += 1
                return False
        return self._in_time(cells, places)

    def _in_time(self, cells: list[str], places: _Places) -> bool:
        since_s, until_s = self._question.since_s, self._question.until_s
        if since_s is None and until_s is None:
            return True
        time_s = seconds(cells[places.time]) if places.time is not None else math.nan
        late = since_s is None or time_s >= since_s
        if late and (until_s is None or time_s < until_s):
            return True
        known = not math.isnan(time_s)
        self._trials.filtered["--since or --until" if known else "a time that cannot be read"] += 1
        return False

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
        doubled = [name for name, n in Counter(names).items() if n > 1 and name]
        if doubled:
            self._trials.remarks.append(
                f"{self._path} has more than one column {clean(', '.join(doubled[:5])[:80])}; the "
                "first of them is read."
            )
        if stated and places.u is None:
            self._trials.remarks.append(
                f"{self._path} has no column drop_u_mV; its rows state no uncertainty."
            )
        return places

    def _value(self, cells: list[str], places: _Places) -> tuple[float | None, float]:
        """Value and stated uncertainty of a row; no value where a cell for it is empty.

        Raises:
            ValueError: A cell holds no plain number: what to say, and the reason in short.
        """
        comma = self._comma
        value = figure(cells[places.value], self._question.value, comma=comma)
        u = None
        if places.u is not None:
            u = figure(cells[places.u], "drop_u_mV", comma=comma)
        amps = figure(cells[places.amps], "amps", comma=comma) if places.amps is not None else 1.0
        if value is None or not amps:
            return None, math.nan
        self._trials.negative_u += u is not None and u < 0
        return value / amps, math.nan if u is None or u < 0 else abs(u / amps)

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
        return itemgetter(self._needed(names, column, "a column to group or choose by"))

    def _setup(self, names: list[str]) -> KeyOf:
        """Hookup, leads and load; nothing where the log does not say."""
        if set(_SETUP) <= set(names):
            return self._key(names, "setup")
        return lambda _cells: ()

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


def _check_asked(question: Question, trials: Trials, seen: dict[Condition, Counter[str]]) -> None:
    """Refuse what was to be left out or kept and is not there: a slip of the pen changes nothing.

    Raises:
        UsageError: A trial, or a text of a condition, is in no log.
    """
    missing = sorted(question.left_out - trials.left_out - trials.withdrawn)
    if missing:
        raise UsageError(f"{missing[0][0]} has no test {missing[0][1]} that could be left out.")
    for condition, texts in seen.items():
        if texts and not texts[condition.text]:
            there = ", ".join(clean(text[:_MAX_CELL]) or "(empty)" for text in list(texts)[:8])
            raise UsageError(f"{condition}: no row has that. {condition.column} has: {there}.")


def _odd(trials: Trials) -> list[str]:
    """What of the rows is odd and counts all the same."""
    found = []
    for log, numbers in trials.table.doubled().items():
        shown = ", ".join(map(str, numbers[:MAX_NAMED]))
        more = f" and {len(numbers) - MAX_NAMED} more" if len(numbers) > MAX_NAMED else ""
        found.append(f"{log} has more than one row of test {shown}{more}; each of them counts.")
    if trials.negative_u:
        found.append(f"{trials.negative_u} rows state an uncertainty below zero; it is not used.")
    found += [f"{n} rows are left out: {why}." for why, n in trials.filtered.items()]
    return found + trials.table.alike()


def _same(path: Path, other: Path) -> bool:
    """Whether two logs are one file, or have the same content."""
    if path.resolve() == other.resolve():
        return True
    try:
        size = path.stat().st_size
        return size > 0 and size == other.stat().st_size and sha256(path) == sha256(other)
    except OSError:
        return False  # reading it will say why


def _count(tally: Tally, cells: list[str], places: _Places) -> None:
    """Count verdicts and flagged rows."""
    if places.verdict is not None:
        verdict = cells[places.verdict][:_MAX_CELL]
        if verdict in tally.verdicts or len(tally.verdicts) < _MAX_VERDICTS:
            tally.verdicts[verdict] += 1
    if places.flags is not None and cells[places.flags]:
        tally.flagged += 1


def _place(names: list[str], column: str) -> int | None:
    return names.index(column) if column in names else None


def _tuple_of(keys: list[KeyOf]) -> KeyOf:
    if len(keys) == 1:
        only = keys[0]
        return lambda cells: (only(cells),)
    return lambda cells: tuple(key(cells) for key in keys)
