"""Logs or arrays in, the whole evaluation out: every group summarised, factors compared."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from meterlink.errors import LabError
from meterlink.lab.crossed import Crossed, crossed
from meterlink.lab.csv_records import Progress
from meterlink.lab.one_way import OneWay, one_way
from meterlink.lab.read_logs import check_values, group_text, read_trials
from meterlink.lab.series import (
    LEAST_TRIALS,
    PLAIN_TERMS,
    SIGNIFICANCE,
    Bias,
    Summary,
    Terms,
    bias_of,
    drift_axis,
    fit,
    summarise,
)
from meterlink.lab.table import Question, Series, Table, Tally
from meterlink.lab.uncertainty import (
    Codes,
    Expanded,
    Explanation,
    Suspect,
    about_cells,
    about_design,
    combine,
    suspects,
)
from meterlink.levels.statistics import Floats, mean, standard_deviation

UNIT_SLIP = 1000.0  # volts typed as millivolts, or the other way round
_SLIP_TOLERANCE = 2.0
_LEAST_SLIPPED = 3  # of them, and a tenth of all: one or two are outliers
_MOST_DESIGN = 2_000_000  # figures in the table of an unrepeated study


@dataclass(frozen=True, slots=True)
class Named:
    """A suspected outlier with where it stands.

    Attributes:
        log, test: Path of the log as given, number of the test in it.
        value: The value.
        statistic, limit: Of the test, on the scale of Grubbs'.
        unit_slip: Whether it is some thousand times off the rest, as when volts are typed.
        place: Its place in the series.
        or_test: Number of the only other trial beside it, which may be the wrong one instead.
    """

    log: str
    test: int
    value: float
    statistic: float
    limit: float
    unit_slip: bool
    place: int
    or_test: int | None = None


@dataclass(frozen=True, slots=True)
class Comparison:
    """What the factors say: one of the two analyses, or why there is none.

    Attributes:
        levels: For each factor the names of its levels, in the order of the analysis.
        expanded: Uncertainty of the mean of levels, other components with it.
        bias: Of the mean of levels, where a known value was given.
    """

    levels: tuple[tuple[str, ...], ...]
    one_way: OneWay | None = None
    crossed: Crossed | None = None
    why_not: str = ""
    expanded: Expanded | None = None
    bias: Bias | None = None


@dataclass(frozen=True, slots=True)
class Group:
    """One group.

    Attributes:
        name: What its rows have in common, in words.
        key: The same by column.
        series: Its trials.
        summary: Their statistics; ``None`` where no row has a value.
        suspects: Suspected outliers, by place.
        about_drift: Whether they were looked for about a drift.
        without_suspects: Mean and standard deviation if they were left out; ``None`` where there
            are none, or levels are compared.
        with_aside: Mean and standard deviation if the rows counted that are no trials as their
            verdict says; ``None`` where there are none.
        slipped: How many values are some thousand times smaller than the rest, where they are
            too many for outliers.
        comparison: ``None`` where no factor was asked for, or no row has a value.
    """

    name: str
    key: tuple[str, ...]
    series: Series
    summary: Summary | None
    suspects: tuple[Named, ...]
    about_drift: bool
    without_suspects: tuple[float, float] | None
    with_aside: tuple[float, float | None] | None
    slipped: int
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
        terms: What is known beside the trials.
        logs: Paths as given.
        groups: In the order in which they come.
        problems: The first rows that could not be used, in sentences.
        problem_count: How many there were.
        reasons: Why, counted.
        remarks: What else was odd.
        withdrawn: Trials that were removed and are left out: path of the log as given, number.
        filtered: Rows that were left out as asked, by condition.
    """

    question: Question
    terms: Terms
    logs: tuple[str, ...]
    groups: tuple[Group, ...]
    problems: tuple[str, ...] = ()
    problem_count: int = 0
    reasons: Counter[str] = field(default_factory=Counter)
    remarks: tuple[str, ...] = ()
    withdrawn: tuple[tuple[str, int], ...] = ()
    filtered: Counter[str] = field(default_factory=Counter)


def study_logs(
    paths: Sequence[Path],
    question: Question,
    terms: Terms = PLAIN_TERMS,
    on_progress: Progress | None = None,
) -> Study:
    """Read logs and evaluate them.

    Args:
        paths: Logs or job folders.
        question: What to evaluate, by which groups and factors.
        terms: Other uncertainty, confidence, resolution, known value.
        on_progress: Told how far reading is.

    Raises:
        LogError: A log cannot be read.
        UsageError: A column does not exist.
        LabError: There is nothing to evaluate, or SciPy is missing.
    """
    read = read_trials(paths, question, on_progress)
    check_values(read)
    groups = tuple(
        _group(series, read.table, terms)
        for series in read.table.series()
        if series.value.size or series.tally.empty or series.aside
    )
    return Study(
        question=question,
        terms=terms,
        logs=tuple(read.table.logs),
        groups=groups,
        problems=tuple(read.problems),
        problem_count=read.problem_count,
        reasons=read.reasons,
        remarks=tuple(read.remarks),
        withdrawn=tuple(sorted(read.withdrawn)),
        filtered=read.filtered,
    )


