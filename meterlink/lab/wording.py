"""What a series, or a comparison, says in words: one wording for terminal and page."""

import math
from collections.abc import Iterator

from meterlink.lab.crossed import Crossed, Source
from meterlink.lab.one_way import LevelMean, OneWay
from meterlink.lab.series import LEAST_TRIALS, Agreement, Bias, Drift, StatedCheck, Summary
from meterlink.lab.study import Comparison, Group, Named, Study
from meterlink.lab.uncertainty import Expanded, certificate, dof_text, figure, p_text, rounded
from meterlink.show.format import clean

MAX_LEVELS = 30  # of a factor, in words
_MAX_TESTS = 10  # named of those that are no trials


def group_lines(group: Group, study: Study) -> Iterator[str]:
    """One group in full."""
    unit = study.question.unit
    yield clean(group.name)
    if group.summary is None:
        yield f"  no trial has a value ({group.tally.empty} rows without)"
    else:
        yield f"  {_counts(group, group.summary)}"
        if group.comparison is None:
            yield from (f"  {line}" for line in _series(group.summary, study))
    yield from (f"  {line}" for line in remark_lines(group, unit))
    if group.comparison is not None:
        yield from (f"  {line}" for line in comparison_lines(group, group.comparison, study))


def _counts(group: Group, summary: Summary) -> str:
    tally = group.tally
    parts = [f"{summary.n} trials" if summary.n != 1 else "1 trial: no spread can be given"]
    if tally.empty:
        parts.append(f"{tally.empty} rows without a value")
    if tally.flagged:
        parts.append(f"{tally.flagged} flagged")
    parts += [f"{count} {clean(verdict)}" for verdict, count in sorted(tally.verdicts.items())]
    return ", ".join(parts)


def _series(summary: Summary, study: Study) -> Iterator[str]:
    """The figures of trials that only repeatability tells apart."""
    unit, sure = study.question.unit, f"{100 * study.terms.confidence:g} %"
    mean = rounded(summary.mean, summary.u_repeat)[0] if summary.u_repeat else figure(summary.mean)
    text = f"mean {mean} {unit}, "
    if summary.sd is not None:
        text += f"repeatability standard deviation {figure(summary.sd)} {unit}, "
    yield f"{text}{figure(summary.lowest)} to {figure(summary.highest)}"
    if summary.expanded is not None and summary.interval is not None:
        yield from _uncertain(summary, summary.expanded, unit, sure)
        yield certificate(summary.mean, summary.expanded, unit, study.terms.confidence)
    if summary.bias is not None:
        yield bias_text(summary.bias, unit, sure)
    if summary.drift is not None:
        yield drift_text(summary.drift, unit)


def _uncertain(summary: Summary, expanded: Expanded, unit: str, sure: str) -> Iterator[str]:
    low, high = summary.interval or (math.nan, math.nan)
    if summary.u_repeat:
        low_text, high_text = (rounded(end, summary.u_repeat)[0] for end in (low, high))
        yield f"mean within {low_text} to {high_text} {unit} with {sure} (repeating alone)"
    yield (
        f"standard uncertainty of the mean {figure(expanded.u)} {unit}, expanded "
        f"{figure(expanded.expanded)} {unit} ({sure}, k {expanded.k:.2f}, "
        f"{dof_text(expanded.dof)} degrees of freedom)"
    )
    if summary.rho is not None and summary.n_effective and summary.n_effective < 0.8 * summary.n:
        yield (
            f"neighbouring trials are alike (correlation {summary.rho:.2f}): {summary.n} of them "
            f"say as much of the mean as {summary.n_effective:.0f} independent ones; counted"
        )
    drift = summary.drift
    if drift is not None and drift.significant:
        yield (
            f"the mean is that of a series that drifts; standard deviation about the drift "
            f"{figure(drift.sd)} {unit}"
        )


def remark_lines(group: Group, unit: str) -> Iterator[str]:
    """What a reader of the figures has to know: rows set aside, dependence, units, suspects.

    Where levels of a factor are compared, the series as a whole is not judged: they may differ.
    """
    summary = group.summary
    yield from _aside(group, unit)
    if summary is not None:
        if summary.sd == 0:
            step = " (the step of the last digit is taken)" if summary.resolution_inferred else ""
            yield (
                "every trial gave the same value: the spread is below the display's resolution"
                f"{step}; --resolution says what that is"
            )
        if summary.times_filled:
            yield (
                f"{summary.times_filled} times cannot be read; for the drift they are put between "
                "their neighbours"
            )
        if group.comparison is None:
            yield from _dependence(summary)
            if summary.stated is not None:
                yield stated_text(summary.stated, unit)
    if group.slipped:
        yield (
            f"{group.slipped} of {group.series.value.size} values are about a thousand times "
            "smaller than the rest: volts typed for millivolts? They are counted as they are"
        )
    for named in group.suspects:
        yield _suspect(named, unit, about_drift=group.about_drift)
    if group.without_suspects is not None:
        mean, sd = group.without_suspects
        yield f"without what is suspected: mean {figure(mean)}, sd {figure(sd)} {unit}"


