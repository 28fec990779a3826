"""The evaluation as text, as JSON and as CSV.

JSON and CSV have every figure, ``null`` or empty where there is none. As text a few series come in
full, many as a table with remarks below.
"""

import csv
import io
import json
import math
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from meterlink.lab.crossed import SHARES, Crossed
from meterlink.lab.one_way import OneWay
from meterlink.lab.series import Agreement, Drift
from meterlink.lab.study import Comparison, Group, Study
from meterlink.lab.uncertainty import figure, p_text, rounded
from meterlink.lab.wording import (
    bias_text,
    comparison_lines,
    drift_text,
    group_lines,
    remark_lines,
    stated_text,
)
from meterlink.show.format import clean
from meterlink.testlog.columns import neutralised

#: Names that the first columns of the CSV have, beside the names that they have in the JSON.
CSV_COLUMNS = {
    "n": "n",
    "mean": "mean",
    "sd": "sd",
    "u_mean": "u_mean",
    "interval_low": "interval.0",
    "interval_high": "interval.1",
    "u": "expanded.u",
    "dof": "expanded.dof",
    "k": "expanded.k",
    "expanded": "expanded.expanded",
    "lowest": "lowest",
    "highest": "highest",
    "lag1": "lag1",
    "slope": "drift.slope",
    "slope_per": "drift.per",
    "slope_p": "drift.p",
    "stated_ratio": "stated.ratio",
    "stated_p": "stated.p",
    "stated_agreement": "stated.agreement",
    "suspects": "",
    "without_value": "without_value",
    "flagged": "flagged",
}
#: Lists of unequal length: one cell of the CSV holds all of it, as JSON.
_LISTS = {"suspects", "levels", "verdicts", "not_counted", "factors"}


def study_json(study: Study) -> str:
    """The evaluation as one JSON object."""
    question, terms = study.question, study.terms
    content = {
        "value": f"{question.value} per amp" if question.per_amp else question.value,
        "unit": question.unit,
        "confidence": terms.confidence,
        "resolution": terms.resolution,
        "known": terms.known and {"value": terms.known[0], "u": terms.known[1]},
        "components": [asdict(one) for one in terms.components],
        "logs": list(study.logs),
        "grouped_by": list(question.groups),
        "compared_by": list(question.factors),
        "groups": [_group(group, study) for group in study.groups],
        "left_out": [{"log": log, "test": test} for log, test in sorted(question.left_out)],
        "left_out_by_condition": dict(study.filtered),
        "withdrawn": [{"log": log, "test": test} for log, test in study.withdrawn],
        "unusable_rows": study.problem_count,
        "unusable_because": dict(study.reasons),
        "problems": list(study.problems),
        "remarks": list(study.remarks),
    }
    return json.dumps(_plain(content), indent=1, allow_nan=False)


def study_csv(study: Study) -> str:
    """One row a group, as RFC 4180 has it.

    What it has in common, then ``CSV_COLUMNS``, then every other figure of the JSON under its path.
    """
    rows = [dict(_flat("", _plain(_group(group, study)))) for group in study.groups]
    usual = {path for path in CSV_COLUMNS.values() if path}
    skipped = ("name", "key.")
    more = dict.fromkeys(
        path for row in rows for path in row if path not in usual and not path.startswith(skipped)
    )
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    names = ["suspects.all" if path == "suspects" else path for path in more]
    writer.writerow([*study.question.groups, *CSV_COLUMNS, *names])
    for group, row in zip(study.groups, rows, strict=True):
        row[""] = " ".join(str(named.test) for named in group.suspects)
        cells = [row.get(path) for path in (*CSV_COLUMNS.values(), *more)]
        writer.writerow(
            [*map(neutralised, group.key)]
            + ["" if cell is None else neutralised(cell) if isinstance(cell, str) else cell
               for cell in cells]
        )  # fmt: skip
    return text.getvalue()


def _flat(path: str, value: Any) -> Iterator[tuple[str, Any]]:
    """Figures by path, such as ``drift.slope``; lists of any length as they stand, in JSON."""
    if path.rpartition(".")[2] in _LISTS:
        yield path, json.dumps(value)
    elif isinstance(value, dict):
        for name, item in value.items():
            yield from _flat(f"{path}.{name}".removeprefix("."), item)
    elif isinstance(value, list):
        for place, item in enumerate(value):
            yield from _flat(f"{path}.{place}", item)
    else:
        yield path, value


