"""Rows of the test log as JSON: the log's columns as keys, numbers as numbers."""

import json
from collections.abc import Sequence

from meterlink.testlog.rows import TestRow


def rows_json(rows: Sequence[TestRow], added: int) -> str:
    """One object: ``rows`` in order, and ``added``, how many of them are new in the log."""
    return json.dumps(
        {"rows": [row_mapping(row) for row in rows], "added": added}, ensure_ascii=False, indent=2
    )


def row_mapping(row: TestRow) -> dict[str, object]:
    """A row with the names of the log's columns; ``None`` where not known."""
    return {
        "test": row.test,
        "time": row.time.isoformat(timespec="milliseconds"),
        "hookup": row.setup.hookup.value,
        "lead_a": row.setup.lead_a,
        "lead_b": row.setup.lead_b,
        "load_at": row.setup.load_at,
        "amps": row.amps,
        "idle_mV": row.idle_mv,
        "idle_sd_mV": row.idle_sd_mv,
        "on_mV": row.on_mv,
        "on_sd_mV": row.on_sd_mv,
        "after_mV": row.after_mv,
        "delta_mV": row.delta_mv,
        "drop_mV": row.drop_mv,
        "drop_u_mV": row.drop_u_mv,
        "limit_mV": row.limit_mv,
        "verdict": row.verdict.value,
        "n_idle": row.n_idle,
        "n_on": row.n_on,
        "source": row.source.value,
        "capture": row.capture,
        "flags": list(row.flags),
        "note": row.note,
    }
