"""Test logs written for tests, in the columns of the contract."""

import csv
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

from meterlink.testlog.columns import COLUMNS

_START = datetime(2026, 3, 2, 9, tzinfo=UTC)
_USUAL = {
    "hookup": "neutral-neutral",
    "lead_a": "Desk",
    "lead_b": "Door",
    "load_at": "Bed",
    "amps": "12",
    "drop_u_mV": "1",
    "verdict": "in-path",
    "source": "live",
}


def write_log(
    path: Path,
    rows: Iterable[Mapping[str, object]],
    *,
    extra: tuple[str, ...] = (),
    without: tuple[str, ...] = (),
) -> Path:
    """Write rows a minute apart; what a row does not say is as usual."""
    columns = [name for name in (*COLUMNS, *extra) if name not in without]
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(columns)
        for place, row in enumerate(rows):
            time = (_START + timedelta(minutes=place)).isoformat()
            cells = {**_USUAL, "test": place + 1, "time": time, **row}
            writer.writerow([cells.get(name, "") for name in columns])
    return path


def drops(*values: object) -> list[dict[str, object]]:
    """Rows with these drops."""
    return [{"drop_mV": value} for value in values]
