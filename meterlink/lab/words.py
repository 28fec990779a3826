"""The evaluation in words, for a terminal."""

import math
from collections.abc import Iterator

from meterlink.lab.crossed import Crossed, Source
from meterlink.lab.oneway import OneWay
from meterlink.lab.quantiles import coverage_factor
from meterlink.lab.stated import Agreement, StatedCheck
from meterlink.lab.study import Comparison, Group, Study
from meterlink.lab.summary import Drift, Summary
from meterlink.show.text_width import clean

MAX_BLOCKS = 6  # more groups than these are a table
MAX_LEVELS = 30  # of a factor, in words


def study_lines(study: Study) -> Iterator[str]:
    """The whole evaluation, line by line."""
    if len(study.groups) > MAX_BLOCKS:
        yield from _table(study)
        return
    for place, group in enumerate(study.groups):
        if place:
            yield ""
        yield from group_lines(group, study)


def group_lines(group: Group, study: Study) -> Iterator[str]:
    """One group in full."""
    unit = study.question.unit
    yield clean(group.name)
    summary = group.summary
    if summary is None:
        yield f"  no trial has a value ({group.tally.empty} rows without)"
        return
    yield f"  {_counts(group, summary)}"
    if group.comparison is None:
        yield from (f"  {line}" for line in _series(summary, study))
    yield from (f"  {line}" for line in remark_lines(group, unit))
    if group.comparison is not None:
        yield from (f"  {line}" for line in _comparison(group.comparison, study))


def _series(summary: Summary, study: Study) -> Iterator[str]:
    """The figures of trials that only repeatability tells apart."""
    unit, sure = study.question.unit, f"{100 * study.confidence:g} %"
    text = f"mean {figure(summary.mean)} {unit}, "
    if summary.sd is not None:
        text += f"repeatability standard deviation {figure(summary.sd)} {unit}, "
    yield f"{text}{figure(summary.lowest)} to {figure(summary.highest)}"
    if summary.expanded is not None and summary.interval is not None:
        (low, high), expanded = summary.interval, summary.expanded
        yield f"mean within {figure(low)} to {figure(high)} {unit} with {sure} (repeating alone)"
        yield (
            f"standard uncertainty of the mean {figure(expanded.u)} {unit}, expanded "
            f"{figure(expanded.expanded)} {unit} ({sure}, k {expanded.k:.2f}, "
            f"{_dof(expanded.dof)} degrees of freedom)"
        )
    if summary.drift is not None:
        yield drift_text(summary.drift, unit)


def remark_lines(group: Group, unit: str) -> Iterator[str]:
    """What a reader of the figures has to know: dependence, stated uncertainty, suspects.

    Where levels of a factor are compared, the series as a whole is not judged: they may differ.
    """
    summary = group.summary
    if summary is not None and summary.sd == 0:
        yield "every trial gave the same value: the spread is below the display's resolution"
    if summary is not None and group.comparison is None:
        if summary.dependent and summary.lag1 is not None:
            yield (
                f"neighbouring trials resemble each other (autocorrelation {summary.lag1:+.2f}): "
                "the uncertainty of the mean is too small"
            )
        if summary.stated is not None:
            yield stated_text(summary.stated)
    for named in group.suspects:
        slip = "; volts typed for millivolts?" if named.unit_slip else ""
        yield (
            f"suspected outlier: test {named.test} in {clean(named.log)}, {figure(named.value)} "
            f"{unit} (Grubbs {named.statistic:.2f}, limit {named.limit:.2f}{slip}); it is counted"
        )


def drift_text(drift: Drift, unit: str) -> str:
    """The trend and whether chance explains it."""
    per = "h" if drift.per_hour else "trial"
    slope = f"{figure(drift.line.slope, signed=True)} {unit}/{per}"
    if drift.significant:
        change = f"{figure(drift.change, signed=True)} {unit}"
        return f"drifts {slope}, {change} over the series (p {_p(drift.line.p)})"
    return f"no drift seen ({slope}, p {_p(drift.line.p)})"


def stated_text(check: StatedCheck) -> str:
    """What the spread says of the uncertainty stated with each trial."""
    seen = f"spread is {check.ratio:.2f} of the stated uncertainty"
    test = f"chi-square {check.chi_square:.1f} on {check.dof}, p {_p(check.p)}"
    if check.agreement is Agreement.AGREES:
        return f"{seen}: they agree ({test})"
    if check.agreement is Agreement.TOO_SMALL:
        return f"{seen}: drop_u_mV is too small ({test})"
    return f"{seen}: drop_u_mV is too large for what repeating shows ({test})"


def figure(value: float | None, *, signed: bool = False) -> str:
    """A figure to four digits or a thousandth, whatever is more."""
    if value is None or math.isnan(value):
        return "-"
    if value != 0 and abs(value) < 0.01:
        return f"{value:+.2g}" if signed else f"{value:.2g}"
    places = 3 if abs(value) < 10 else 2 if abs(value) < 10_000 else 1
    return f"{value:+.{places}f}" if signed else f"{value:.{places}f}"


def _counts(group: Group, summary: Summary) -> str:
    tally = group.tally
    parts = [f"{summary.n} trials" if summary.n != 1 else "1 trial: no spread can be given"]
    if tally.empty:
        parts.append(f"{tally.empty} rows without a value")
    if tally.flagged:
        parts.append(f"{tally.flagged} flagged")
    parts += [f"{count} {clean(verdict)}" for verdict, count in sorted(tally.verdicts.items())]
    return ", ".join(parts)