def _dependence(summary: Summary) -> Iterator[str]:
    if summary.sd and summary.n < LEAST_TRIALS:
        yield (
            f"counted as independent of each other: fewer than {LEAST_TRIALS} trials hardly show "
            "whether they are"
        )
    if summary.dependent and summary.lag1 is not None:
        lag1 = f"autocorrelation {summary.lag1:+.2f}"
        if summary.lag1 < 0:
            yield (
                f"neighbouring trials are not independent ({lag1}): they swing about each other; "
                "the uncertainty of the mean is rather too large"
            )
        else:
            drifts = summary.drift is not None and summary.drift.significant
            why = "; the drift is part of it" if drifts else ""
            yield f"neighbouring trials are not independent ({lag1}){why}"


def _aside(group: Group, unit: str) -> Iterator[str]:
    """Rows that are no trials as their verdict says."""
    aside = group.series.aside
    if aside is None or group.with_aside is None:
        return
    parts = []
    if group.series.unclear:
        parts.append(f"{group.series.unclear} unclear")
    if others := aside.value.size - group.series.unclear:
        parts.append(f"{others} not-in-path where others are (was the load switched?)")
    tests = ", ".join(map(str, aside.test[:_MAX_TESTS].tolist()))
    more = ", ..." if aside.test.size > _MAX_TESTS else ""
    mean, sd = group.with_aside
    spread = f", sd {figure(sd)}" if sd is not None else ""
    yield (
        f"not counted: {' and '.join(parts)} (tests {tests}{more}). With them: mean "
        f"{figure(mean)}{spread} {unit}; --all-verdicts counts them"
    )


def _suspect(named: Named, unit: str, *, about_drift: bool) -> str:
    slip = "; volts typed for millivolts?" if named.unit_slip else ""
    if named.statistic <= named.limit:
        slip += "; seen once the others named here are set aside"
    if about_drift:
        slip += "; about the drift"
    other = f" (or test {named.or_test}: one of the two)" if named.or_test is not None else ""
    return (
        f"suspected outlier: test {named.test}{other} in {clean(named.log)}, "
        f"{figure(named.value)} {unit} (Grubbs {named.statistic:.2f}, limit {named.limit:.2f}"
        f"{slip}); it is counted"
    )


def drift_text(drift: Drift, unit: str) -> str:
    """The trend and whether chance explains it."""
    per = "h" if drift.per_hour else "trial"
    slope = f"{figure(drift.slope.value, signed=True)} {unit}/{per}"
    p = f"p {p_text(drift.slope.p)}"
    if drift.significant:
        change = f"{figure(drift.change, signed=True)} {unit}"
        return f"drifts {slope}, {change} over the series ({p})"
    return f"no drift seen ({slope}, {p})"


def bias_text(bias: Bias, unit: str, sure: str) -> str:
    """The mean against the known value."""
    value, half = rounded(bias.bias.value, bias.expanded)
    sign = "" if value.startswith("-") else "+"
    seen = "" if bias.significant else ": chance explains it"
    return (
        f"bias against {bias.known:g} {unit}: {sign}{value} ± {half} {unit} "
        f"({sure}, p {p_text(bias.bias.p)}){seen}"
    )


def stated_text(check: StatedCheck, unit: str) -> str:
    """What the spread says of the uncertainty stated with each trial."""
    seen = f"spread is {check.ratio:.2f} of the stated uncertainty"
    test = f"chi-square {figure(check.chi_square)} on {dof_text(check.dof)}, p {p_text(check.p)}"
    if check.agreement is Agreement.AGREES:
        return f"{seen}: they agree ({test})"
    if check.agreement is Agreement.TOO_SMALL:
        return f"{seen}: drop_u_mV is too small ({test})"
    return (
        f"{seen} ({test}): about {figure(check.common)} {unit} of it is common to all trials, such "
        f"as the phase of pickup; the mean does not average it down (--also {check.common:.3g} "
        "counts it)"
    )


def comparison_lines(group: Group, comparison: Comparison, study: Study) -> Iterator[str]:
    """The analysis, or why there is none."""
    names = study.question.factors
    if comparison.one_way is not None:
        yield from _one_way(group, comparison, comparison.one_way, names[0], study)
    elif comparison.crossed is not None:
        yield from _crossed(comparison.crossed, names, study)
    else:
        yield f"{clean(' and '.join(names))} cannot be compared: {clean(comparison.why_not)}"


