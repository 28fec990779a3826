"""Trials read from logs, column by column: some 60 bytes a row, however long the logs."""

from array import array
from collections import Counter
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from meterlink.circuit.setup import Verdict
from meterlink.errors import LabError
from meterlink.show.format import clean

MAX_ROWS = 5_000_000  # some 350 MB of columns
MAX_LEVELS = 20_000  # groups, or levels of a factor
_MOST_ALIKE = 10  # pairs that are named
_UNCLEAR, _NOT_IN_PATH, _IN_PATH = 1, 2, 3
_VERDICTS = {
    Verdict.UNCLEAR.value: _UNCLEAR,
    Verdict.NOT_IN_PATH.value: _NOT_IN_PATH,
    Verdict.IN_PATH.value: _IN_PATH,
}


@dataclass(frozen=True, slots=True)
class Condition:
    """Which rows count: those that have a text in a column, or those that do not.

    Attributes:
        column: A column of the log, ``day``, ``log`` or ``flags``; a row has a flag where it is one
            of its flags, and no text means no flag.
        text: What it has.
        wanted: Whether rows that have it stay, or go.
    """

    column: str
    text: str
    wanted: bool

    def __str__(self) -> str:
        return f"--{'only' if self.wanted else 'without'} {self.column}={self.text}"


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of the logs.

    Attributes:
        value: Column that is evaluated.
        per_amp: Whether it is divided by the row's ``amps``: millivolts become milliohms.
        groups: Columns that make a series: rows equal in all of them belong together.
        factors: Columns that are compared inside each group, none to two.
        left_out: Trials that a person decided against: path of the log as given, number of the
            test.
        conditions: All have to hold for a row to count.
        since_s, until_s: Rows from the first moment on and before the second count.
        all_verdicts: Whether rows count that are ``unclear``, or ``not-in-path`` where the same
            hookup was in the path in others, as when nobody switched the load.
    """

    value: str = "drop_mV"
    per_amp: bool = False
    groups: tuple[str, ...] = ("setup",)
    factors: tuple[str, ...] = ()
    left_out: frozenset[tuple[str, int]] = frozenset()
    conditions: tuple[Condition, ...] = ()
    since_s: float | None = None
    until_s: float | None = None
    all_verdicts: bool = False

    @property
    def unit(self) -> str:
        """Unit of the values, as the column's name has it; empty where it has none."""
        if self.per_amp:
            return "mohm" if self.value.endswith("_mV") else ""
        _, _, unit = self.value.rpartition("_")
        return {"mV": "mV", "mohm": "mohm"}.get(unit, {"amps": "A"}.get(self.value, ""))


class Codes:
    """Numbers for the different values of a column, in the order in which they come."""

    def __init__(self, column: str) -> None:
        self.column = column
        self.codes: dict[Hashable, int] = {}

    def of(self, value: Hashable) -> int:
        """The number of a value, a new one where it is new.

        Raises:
            LabError: Too many different values.
        """
        code = self.codes.get(value)
        if code is None:
            code = len(self.codes)
            if code >= MAX_LEVELS:
                raise LabError(
                    f"{self.column} has more than {MAX_LEVELS} different values, so nothing is "
                    "repeated. Choose a column that repeats."
                )
            self.codes[value] = code
        return code


@dataclass(slots=True)
class Tally:
    """What of a group is not among its values, and what its rows say of themselves."""

    empty: int = 0
    verdicts: Counter[str] = field(default_factory=Counter)
    flagged: int = 0


@dataclass(frozen=True, slots=True)
class Row:
    """A row of a log on its way into the table.

    Attributes:
        value: Finite.
        u: Stated standard uncertainty, NaN where there is none.
        time_s: Seconds since 1970, NaN where not known.
        test: Number in its log.
        group: Code of its group.
        verdict: As the log has it.
        setup: Hookup, leads and load, or nothing where the log has none.
        levels: Its level of each factor.
    """

    value: float
    u: float
    time_s: float
    test: int
    group: int
    verdict: str
    setup: Hashable
    levels: Sequence[Hashable]


