"""The evaluation as JSON and as CSV: every figure, ``null`` or empty where there is none."""

import csv
import io
import json
import math
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from meterlink.lab.crossed import Crossed
from meterlink.lab.oneway import OneWay
from meterlink.lab.study import Comparison, Group, Study
from meterlink.testlog.formula import neutralised

CSV_COLUMNS = (
    "n",
    "mean",
    "sd",
    "u_mean",
    "interval_low",
    "interval_high",
    "u",
    "dof",
    "k",
    "expanded",
    "lowest",
    "highest",
    "lag1",
    "slope",
    "slope_per",
    "slope_p",
    "stated_ratio",
    "stated_p",
    "stated_agreement",
    "suspects",
    "without_value",
    "flagged",
)


def study_json(study: Study) -> str:
    """The evaluation as one JSON object."""
    question = study.question
    content = {
        "value": f"{question.value} per amp" if question.per_amp else question.value,
        "unit": question.unit,
        "confidence": study.confidence,
        "logs": list(study.logs),
        "grouped_by": list(question.groups),
        "compared_by": list(question.factors),
        "groups": [_group(group, study) for group in study.groups],
        "left_out": [{"log": log, "test": test} for log, test in sorted(question.left_out)],
        "withdrawn": [{"log": log, "test": test} for log, test in study.withdrawn],
        "unusable_rows": study.problem_count,
        "problems": list(study.problems),
        "remarks": list(study.remarks),
    }
    return json.dumps(_plain(content), indent=1, allow_nan=False)


def study_csv(study: Study) -> str:
    """One row a group: what it has in common, then ``CSV_COLUMNS``, as RFC 4180 has it."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([*study.question.groups, *CSV_COLUMNS])
    for group in study.groups:
        figures = _plain(dict(_csv_figures(group)))
        cells = [neutralised(part) for part in group.key]
        cells += ["" if figures[name] is None else str(figures[name]) for name in CSV_COLUMNS]
        writer.writerow(cells)
    return text.getvalue()


def _group(group: Group, study: Study) -> dict[str, Any]:
    summary = group.summary
    content: dict[str, Any] = {
        "name": group.name,
        "key": dict(zip(study.question.groups, group.key, strict=True)),
        "n": summary.n if summary else 0,
        "without_value": group.tally.empty,
        "flagged": group.tally.flagged,
        "verdicts": group.tally.verdicts,
    }
    if summary is None:
        return content
    content |= {
        name: getattr(summary, name)
        for name in ("mean", "sd", "lowest", "highest", "u_mean", "interval", "lag1")
    }
    content["expanded"] = asdict(summary.expanded) if summary.expanded else None
    content["stated"] = asdict(summary.stated) if summary.stated else None
    content["suspects"] = [asdict(named) for named in group.suspects]
    content["without_suspects"] = group.without_suspects and dict(
        zip(("mean", "sd"), group.without_suspects, strict=True)
    )
    drift = summary.drift
    content["drift"] = drift and {
        **{name: getattr(drift.line, name) for name in ("slope", "u_slope", "dof", "p")},
        "per": "hour" if drift.per_hour else "trial",
        "change": drift.change,
        "significant": drift.significant,
    }
    if group.comparison is not None:
        content["comparison"] = _comparison(group.comparison, study)
    return content


def _comparison(comparison: Comparison, study: Study) -> dict[str, Any]:
    if comparison.one_way is not None:
        return _one_way(comparison.one_way, study.question.factors[0], comparison.levels[0])
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
        "repeatability_limit": found.repeatability_limit,
        "reproducibility_limit": found.reproducibility_limit,
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
        "distinct_categories": found.distinct_categories,
    }


def _csv_figures(group: Group) -> Iterator[tuple[str, Any]]:
    s = group.summary
    expanded, drift, stated = (s.expanded, s.drift, s.stated) if s else (None, None, None)
    yield "n", s.n if s else 0
    for name in ("mean", "sd", "u_mean", "lowest", "highest", "lag1"):
        yield name, getattr(s, name) if s else None
    yield "interval_low", s.interval[0] if s and s.interval else None
    yield "interval_high", s.interval[1] if s and s.interval else None
    for name in ("u", "dof", "k", "expanded"):
        yield name, getattr(expanded, name) if expanded else None
    yield "slope", drift.line.slope if drift else None
    yield "slope_per", ("hour" if drift.per_hour else "trial") if drift else None
    yield "slope_p", drift.line.p if drift else None
    yield "stated_ratio", stated.ratio if stated else None
    yield "stated_p", stated.p if stated else None
    yield "stated_agreement", stated.agreement.value if stated else None
    yield "suspects", " ".join(str(named.test) for named in group.suspects)
    yield "without_value", group.tally.empty
    yield "flagged", group.tally.flagged


def _plain(value: Any) -> Any:
    """The same with ``None`` for what JSON has no number for."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
