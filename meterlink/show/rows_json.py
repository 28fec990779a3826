"""Rows of the test log as JSON: the log's columns as keys, numbers as numbers."""

import json
from collections.abc import Sequence

from meterlink.testlog.columns import row_mapping
from meterlink.testlog.rows import TestRow


def rows_json(rows: Sequence[TestRow], added: int) -> str:
    """One object: ``rows`` in order, and ``added``, how many of them are new in the log."""
    return json.dumps({"rows": [row_mapping(row) for row in rows], "added": added}, indent=2)