def evaluate(series: Series, names: Sequence[Sequence[str]], logs: Sequence[str], terms: Terms,
             name: str = "all trials", key: tuple[str, ...] = ()) -> Group:  # fmt: skip
    """Evaluate one series.

    Args:
        series: The trials.
        names: For each factor the name of each code.
        logs: Paths as given.
        terms: Other uncertainty, confidence, resolution, known value.
        name: What the rows have in common, in words.
        key: The same by column.
    """
    summary: Summary | None = None
    found: tuple[Suspect, ...] = ()
    without, about_drift = None, False
    if series.value.size:
        summary = summarise(series.value, series.u, series.time_s, terms)
        found, about_drift = _suspects(series)
        if found and not series.factors:
            kept = np.delete(series.value, [one.index for one in found])
            without = (mean(kept), standard_deviation(kept))
    return Group(
        name=name,
        key=key,
        series=series,
        summary=summary,
        suspects=tuple(_named(series, logs, one) for one in found),
        about_drift=about_drift,
        without_suspects=without,
        with_aside=_with_aside(series),
        slipped=_slipped(series.value),
        comparison=_compared(series, names, terms) if series.factors and summary else None,
    )


def _group(series: Series, table: Table, terms: Terms) -> Group:
    key = tuple(group_text(part) for part in series.key)
    name = ", ".join(
        text if column == "setup" else f"{column} {text}"
        for column, text in zip(table.question.groups, key, strict=True)
    )
    names = [[group_text(value) for value in codes.codes] for codes in table.factor_codes]
    return evaluate(series, names, table.logs, terms, name or "all trials", key)


def _suspects(series: Series) -> tuple[tuple[Suspect, ...], bool]:
    """Outliers about what explains the values, and whether that is a drift.

    Of a single series a line explains the values where those that are no outliers about the mean
    drift: an outlier neither hides a drift nor is hidden by one.
    """
    apart = series.value - mean(series.value)
    if series.factors:
        return suspects(series.value, _of_factors(series, apart)), False
    found = suspects(series.value, about_cells(apart))
    x = drift_axis(apart.size, series.time_s)[0]
    rest = np.delete(np.arange(apart.size), [one.index for one in found])
    if rest.size < LEAST_TRIALS or not np.ptp(x[rest]) > 0:
        return found, False
    slope = fit(apart[rest], x[rest]).slope
    if slope is None or slope.p >= SIGNIFICANCE or slope.u == 0:
        return found, False
    line = np.column_stack([np.ones(x.size), (x - x.mean()) / np.ptp(x)])
    return suspects(series.value, about_design(apart, line)), True


def _of_factors(series: Series, apart: Floats) -> Explanation:
    """Cells explain the values of a study; without repetition its two factors do."""
    codes = [np.unique(column, return_inverse=True)[1].ravel() for column in series.factors]
    cells = codes[0]
    if len(codes) == 2:
        levels = int(codes[1].max()) + 1
        cells = np.unique(codes[0] * levels + codes[1], return_inverse=True)[1].ravel()
        width = int(codes[0].max()) + 1 + levels
        if np.bincount(cells).max() < 2 and apart.size * width <= _MOST_DESIGN:
            sides = [np.eye(int(one.max()) + 1)[one] for one in codes]
            return about_design(apart, np.hstack(sides))
    return about_cells(apart, cells)


def _named(series: Series, logs: Sequence[str], suspect: Suspect) -> Named:
    place = suspect.index
    rest = np.delete(series.value, place)
    return Named(
        log=logs[series.log[place]],
        test=int(series.test[place]),
        value=float(series.value[place]),
        statistic=suspect.statistic,
        limit=suspect.limit,
        unit_slip=_is_slip(abs(float(series.value[place])), abs(float(np.median(rest)))),
        place=place,
        or_test=int(series.test[suspect.twin]) if suspect.twin is not None else None,
    )


def _is_slip(value: float, middle: float) -> bool:
    if value == 0 or middle == 0:
        return False
    return abs(abs(math.log(value / middle)) - math.log(UNIT_SLIP)) < math.log(_SLIP_TOLERANCE)


