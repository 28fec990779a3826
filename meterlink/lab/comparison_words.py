"""What a comparison by factors says, in words for a terminal."""

import math
from collections.abc import Iterator

from meterlink.lab.crossed import Crossed, Source
from meterlink.lab.oneway import OneWay
from meterlink.lab.quantiles import coverage_factor
from meterlink.lab.study import Comparison, Study
from meterlink.lab.words import dof_text, figure, p_text
from meterlink.show.text_width import clean

MAX_LEVELS = 30  # of a factor, in words


def comparison_lines(comparison: Comparison, study: Study) -> Iterator[str]:
    """The analysis, or why there is none."""
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
        f"{found.dof_within}, p {p_text(found.p)})"
    )
    yield (
        f"  within {figure(found.s_repeatability)}, between {figure(found.s_between)}, "
        f"reproducibility {figure(found.s_reproducibility)} {unit} "
        f"({dof_text(found.dof_reproducibility)} degrees of freedom)"
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
        text += f"  F {figure(source.f):>9}  p {p_text(source.p)}"
    return text
