"""What one series of trials says, in words for a terminal."""

from collections.abc import Iterator

from meterlink.lab.comparison_words import comparison_lines
from meterlink.lab.stated import Agreement, StatedCheck
from meterlink.lab.study import Group, Study
from meterlink.lab.summary import Drift, Summary
from meterlink.lab.words import dof_text, figure, p_text
from meterlink.show.text_width import clean


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
        yield from (f"  {line}" for line in comparison_lines(group.comparison, study))


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
            f"{dof_text(expanded.dof)} degrees of freedom)"
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
                f"neighbouring trials are not independent (autocorrelation {summary.lag1:+.2f}): "
                f"the uncertainty of the mean is too {'small' if summary.lag1 > 0 else 'large'}"
            )
        if summary.stated is not None:
            yield stated_text(summary.stated, unit)
    for named in group.suspects:
        slip = "; volts typed for millivolts?" if named.unit_slip else ""
        if named.statistic <= named.limit:
            slip += "; seen once the others named here are set aside"
        yield (
            f"suspected outlier: test {named.test} in {clean(named.log)}, {figure(named.value)} "
            f"{unit} (Grubbs {named.statistic:.2f}, limit {named.limit:.2f}{slip}); it is counted"
        )
    if group.without_suspects is not None:
        mean, sd = group.without_suspects
        yield f"without what is suspected: mean {figure(mean)}, sd {figure(sd)} {unit}"


def drift_text(drift: Drift, unit: str) -> str:
    """The trend and whether chance explains it."""
    per = "h" if drift.per_hour else "trial"
    slope = f"{figure(drift.line.slope, signed=True)} {unit}/{per}"
    if drift.significant:
        change = f"{figure(drift.change, signed=True)} {unit}"
        return f"drifts {slope}, {change} over the series (p {p_text(drift.line.p)})"
    return f"no drift seen ({slope}, p {p_text(drift.line.p)})"


def stated_text(check: StatedCheck, unit: str) -> str:
    """What the spread says of the uncertainty stated with each trial."""
    seen = f"spread is {check.ratio:.2f} of the stated uncertainty"
    test = f"chi-square {check.chi_square:.1f} on {check.dof}, p {p_text(check.p)}"
    if check.agreement is Agreement.AGREES:
        return f"{seen}: they agree ({test})"
    if check.agreement is Agreement.TOO_SMALL:
        return f"{seen}: drop_u_mV is too small ({test})"
    return (
        f"{seen} ({test}): about {figure(check.common)} {unit} of it is common to all trials, such "
        f"as the phase of pickup; the mean does not average it down (--also {check.common:.3g} "
        "counts it)"
    )


def _counts(group: Group, summary: Summary) -> str:
    tally = group.tally
    parts = [f"{summary.n} trials" if summary.n != 1 else "1 trial: no spread can be given"]
    if tally.empty:
        parts.append(f"{tally.empty} rows without a value")
    if tally.flagged:
        parts.append(f"{tally.flagged} flagged")
    parts += [f"{count} {clean(verdict)}" for verdict, count in sorted(tally.verdicts.items())]
    return ", ".join(parts)