def _dof(dof: float) -> str:
    return "unlimited" if math.isinf(dof) else f"{dof:.1f}".removesuffix(".0")


def _p(p: float) -> str:
    return "-" if math.isnan(p) else "< 0.001" if p < 0.001 else f"{p:.3f}"


def _comparison(comparison: Comparison, study: Study) -> Iterator[str]:
    names = " and ".join(study.question.factors)
    if comparison.one_way is not None:
        yield from _one_way(comparison.one_way, comparison.levels[0], names, study)
    elif comparison.crossed is not None:
        yield from _crossed(comparison.crossed, study.question.factors, study.question.unit)
    else:
        yield f"{clean(names)} cannot be compared: {clean(comparison.why_not)}"


def _one_way(found: OneWay, levels: tuple[str, ...], name: str, study: Study) -> Iterator[str]:
    unit = study.question.unit
    differs = "differ" if found.differs else "do not differ beyond repeatability"
    yield (
        f"by {clean(name)}: levels {differs} (F {figure(found.f)} on {found.dof_between} and "
        f"{found.dof_within}, p {_p(found.p)})"
    )
    yield (
        f"  within {figure(found.s_repeatability)}, between {figure(found.s_between)}, "
        f"reproducibility {figure(found.s_reproducibility)} {unit} "
        f"({_dof(found.dof_reproducibility)} degrees of freedom)"
    )
    yield (
        f"  two trials differ by more once in twenty: {figure(found.repeatability_limit)} on one "
        f"level, {figure(found.reproducibility_limit)} {unit} on two"
    )
    half = coverage_factor(found.dof_between, study.confidence) * found.u_mean
    yield (
        f"  mean of levels {figure(found.mean_of_levels)} {unit}, standard uncertainty "
        f"{figure(found.u_mean)}, expanded {figure(half)} {unit} ({100 * study.confidence:g} %, "
        f"{found.dof_between} degrees of freedom)"
    )
    for level, text in list(zip(found.levels, levels, strict=True))[:MAX_LEVELS]:
        spread = f", sd {figure(level.sd)}" if level.sd is not None else ""
        yield f"  {clean(text)}: {level.n} trials, mean {figure(level.mean)}{spread}"
    if len(levels) > MAX_LEVELS:
        yield f"  and {len(levels) - MAX_LEVELS} levels more (all are in --json)"


def _crossed(found: Crossed, names: tuple[str, ...], unit: str) -> Iterator[str]:
    part, appraiser = (clean(name) for name in names)
    yield f"{part} crossed with {appraiser}: analysis of variance"
    lines = (
        (part, found.part),
        (appraiser, found.appraiser),
        ("interaction", found.interaction),
        ("repeatability", found.repeatability),
        ("total", found.total),
    )
    for name, source in lines:
        yield f"  {name[:24]:24} {_source(source)}"
    if not found.repeatability.dof:
        yield "  one trial each: nothing tells the interaction from repeatability"
    elif found.pooled:
        yield "  the interaction is not significant at 25 % and counts as repeatability"
    shares = (
        ("repeatability", found.s_repeatability),
        (f"reproducibility ({appraiser})", found.s_reproducibility),
        ("both: the gauge", found.s_gauge),
        (part, found.s_part),
        ("total", found.s_total),
    )
    for name, s in shares:
        share = f"{100 * s / found.s_total:5.1f} % of total" if found.s_total > 0 else ""
        yield f"  sd of {name[:30]:30} {figure(s):>9} {unit}  {share}"
    categories = found.distinct_categories
    yield f"  distinct categories: {'-' if math.isinf(categories) else f'{categories:.1f}'}"


def _source(source: Source) -> str:
    text = f"SS {source.ss:12.5g}  df {source.dof:4d}"
    if source.f is not None and source.p is not None:
        text += f"  F {figure(source.f):>9}  p {_p(source.p)}"
    return text


def _table(study: Study) -> Iterator[str]:
    """A line a group, then what has to be known of some of them."""
    compared = bool(study.question.factors)
    yield _COMPARED_HEAD if compared else _SERIES_HEAD
    for group in study.groups:
        cells = _compared_cells(group) if compared else _series_cells(group)
        yield f"{cells}  {clean(group.name)}"
    for group in study.groups:
        lines = list(_notable(group, study))
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
    return f"{cells[: _WIDTH - 11]}{_p(found.p):>11}"


def _cells(n: int, *values: float | None) -> str:
    shown = [figure(value) for value in (*values, *[None] * 5)[:5]]
    return f"{n:6d} {shown[0]:>11} {shown[1]:>9} {shown[2]:>9} {shown[3]:>11} {shown[4]:>11}"


_WIDTH = len(_cells(0))


def _notable(group: Group, study: Study) -> Iterator[str]:
    """Remarks that call for a look, where there is a table for the rest."""
    summary, comparison, unit = group.summary, group.comparison, study.question.unit
    stated = summary.stated if summary is not None else None
    usual = stated_text(stated) if stated and stated.agreement is Agreement.AGREES else None
    yield from (line for line in remark_lines(group, unit) if line != usual)
    if comparison is not None:
        if comparison.one_way is None or comparison.one_way.differs:
            yield from _comparison(comparison, study)
    elif summary is not None and summary.drift is not None and summary.drift.significant:
        yield drift_text(summary.drift, unit)
