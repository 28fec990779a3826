"""The whole evaluation in words: a few series in full, many as a table with remarks below."""

from collections.abc import Iterator

from meterlink.lab.series import Agreement
from meterlink.lab.study import Group, Study
from meterlink.lab.uncertainty import figure, p_text
from meterlink.lab.wording import (
    bias_text,
    comparison_lines,
    drift_text,
    group_lines,
    remark_lines,
    stated_text,
)
from meterlink.show.text_width import clean

MAX_BLOCKS = 6  # more groups than these are a table


def study_lines(study: Study) -> Iterator[str]:
    """The whole evaluation, line by line."""
    if len(study.groups) > MAX_BLOCKS:
        yield from _table(study)
        return
    for place, group in enumerate(study.groups):
        if place:
            yield ""
        yield from group_lines(group, study)


def _table(study: Study) -> Iterator[str]:
    compared = bool(study.question.factors)
    yield _COMPARED_HEAD if compared else _SERIES_HEAD
    for group in study.groups:
        cells = _compared_cells(group) if compared else _series_cells(group)
        yield f"{cells}  {clean(group.name)}"
    notable = [(group, list(_notable(group, study))) for group in study.groups]
    if any(lines for _, lines in notable):
        yield ""
        yield "Remarks; chance alone makes each kind of them in about one series of twenty."
    for group, lines in notable:
        if lines:
            yield ""
            yield clean(group.name)
            yield from (f"  {line}" for line in lines)


_SERIES_HEAD = (
    f"{'n':>6} {'mean':>11} {'sd':>9} {'expanded':>9} {'lowest':>11} {'highest':>11}  group"
)
_COMPARED_HEAD = (
    f"{'n':>6} {'mean':>11} {'within':>9} {'between':>9} {'reproduc.':>11} {'p':>11}  group"
)


def _series_cells(group: Group) -> str:
    s = group.summary
    if s is None:
        return _cells(0)
    expanded = s.expanded.expanded if s.expanded is not None else None
    return _cells(s.n, s.mean, s.sd, expanded, s.lowest, s.highest)


def _compared_cells(group: Group) -> str:
    n, mean = (group.summary.n, group.summary.mean) if group.summary else (0, None)
    found = group.comparison.one_way if group.comparison else None
    if found is None:
        return _cells(n, mean)
    cells = _cells(n, mean, found.s_repeatability, found.s_between, found.s_reproducibility)
    return f"{cells[: _WIDTH - 11]}{p_text(found.p):>11}"


def _cells(n: int, *values: float | None) -> str:
    shown = [figure(value) for value in (*values, *[None] * 5)[:5]]
    return f"{n:6d} {shown[0]:>11} {shown[1]:>9} {shown[2]:>9} {shown[3]:>11} {shown[4]:>11}"


_WIDTH = len(_cells(0))


def _notable(group: Group, study: Study) -> Iterator[str]:
    """Remarks that call for a look, where there is a table for the rest."""
    summary, comparison, unit = group.summary, group.comparison, study.question.unit
    stated = summary.stated if summary is not None else None
    usual = stated_text(stated, unit) if stated and stated.agreement is Agreement.AGREES else None
    yield from (line for line in remark_lines(group, unit) if line != usual)
    if comparison is not None:
        if comparison.one_way is None or comparison.one_way.differs:
            yield from comparison_lines(group, comparison, study)
    elif summary is not None and summary.drift is not None and summary.drift.significant:
        yield drift_text(summary.drift, unit)
    if summary is not None and summary.bias is not None and summary.bias.significant:
        yield bias_text(summary.bias, unit, f"{100 * study.terms.confidence:g} %")
