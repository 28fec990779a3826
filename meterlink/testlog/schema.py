"""What the columns of a log are, for programs: CSV on the Web metadata beside the file.

Format and file name: W3C Recommendation "Metadata Vocabulary for Tabular Data" (2015); a reader of
``tests.csv`` looks for ``tests.csv-metadata.json`` (section 5.3 of "Model for Tabular Data").
"""

import json
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path

from meterlink.circuit.setup import Hookup, Verdict
from meterlink.files import write_durably
from meterlink.testlog.columns import COLUMNS
from meterlink.testlog.rows import Source

_MILLIVOLTS = {
    "idle_mV": "Level without load",
    "idle_sd_mV": "Standard deviation of the readings without load",
    "on_mV": "Level with the load on",
    "on_sd_mV": "Standard deviation of the readings with the load on",
    "after_mV": "Level after the load was switched off",
    "delta_mV": "On minus idle, signed, averaged over cycles",
    "drop_mV": "Voltage that the load current itself causes, freed from idle pickup",
    "drop_u_mV": "Standard uncertainty of drop_mV",
    "limit_mV": "Smallest drop that would have been seen with 95 % probability",
}
_TEXTS = {
    "lead_a": "Receptacle of the first lead",
    "lead_b": "Receptacle of the second lead, for neutral-neutral",
    "load_at": "Receptacle of the load",
    "capture": "Name of the recording in the folder captures",
    "flags": "What was noticed, names with blanks between",
    "note": "Free text",
}
_KINDS: dict[str, type[StrEnum]] = {"hookup": Hookup, "verdict": Verdict, "source": Source}
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
    columns = [*map(_column, COLUMNS), *({"titles": name, "datatype": "string"} for name in extra)]
    return {
        "@context": "http://www.w3.org/ns/csvw",
        "url": name,
        "rdfs:comment": _NEUTRALISED,
        "dialect": {"encoding": "utf-8", "header": True, "lineTerminators": ["\r\n", "\n"]},
        "tableSchema": {"columns": columns, "primaryKey": "test"},
    }


def _column(name: str) -> dict[str, object]:
    column: dict[str, object] = {"name": name, "titles": name}
    if name in ("test", "n_idle", "n_on"):
        words = {"test": "Number of the test", "n_idle": "Readings without load"}
        text = words.get(name, "Readings with the load on")
        column |= {"datatype": {"base": "integer", "minimum": 0}, "dc:description": text}
    elif name in _MILLIVOLTS:
        column |= {"datatype": "number", "dc:description": f"{_MILLIVOLTS[name]}, in millivolts"}
    elif name == "amps":
        column |= {"datatype": "number", "dc:description": "Stated current of the load, amperes"}
    elif name == "time":
        text = "Start of the test, ISO 8601 with offset"
        column |= {"datatype": "dateTimeStamp", "dc:description": text}
    elif name in _TEXTS:
        column |= {"datatype": "string", "dc:description": _TEXTS[name]}
    else:
        known = "|".join(member.value for member in _KINDS[name])
        column["datatype"] = {"base": "string", "format": f"^(?:{known})$"}
    if name in ("test", "time", "hookup", "lead_a", "load_at", "verdict", "source"):
        column["required"] = True
    return column