def _group(group: Group, study: Study) -> dict[str, Any]:
    summary = group.summary
    content: dict[str, Any] = {
        "name": group.name,
        "key": dict(zip(study.question.groups, group.key, strict=True)),
        "n": summary.n if summary else 0,
        "without_value": group.tally.empty,
        "flagged": group.tally.flagged,
        "verdicts": group.tally.verdicts,
        "not_counted": _aside(group),
        "with_not_counted": group.with_aside
        and dict(zip(("mean", "sd"), group.with_aside, strict=True)),
    }
    if summary is None:
        return content
    content |= {name: value for name, value in asdict(summary).items() if name != "drift"}
    content["suspects"] = [asdict(named) for named in group.suspects]
    content["suspects_about_drift"] = group.about_drift
    content["without_suspects"] = group.without_suspects and dict(
        zip(("mean", "sd"), group.without_suspects, strict=True)
    )
    content["values_in_another_unit"] = group.slipped
    content["drift"] = summary.drift and _drift(summary.drift)
    if summary.bias is not None:
        content["bias"] |= {"p": summary.bias.bias.p, "significant": summary.bias.significant}
    if summary.expanded is not None:
        content["certificate"] = dict(
            zip(
                ("value", "expanded"), rounded(summary.mean, summary.expanded.expanded), strict=True
            )
        )
    if group.comparison is not None:
        content["comparison"] = _comparison(group.comparison, study)
    return content


def _aside(group: Group) -> list[dict[str, Any]]:
    aside = group.series.aside
    if aside is None:
        return []
    return [
        {"test": int(test), "value": float(value)}
        for test, value in zip(aside.test, aside.value, strict=True)
    ]


def _drift(drift: Drift) -> dict[str, Any]:
    return {
        "slope": drift.slope.value,
        "u_slope": drift.slope.u,
        "dof": drift.slope.dof,
        "p": drift.slope.p,
        "per": "hour" if drift.per_hour else "trial",
        "change": drift.change,
        "sd": drift.sd,
        "significant": drift.significant,
    }


def _comparison(comparison: Comparison, study: Study) -> dict[str, Any]:
    if comparison.one_way is not None:
        bias = comparison.bias
        return {
            **_one_way(comparison.one_way, study.question.factors[0], comparison.levels[0]),
            "expanded": comparison.expanded and asdict(comparison.expanded),
            "bias": bias and {**asdict(bias), "p": bias.bias.p, "significant": bias.significant},
        }
    if comparison.crossed is not None:
        return _crossed(comparison.crossed, study.question.factors, comparison.levels)
    return {"kind": None, "why_not": comparison.why_not}


def _one_way(found: OneWay, factor: str, names: tuple[str, ...]) -> dict[str, Any]:
    levels = [
        {"level": name, **asdict(level)} for name, level in zip(names, found.levels, strict=True)
    ]
    return {
        **asdict(found),
        "kind": "one-way",
        "factor": factor,
        "levels": levels,
        "differs": found.differs,
        "repeatability_limit": found.repeatability_limit,
        "reproducibility_limit": found.reproducibility_limit,
        "repeatability_difference": found.repeatability_difference,
        "reproducibility_difference": found.reproducibility_difference,
        "uneven_spread": found.uneven_spread,
    }


def _crossed(
    found: Crossed, factors: tuple[str, ...], levels: tuple[tuple[str, ...], ...]
) -> dict[str, Any]:
    return {
        **asdict(found),
        "kind": "crossed",
        "factors": dict(zip(factors, levels, strict=True)),
        "s_reproducibility": found.s_reproducibility,
        "s_gauge": found.s_gauge,
        "s_total": found.s_total,
        "shares": {
            name: getattr(found, f"s_{name}") / found.s_total if found.s_total else None
            for name in SHARES
        },
        "distinct_categories": found.distinct_categories,
    }


def _plain(value: Any) -> Any:
    """The same with ``None`` for what JSON has no number for."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


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