def _slipped(values: Floats) -> int:
    """How many values are in another unit: two heaps, a thousand times apart, nothing between."""
    sizes = np.sort(np.abs(values[values != 0]))
    if sizes.size < 2 * _LEAST_SLIPPED or sizes[-1] < sizes[0] * UNIT_SLIP / _SLIP_TOLERANCE:
        return 0
    low = int(np.argmax(np.diff(np.log(sizes)))) + 1
    least = max(_LEAST_SLIPPED, sizes.size // 10)
    if not least <= low <= sizes.size - least:
        return 0
    slip = _is_slip(float(np.median(sizes[:low])), float(np.median(sizes[low:])))
    return low if slip else 0


def _with_aside(series: Series) -> tuple[float, float | None] | None:
    if series.aside is None:
        return None
    values = np.concatenate([series.value, series.aside.value])
    return mean(values), standard_deviation(values) if values.size > 1 else None


def _compared(series: Series, names: Sequence[Sequence[str]], terms: Terms) -> Comparison:
    """Compare the levels that this group has."""
    coded = [np.unique(column, return_inverse=True) for column in series.factors]
    levels = tuple(
        tuple(names[k][code] for code in present) for k, (present, _) in enumerate(coded)
    )
    codes: list[Codes] = [inverse.ravel() for _, inverse in coded]
    try:
        if len(codes) == 2:
            return Comparison(
                levels, crossed=crossed(series.value, codes[0], codes[1], terms.confidence)
            )
        found = one_way(series.value, codes[0], terms.confidence)
    except LabError as error:
        return Comparison(levels, why_not=str(error))
    parts = [(found.u_mean, found.dof_mean)]
    parts += [(one.size(found.mean_of_levels), one.dof) for one in terms.components]
    if terms.resolution:
        parts.append((terms.resolution / math.sqrt(12), math.inf))
    expanded = combine(parts, terms.confidence)
    return Comparison(
        levels,
        one_way=found,
        expanded=expanded,
        bias=bias_of(found.mean_of_levels, expanded, terms),
    )


#: A label for each value.
Labels = Sequence[str] | Sequence[int] | npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class Evaluation:
    """What ``trials`` finds.

    Attributes:
        summary: Level, spread, uncertainty, drift, bias.
        suspects: Places of suspected outliers.
        comparison: What the levels of ``by`` say; ``None`` without.
        group: The same as the command line evaluates and writes.
        terms: As given.
    """

    summary: Summary
    suspects: tuple[int, ...]
    comparison: Comparison | None
    group: Group
    terms: Terms

    def __str__(self) -> str:
        from meterlink.lab.wording import group_lines

        factors = ("measured", "by")[-len(self.group.series.factors) :]
        question = Question(value="value", factors=factors if self.comparison else ())
        return "\n".join(group_lines(self.group, Study(question, self.terms, ("values",), ())))


def trials(
    values: npt.ArrayLike,
    by: Labels | tuple[Labels, Labels] | None = None,
    *,
    u: npt.ArrayLike | None = None,
    time_s: npt.ArrayLike | None = None,
    terms: Terms = PLAIN_TERMS,
) -> Evaluation:
    """Evaluate repeat trials that are arrays: no files, no clock.

    Args:
        values: Shape (n,), finite, in the order taken.
        by: Label of each value (an operator, a meter): its levels are compared. A tuple of two:
            what was measured, and who or what measured it: a crossed study.
        u: Shape (n,), stated standard uncertainties.
        time_s: Shape (n,), seconds, for drift.
        terms: Other uncertainty, confidence, resolution, known value.

    Raises:
        LabError: No values, NaN among them, or lengths that differ; the message says which.

    Example:
        >>> found = trials([150.2, 149.8, 150.1, 150.5])
        >>> round(found.summary.mean, 3)
        150.15
    """
    numbers = _checked("values", values, None)
    pair = isinstance(by, tuple) and len(by) == 2 and not isinstance(by[0], str | int | float)
    labels = [] if by is None else [np.asarray(side) for side in (by if pair else [by])]
    for one in labels:
        if one.shape != numbers.shape:
            raise LabError(f"by has shape {one.shape}; expected that of values, {numbers.shape}.")
    coded = [np.unique(one, return_inverse=True) for one in labels]
    missing = np.full(numbers.size, np.nan)
    series = Series(
        key=(),
        value=numbers,
        u=missing if u is None else _checked("u", u, numbers.size),
        time_s=missing if time_s is None else _checked("time_s", time_s, numbers.size),
        test=np.arange(1, numbers.size + 1),
        log=np.zeros(numbers.size, dtype=np.intc),
        factors=tuple(inverse.ravel().astype(np.intc) for _, inverse in coded),
        tally=Tally(),
    )
    group = evaluate(series, [list(map(str, names)) for names, _ in coded], ["values"], terms)
    if group.summary is None:
        raise LabError("There are no values.")
    places = tuple(one.place for one in group.suspects)
    return Evaluation(group.summary, places, group.comparison, group, terms)


def _checked(name: str, given: npt.ArrayLike, size: int | None) -> Floats:
    """An array of numbers.

    Raises:
        LabError: It is none, or not of this size, or a figure is not finite or beyond all meters.
    """
    try:
        array = np.asarray(given, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise LabError(f"{name} are no numbers: {error}.") from error
    if array.ndim != 1 or not array.size or array.size != (size or array.size):
        expected = f"({size},)" if size else "(n,), n above 0"
        raise LabError(f"{name} has shape {array.shape}; expected {expected}.")
    bad = np.flatnonzero(~(np.abs(array) <= 1e15))
    if bad.size:
        raise LabError(f"{name}[{bad[0]}] is {array[bad[0]]}; expected a finite number.")
    return array