class Table:
    """Rows as columns, filled by the reader.

    Attributes:
        logs: Paths as given; ``log`` of a row is an index into them.
        group_codes, factor_codes: The levels met.
        tallies: By group code.
    """

    def __init__(self, question: Question) -> None:
        self.question = question
        self.logs: list[str] = []
        self.group_codes = Codes(" + ".join(question.groups))
        self.factor_codes = tuple(Codes(name) for name in question.factors)
        self.tallies: list[Tally] = []
        self._setups = Codes("setup")
        self._value, self._u, self._time_s = array("d"), array("d"), array("d")
        self._test, self._log, self._group = array("q"), array("i"), array("i")
        self._verdict, self._setup = array("b"), array("i")
        self._factors = tuple(array("i") for _ in question.factors)

    def __len__(self) -> int:
        return len(self._value)

    def tally(self, group: int) -> Tally:
        """The tally of a group; groups are numbered as they come."""
        if group == len(self.tallies):
            self.tallies.append(Tally())
        return self.tallies[group]

    def add(self, row: Row) -> None:
        """Add a row of the log that was opened last.

        Raises:
            LabError: More rows than memory is set aside for, or too many levels.
        """
        if len(self._value) >= MAX_ROWS:
            raise LabError(
                f"The logs have more than {MAX_ROWS} rows together. Evaluate fewer logs at a time."
            )
        self._value.append(row.value)
        self._u.append(row.u)
        self._time_s.append(row.time_s)
        self._test.append(row.test)
        self._log.append(len(self.logs) - 1)
        self._group.append(row.group)
        self._verdict.append(_VERDICTS.get(row.verdict, 0))
        self._setup.append(self._setups.of(row.setup))
        for column, codes, level in zip(self._factors, self.factor_codes, row.levels, strict=True):
            column.append(codes.of(level))

    def doubled(self) -> dict[str, list[int]]:
        """Test numbers that a log has more than once."""
        test, log = np.frombuffer(self._test, np.int64), np.frombuffer(self._log, np.intc)
        found = {}
        for place, name in enumerate(self.logs):
            numbers, counts = np.unique(test[(log == place) & (test > 0)], return_counts=True)
            if counts.size and counts.max() > 1:
                found[name] = numbers[counts > 1].tolist()
        return found

    def alike(self) -> list[str]:
        """Names of groups and levels that differ in blanks or capitals alone, in sentences."""
        every = (self.group_codes, *self.factor_codes)
        return [text for codes in every for text in _alike(list(codes.codes))]

    def series(self) -> list["Series"]:
        """The groups, in the order in which they came; those without a value are empty."""
        group = np.frombuffer(self._group, np.intc)
        order = np.argsort(group, kind="stable")
        ends = np.cumsum(np.bincount(group, minlength=len(self.tallies)))
        verdict = np.frombuffer(self._verdict, np.int8)
        whole = Series(
            key=(),
            value=np.frombuffer(self._value),
            u=np.frombuffer(self._u),
            time_s=np.frombuffer(self._time_s),
            test=np.frombuffer(self._test, np.int64),
            log=np.frombuffer(self._log, np.intc),
            factors=tuple(np.frombuffer(column, np.intc) for column in self._factors),
            tally=Tally(),
        )
        aside = self._aside(verdict)
        found = []
        for key, code in self.group_codes.codes.items():
            rows = order[(ends[code - 1] if code else 0) : ends[code]]
            one = whole.at(rows[~aside[rows]])
            left = whole.at(rows[aside[rows]])
            found.append(
                replace(
                    one,
                    key=key if isinstance(key, tuple) else (key,),
                    tally=self.tallies[code],
                    aside=left if left.value.size else None,
                    unclear=int((verdict[rows[aside[rows]]] == _UNCLEAR).sum()),
                )
            )
        return found

    def _aside(self, verdict: npt.NDArray[np.int8]) -> npt.NDArray[np.bool_]:
        """Rows that are no trials: unclear, or not in the path where the same hookup is."""
        if self.question.all_verdicts:
            return np.zeros(verdict.size, dtype=np.bool_)
        setup = np.frombuffer(self._setup, np.intc)
        in_path = np.unique(setup[verdict == _IN_PATH])
        aside: npt.NDArray[np.bool_] = (verdict == _UNCLEAR) | (
            (verdict == _NOT_IN_PATH) & np.isin(setup, in_path)
        )
        return aside


@dataclass(frozen=True, slots=True)
class Series:
    """The trials of one group in the order of the logs.

    Attributes:
        key: Values of the group's columns.
        value: Shape (n,), finite.
        u: Shape (n,), stated standard uncertainty, NaN where there is none.
        time_s: Shape (n,), seconds since 1970, NaN where not known.
        test: Shape (n,), numbers in their log.
        log: Shape (n,), index of their log.
        factors: For each factor the codes, shape (n,).
        tally: What is not among the values.
        aside: Rows with a value that are no trials, as their verdict says.
        unclear: How many of them are unclear; the others were not in the path.
    """

    key: tuple[Hashable, ...]
    value: npt.NDArray[np.float64]
    u: npt.NDArray[np.float64]
    time_s: npt.NDArray[np.float64]
    test: npt.NDArray[np.int64]
    log: npt.NDArray[np.intc]
    factors: tuple[npt.NDArray[np.intc], ...]
    tally: Tally
    aside: "Series | None" = None
    unclear: int = 0

    def at(self, places: npt.NDArray[np.intp] | npt.NDArray[np.bool_]) -> "Series":
        """The trials at these places."""
        return replace(
            self,
            value=self.value[places],
            u=self.u[places],
            time_s=self.time_s[places],
            test=self.test[places],
            log=self.log[places],
            factors=tuple(column[places] for column in self.factors),
        )


def _alike(keys: list[Hashable]) -> list[str]:
    """Names that differ in blanks or capitals alone, each pair once."""
    first: dict[str, str] = {}
    found: list[str] = []
    for key in keys:
        parts = key if isinstance(key, tuple) else (key,)
        flat = [cell for part in parts for cell in (part if isinstance(part, tuple) else (part,))]
        for cell in dict.fromkeys(map(str, flat)):
            other = first.setdefault(" ".join(cell.split()).casefold(), cell)
            if other != cell and len(found) < _MOST_ALIKE:
                found.append(
                    f"{clean(repr(other))} and {clean(repr(cell))} count as two names. If they are "
                    "one, write them alike."
                )
    return list(dict.fromkeys(found))
