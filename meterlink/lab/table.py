"""Trials read from logs, column by column: some 50 bytes a row, however long the logs."""

from array import array
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from meterlink.lab.errors import LabError

MAX_ROWS = 5_000_000  # some 300 MB of columns
MAX_LEVELS = 20_000  # groups, or levels of a factor


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
    """

    value: str = "drop_mV"
    per_amp: bool = False
    groups: tuple[str, ...] = ("setup",)
    factors: tuple[str, ...] = ()
    left_out: frozenset[tuple[str, int]] = frozenset()

    @property
    def unit(self) -> str:
        """Unit of the values, as the column's name has it; empty where it has none."""
        if self.per_amp:
            return "mohm" if self.value.endswith("_mV") else ""
        _, _, unit = self.value.rpartition("_")
        return unit if unit == "mV" else {"amps": "A"}.get(self.value, "")


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
    """What of a group is not among its values."""

    empty: int = 0
    verdicts: dict[str, int] = field(default_factory=dict)
    flagged: int = 0


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
        self._value, self._u, self._time_s = array("d"), array("d"), array("d")
        self._test, self._log, self._group = array("q"), array("l"), array("l")
        self._factors = tuple(array("l") for _ in question.factors)

    def __len__(self) -> int:
        return len(self._value)

    def tally(self, group: int) -> Tally:
        """The tally of a group; groups are numbered as they come."""
        if group == len(self.tallies):
            self.tallies.append(Tally())
        return self.tallies[group]

    def add(
        self,
        value: float,
        u: float,
        time_s: float,
        test: int,
        group: int,
        levels: Sequence[Hashable],
    ) -> None:
        """Add a row of the log that was opened last.

        Args:
            value: Finite.
            u: Stated standard uncertainty, NaN where there is none.
            time_s: Seconds since 1970, NaN where not known.
            test: Number in its log.
            group: Code of its group.
            levels: Its level of each factor.

        Raises:
            LabError: More rows than memory is set aside for, or too many levels.
        """
        if len(self._value) >= MAX_ROWS:
            raise LabError(
                f"The logs have more than {MAX_ROWS} rows together. Evaluate fewer logs at a time."
            )
        self._value.append(value)
        self._u.append(u)
        self._time_s.append(time_s)
        self._test.append(test)
        self._log.append(len(self.logs) - 1)
        self._group.append(group)
        for column, codes, level in zip(self._factors, self.factor_codes, levels, strict=True):
            column.append(codes.of(level))

    def series(self) -> list["Series"]:
        """The groups, in the order in which they came; those without a value are empty."""
        group = np.frombuffer(self._group, dtype=np.dtype("l"))
        order = np.argsort(group, kind="stable")
        ends = np.cumsum(np.bincount(group, minlength=len(self.tallies)))
        value = np.frombuffer(self._value)
        u, time_s = np.frombuffer(self._u), np.frombuffer(self._time_s)
        test = np.frombuffer(self._test, dtype=np.int64)
        log = np.frombuffer(self._log, dtype=np.dtype("l"))
        factors = [np.frombuffer(column, dtype=np.dtype("l")) for column in self._factors]
        found = []
        for key, code in self.group_codes.codes.items():
            rows = order[(ends[code - 1] if code else 0) : ends[code]]
            found.append(
                Series(
                    key=key if isinstance(key, tuple) else (key,),
                    value=value[rows],
                    u=u[rows],
                    time_s=time_s[rows],
                    test=test[rows],
                    log=log[rows],
                    factors=tuple(column[rows] for column in factors),
                    tally=self.tallies[code],
                )
            )
        return found


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
    """

    key: tuple[Hashable, ...]
    value: npt.NDArray[np.float64]
    u: npt.NDArray[np.float64]
    time_s: npt.NDArray[np.float64]
    test: npt.NDArray[np.int64]
    log: npt.NDArray[np.int_]
    factors: tuple[npt.NDArray[np.int_], ...]
    tally: Tally