def _one_way(
    group: Group, comparison: Comparison, found: OneWay, name: str, study: Study
) -> Iterator[str]:
    unit = study.question.unit
    sure = f"{100 * study.terms.confidence:g} %"
    differs = "differ" if found.differs else "do not differ beyond repeatability"
    yield (
        f"by {clean(name)}: levels {differs} (F {figure(found.f)} on {found.dof_between} and "
        f"{found.dof_within}, p {p_text(found.p)})"
    )
    yield (
        f"  within {figure(found.s_repeatability)} {_between(found.s_repeatability_limits)}, "
        f"between {figure(found.s_between)}, reproducibility {figure(found.s_reproducibility)} "
        f"{_between(found.s_reproducibility_limits)} {unit} "
        f"({dof_text(found.dof_reproducibility)} degrees of freedom)"
    )
    yield (
        f"  repeatability limit {figure(found.repeatability_limit)}, reproducibility limit "
        f"{figure(found.reproducibility_limit)} {unit} (2.8 standard deviations)"
    )
    doubt = _limit_doubt(group, found)
    if doubt:
        yield f"  how far two trials differ once in twenty is not said: {doubt}"
    else:
        yield (
            f"  two trials differ by more once in twenty: "
            f"{figure(found.repeatability_difference)} on one level, "
            f"{figure(found.reproducibility_difference)} {unit} on two"
        )
    expanded = comparison.expanded
    if expanded is not None:
        mean = rounded(found.mean_of_levels, expanded.u)[0]
        yield (
            f"  mean of levels {mean} {unit}, standard uncertainty {figure(expanded.u)}, expanded "
            f"{figure(expanded.expanded)} {unit} ({sure}, {dof_text(expanded.dof)} degrees of "
            "freedom)"
        )
        yield f"  {certificate(found.mean_of_levels, expanded, unit, study.terms.confidence)}"
    if comparison.bias is not None:
        yield f"  {bias_text(comparison.bias, unit, sure)}"
    names = comparison.levels[0]
    if found.cochran is not None and found.uneven_spread:
        sign = "outlier" if found.cochran.c > found.cochran.limits[1] else "straggler"
        yield (
            f"  {clean(names[found.cochran.level])} scatters more than the others: Cochran's C "
            f"{found.cochran.c:.3f}, limits {found.cochran.limits[0]:.3f} (5 %) and "
            f"{found.cochran.limits[1]:.3f} (1 %): {sign}"
        )
    for level, text in list(zip(found.levels, names, strict=True))[:MAX_LEVELS]:
        yield f"  {clean(text)}: {_level(level)}"
    if len(names) > MAX_LEVELS:
        yield f"  and {len(names) - MAX_LEVELS} levels more (all are in --json)"


def _limit_doubt(group: Group, found: OneWay) -> str:
    """Why "once in twenty" would not be true; empty where it is."""
    if found.s_repeatability == 0:
        return "nothing scatters"
    if group.suspects:
        return "there are suspected outliers"
    if found.uneven_spread:
        return "levels scatter unequally"
    summary = group.summary
    if summary is not None and summary.rho is not None and summary.rho > 0.2 and not found.differs:
        return "neighbouring trials are alike"
    return ""


def _level(level: LevelMean) -> str:
    spread = f", sd {figure(level.sd)}" if level.sd is not None else ""
    text = f"{level.n} trials, mean {figure(level.mean)}{spread}"
    for sign, value, limits in (("h", level.h, level.h_limits), ("k", level.k, level.k_limits)):
        if value is not None and limits is not None and abs(value) > limits[0]:
            kind = "outlier" if abs(value) > limits[1] else "straggler"
            text += (
                f"; Mandel's {sign} {value:.2f}: {kind} (limits {limits[0]:.2f}, {limits[1]:.2f})"
            )
    return text


def _between(limits: tuple[float, float]) -> str:
    high = "more" if math.isinf(limits[1]) else figure(limits[1])
    return f"({figure(limits[0])} to {high})"


def _crossed(found: Crossed, names: tuple[str, ...], study: Study) -> Iterator[str]:
    unit = study.question.unit
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
    if not found.balanced:
        gaps = f", {found.missing} of them without any" if found.missing else ""
        yield (
            f"  combinations are repeated unequally often{gaps}: components are estimated by least "
            "squares, F is approximate"
        )
    if not found.repeatability.dof:
        yield "  one trial each: nothing tells the interaction from repeatability"
    elif not found.interaction.dof:
        yield "  no combination is left to tell an interaction"
    elif found.pooled:
        yield "  the interaction is not significant at 25 % and counts as repeatability"
    shares = (
        ("repeatability", "repeatability", found.s_repeatability),
        (f"reproducibility ({appraiser})", "reproducibility", found.s_reproducibility),
        ("both: the gauge", "gauge", found.s_gauge),
        (part, "part", found.s_part),
        ("total", "total", found.s_total),
    )
    for name, key, s in shares:
        line = f"  sd of {name[:30]:30} {figure(s):>9} {unit} {_between(found.limits[key])}"
        if found.s_total > 0 and key != "total":
            low, high = (100 * end for end in found.share_limits[key])
            line += f"  {100 * s / found.s_total:5.1f} % of total ({low:.1f} to {high:.1f})"
        yield line
    categories = found.distinct_categories
    yield f"  distinct categories: {'-' if math.isinf(categories) else f'{categories:.1f}'}"


def _source(source: Source) -> str:
    text = f"SS {source.ss:12.5g}  df {source.dof:4d}"
    if source.f is not None and source.p is not None:
        text += f"  F {figure(source.f):>9}  p {p_text(source.p)}"
    return text
