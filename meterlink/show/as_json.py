"""Map and rows as ``--json`` prints them: a contract for scripts."""

import json
import math
from collections.abc import Mapping, Sequence

from meterlink.testlog.columns import TestRow, row_mapping
from meterlink.tree.wiring import Condition, Point, Splice, WiringMap


def map_json(wiring_map: WiringMap, more: Mapping[str, object] | None = None) -> str:
    """One JSON object; keys after ``tests`` are additions and may grow.

    Probabilities have six decimals, so that 0.9999997 does not read as certain from a script's
    ``< 1`` either; milliohms have three, metres two. What is not known is ``null``. Keys in
    ``more`` come last.
    """
    return json.dumps({**as_mapping(wiring_map), **(more or {})}, indent=2, allow_nan=False)


def as_mapping(wiring_map: WiringMap) -> Mapping[str, object]:
    """The object itself, before it is text."""
    loop = wiring_map.loop
    return {
        "first": {
            "receptacle": wiring_map.first.receptacle,
            "probability": _probability(wiring_map.first.probability),
        },
        "settled": wiring_map.settled,
        "points": [_run(point) for point in wiring_map.points],
        "splices": [_run(splice) for splice in wiring_map.splices],
        "doubts": [
            {"test": doubt.test, "probability": _probability(doubt.probability), "why": doubt.why}
            for doubt in wiring_map.doubts
        ],
        "tests": wiring_map.tests,
        "order_probability": _probability(wiring_map.order_probability),
        "poor_joints": [
            {
                "run_to": joint.run_to,
                "side": joint.side,
                "probability": _probability(joint.probability),
                "excess_mohm": _rounded(joint.excess_mohm, 3),
                "excess_u_mohm": _rounded(joint.excess_u_mohm, 3),
                "heat_w": _rounded(joint.heat_w, 2),
            }
            for joint in wiring_map.poor_joints
        ],
        "unseparated": [list(group) for group in wiring_map.unseparated],
        "untested": list(wiring_map.untested),
        "notes": list(wiring_map.notes),
        "conditions": [_condition(one) for one in wiring_map.conditions],
        "loop": None
        if loop is None
        else {
            "probability": _probability(loop.probability),
            "order": list(loop.order),
            "run_mohm": [_rounded(value, 3) for value in loop.run_mohm],
            "starts_at": loop.starts_at,
            "each_way_mohm": [
                [_rounded(one, 3), _rounded(other, 3)] for one, other in loop.each_way_mohm()
            ],
            "spurs": [
                {"name": s.name, "fed_from": s.fed_from, "run_mohm": _rounded(s.run_mohm, 3)}
                for s in loop.spurs
            ],
        },
    }


def _condition(condition: Condition) -> dict[str, object]:
    named = {"test": condition.test, "meant": condition.meant} if condition.test else {}
    return {
        "name": condition.name,
        "at": condition.at,
        "probability": _probability(condition.probability),
        "why": condition.why,
        "what_to_do": condition.what_to_do,
        "hazard": condition.hazard,
        **named,
    }


def _run(point: Point | Splice) -> dict[str, object]:
    return {
        "name": point.name,
        "fed_from": point.fed_from,
        "probability": _probability(point.probability),
        "run_mohm": _rounded(point.run_mohm, 3),
        "run_u_mohm": _rounded(point.run_u_mohm, 3),
        "run_m": _rounded(point.run_m, 2),
        "flags": list(point.flags),
    }


def _probability(value: float) -> float | None:
    return _rounded(value, 6)


def _rounded(value: float | None, digits: int) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits)


def rows_json(rows: Sequence[TestRow], added: int) -> str:
    """One object: ``rows`` in order, and ``added``, how many of them are new in the log."""
    return json.dumps({"rows": [row_mapping(row) for row in rows], "added": added}, indent=2)
