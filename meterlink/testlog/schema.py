"""What the columns of a log are, for programs: CSV on the Web metadata beside the file.

Format and file name: W3C Recommendation "Metadata Vocabulary for Tabular Data" (2015); a reader of
``tests.csv`` looks for ``tests.csv-metadata.json`` (section 5.3 of "Model for Tabular Data").
"""

import json
import math
from collections.abc import Sequence
from pathlib import Path

from meterlink.files import write_durably
from meterlink.testlog.columns import TABLE, Column, Kind

_NEUTRALISED = (
    "Text that a spreadsheet would take for a formula has an apostrophe in front; take one off."
)


def schema_path(log: Path) -> Path:
    """Where the schema of a log is."""
    return log.with_name(f"{log.name}-metadata.json")


def write_schema(log: Path, extra: Sequence[str] = ()) -> None:
    """Write the schema beside a log.

    Raises:
        OSError: The folder or the disk does not take it.
    """
    text = json.dumps(schema(log.name, extra), indent=1, ensure_ascii=False)
    write_durably(schema_path(log), [text.encode("utf-8"), b"\n"])


def schema(name: str, extra: Sequence[str] = ()) -> dict[str, object]:
    """CSVW metadata of a log.

    Args:
        name: File name of the log.
        extra: Columns after ours.
    """
    columns = [*map(_column, TABLE), *({"titles": name, "datatype": "string"} for name in extra)]
    return {
        "@context": "http://www.w3.org/ns/csvw",
        "url": name,
        "rdfs:comment": _NEUTRALISED,
        "dialect": {"encoding": "utf-8", "header": True, "lineTerminators": ["\r\n", "\n"]},
        "tableSchema": {"columns": columns, "primaryKey": "test"},
    }


def _column(column: Column) -> dict[str, object]:
    found: dict[str, object] = {
        "name": column.name,
        "titles": column.name,
        "dc:description": column.meaning,
        "datatype": _TYPES.get(column.kind, "string"),
    }
    if column.kind is Kind.NUMBER and math.isfinite(column.bounds[0]):
        least, most = column.bounds
        found["datatype"] = {"base": "number", "minimum": least, "maximum": most}
    if column.choices is not None:
        known = "|".join(member.value for member in column.choices)
        found["datatype"] = {"base": "string", "format": f"^(?:{known})$"}
    if column.required:
        found["required"] = True
    return found


_TYPES: dict[Kind, object] = {
    Kind.COUNT: {"base": "integer", "minimum": 0},
    Kind.NUMBER: "number",
    Kind.TIME: "dateTimeStamp",
}
