"""Logs in, the whole evaluation out: every group summarised, factors compared."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from meterlink.lab.crossed import Crossed, UnbalancedError, crossed, uneven
from meterlink.lab.errors import LabError
from meterlink.lab.oneway import OneWay, one_way
from meterlink.lab.outliers import Suspect, suspects
from meterlink.lab.read_logs import check_values, group_text, read_trials
from meterlink.lab.summary import DEFAULT_CONFIDENCE, Summary, summarise
from meterlink.lab.table import Question, Series, Table, Tally
from meterlink.lab.uncertainty import Component
from meterlink.levels.statistics import mean, standard_deviation

UNIT_SLIP = 1000.0  # volts typed as millivolts, or the other way round
_SLIP_TOLERANCE = 2.0


@dataclass(frozen=True, slots=True)
class Named:
    """A suspected outlier with where it stands. Levels of factors are searched one by one.

    Attributes:
        log, test: Path of the log as given, number of the test in it.
        value: The value.
        statistic, limit: Of Grubbs' test.
        unit_slip: Whether it is some thousand times off the rest, as when volts are typed.
    """

    log: str
    test: int
    value: float
    statistic: float
    limit: float
    unit_slip: bool


@dataclass(frozen=True, slots=True)
class Comparison:
    """What the factors say: one of the two analyses, or why there is none.

    Attributes:
        levels: For each factor the names of its levels, in the order of the analysis.
    """

    levels: tuple[tuple[str, ...], ...]
    one_way: OneWay | None = None
    crossed: Crossed | None = None
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """One group.

    Attributes:
        name: What its rows have in common, in words.
        key: The same by column.
        series: Its trials.
        summary: Their statistics; ``None`` where no row has a value.
        suspects: Suspected outliers, by place.
        without_suspects: Mean and standard deviation if they were left out; ``None`` where there
            are none, or levels are compared.
        comparison: ``None`` where no factor was asked for, or no row has a value.
    """

    name: str
    key: tuple[str, ...]
    series: Series
    summary: Summary | None
    suspects: tuple[Named, ...]
    without_suspects: tuple[float, float] | None
    comparison: Comparison | None

    @property
    def tally(self) -> Tally:
        """What is not among the values."""
        return self.series.tally


@dataclass(frozen=True, slots=True)
class Study:
    """The evaluation of one or many logs.

    Attributes:
        question: What was asked.
        confidence: Of intervals.
        logs: Paths as given.
        groups: In the order in which they come.
        problems: The first rows that could not be used, in sentences.
        problem_count: How many there were.
        remarks: What else was odd.
        withdrawn: Trials that were taken back and are left out: path of the log as given, number.
    """

    question: Question
    confidence: float
    logs: tuple[str, ...]
    groups: tuple[Group, ...]
    problems: tuple[str, ...]
    problem_count: int
    remarks: tuple[str, ...]
    withdrawn: tuple[tuple[str, int], ...] = ()


def study_logs(
    paths: Sequence[Path],
    question: Question,
    *,
    components: Sequence[Component] = (),
    confidence: float = DEFAULT_CONFIDENCE,
) -> Study:
    """Read logs and evaluate them.

    Args:
        paths: Logs or job folders.
        question: What to evaluate, by which groups and factors.
        components: Uncertainty that repeating does not show, added to every group's mean.
        confidence: Of intervals, above 0 and below 1.

    Raises:
        LogError: A log cannot be read.
        UsageError: A column does not exist.
        LabError: There is nothing to evaluate, or SciPy is missing.
    """
    trials = read_trials(paths, question)
    check_values(trials)
    table = trials.table
    groups = tuple(
        _group(series, table, components, confidence)
        for series in table.series()
        if series.value.size or series.tally.empty
    )
    return Study(
        question=question,
        confidence=confidence,
        logs=tuple(table.logs),
        groups=groups,
        problems=tuple(trials.problems),
        problem_count=trials.problem_count,
        remarks=tuple(trials.remarks),
        withdrawn=tuple(sorted(trials.withdrawn)),
    )


def _group(
    series: Series, table: Table, components: Sequence[Component], confidence: float
) -> Group:
    summary: Summary | None = None
    named: tuple[Named, ...] = ()
    without: tuple[float, float] | None = None
    if series.value.size:
        summary = summarise(
            series.value, series.u, series.time_s, components=components, confidence=confidence
        )
        found = _suspects(series)
        named = tuple(_named(series, table.logs, *one) for one in found)
        if found and not series.factors:
            kept = np.delete(series.value, [index for index, _, _ in found])
            without = (mean(kept), standard_deviation(kept))
    key = tuple(group_text(part) for part in series.key)
    return Group(
        name=", ".join(
            text if column == "setup" else f"{column} {text}"
            for column, text in zip(table.question.groups, key, strict=True)
        )
        or "all trials",
        key=key,
        series=series,
        summary=summary,
        suspects=named,
        without_suspects=without,
        comparison=_compared(series, table) if table.question.factors and summary else None,
    )


def _suspects(series: Series) -> list[tuple[int, Suspect, float]]:
    """Place of each suspect, what the test found, and the middle of the values it is among."""
    return [
        (int(cell[suspect.index]), suspect, abs(float(np.median(series.value[cell]))))
        for cell in _cells(series)
        for suspect in suspects(series.value[cell])
    ]


def _named(
    series: Series, logs: Sequence[str], index: int, suspect: Suspect, middle: float
) -> Named:
    return Named(
        log=logs[series.log[index]],
        test=int(series.test[index]),
        value=float(series.value[index]),
        statistic=suspect.statistic,
        limit=suspect.limit,
        unit_slip=_is_slip(abs(float(series.value[index])), middle),
    )


def _cells(series: Series) -> list[npt.NDArray[np.intp]]:
    """Places of the trials that only repeatability tells apart."""
    if not series.factors:
        return [np.arange(series.value.size)]
    _, cell = np.unique(np.stack(series.factors), axis=1, return_inverse=True)
    order = np.argsort(cell.ravel(), kind="stable")
    return np.split(order, np.cumsum(np.bincount(cell.ravel()))[:-1])


def _is_slip(value: float, middle: float) -> bool:
    if value == 0 or middle == 0:
        return False
    thousands = abs(math.log(value / middle))
    return abs(thousands - math.log(UNIT_SLIP)) < math.log(_SLIP_TOLERANCE)


def _compared(series: Series, table: Table) -> Comparison:
    """Compare the levels that this group has."""
    coded = [np.unique(column, return_inverse=True) for column in series.factors]
    names = [[group_text(value) for value in codes.codes] for codes in table.factor_codes]
    levels = tuple(
        tuple(names[k][code] for code in present) for k, (present, _) in enumerate(coded)
    )
    codes = [inverse for _, inverse in coded]
    try:
        if len(codes) == 1:
            return Comparison(levels, one_way=one_way(series.value, codes[0]))
        return Comparison(levels, crossed=crossed(series.value, codes[0], codes[1]))
    except UnbalancedError as error:
        return Comparison(levels, why_not=uneven(error.counts, levels))
    except LabError as error:
        return Comparison(levels, why_not=str(error))
