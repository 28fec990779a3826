"""The job folder and its ``job.toml``: read with every doubt named, written whole or not at all.

Tables of ``job.toml``::

    [circuit]   name, receptacles, grounded (false where boxes have no ground contact), no_ground
                (receptacles without one), ring_usual (true where sockets are usually wired as
                rings), place, panel, breaker, measured_by
    [supply]    volts, hertz, breaker_amps, sub_panel (true where the breaker is in one)
    [wire]      conductor, temperature_c (of the cable as found, for lengths; 25 if left out)
    [load]      amps, amps_low (a second, lower setting), kind (heater, half-wave, direct-source)
    [meter]     stated (make, serial number, calibration)
    [rooms]           "Desk" = "Study"   (which room a receptacle is in)
    [run_lengths_m]   "Desk" = 3.5       (known length of the cable that feeds it)
"""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from pathlib import Path

import tomli_w

from meterlink.circuit.checks import checked_circuit
from meterlink.circuit.circuit import Circuit
from meterlink.errors import JobError
from meterlink.files import open_regular, why, write_durably

JOB_FILE = "job.toml"
LOG_FILE = "tests.csv"
CAPTURES = "captures"

MAX_JOB_BYTES = 256 * 1024
_KINDS = (".toml", ".csv", ".jsonl")  # the files of a job that are read

_PLACES: Mapping[tuple[str, str], str] = {  # (table, key) to attribute of Circuit
    ("circuit", "name"): "name",
    ("circuit", "receptacles"): "receptacles",
    ("circuit", "grounded"): "grounded",
    ("circuit", "no_ground"): "no_ground",
    ("circuit", "ring_usual"): "ring_usual",
    ("circuit", "place"): "place",
    ("circuit", "panel"): "panel",
    ("circuit", "breaker"): "breaker",
    ("circuit", "measured_by"): "measured_by",
    ("supply", "volts"): "volts",
    ("supply", "hertz"): "hertz",
    ("supply", "breaker_amps"): "breaker_amps",
    ("supply", "sub_panel"): "sub_panel",
    ("wire", "conductor"): "conductor",
    ("wire", "temperature_c"): "wire_temperature_c",
    ("load", "amps"): "load_amps",
    ("load", "amps_low"): "amps_low",
    ("load", "kind"): "load_kind",
    ("meter", "stated"): "meter",
}
_NAMED_TABLES = ("rooms", "run_lengths_m")  # receptacle to value; attribute of the same name
_HEADER_KEYS: Mapping[str, str] = {  # key in a capture's header to attribute of Circuit
    "name": "name",
    "receptacles": "receptacles",
    "volts": "volts",
    "hertz": "hertz",
    "amps": "load_amps",
    "breaker_amps": "breaker_amps",
    "conductor": "conductor",
    "grounded": "grounded",
    "load_kind": "load_kind",
    "amps_low": "amps_low",
    "no_ground": "no_ground",
    "ring_usual": "ring_usual",
    "sub_panel": "sub_panel",
}
_DEFAULTS = {field.name: field.default for field in fields(Circuit)}


@dataclass(frozen=True, slots=True)
class Job:
    """A job folder whose ``job.toml`` has been read.

    Attributes:
        folder: Where it is.
        circuit: What ``job.toml`` says.
        remarks: What was read and cannot be used (unknown keys, an unknown conductor).
    """

    folder: Path
    circuit: Circuit
    remarks: tuple[str, ...] = ()

    @property
    def log_path(self) -> Path:
        """The test log."""
        return self.folder / LOG_FILE

    @property
    def captures_path(self) -> Path:
        """The folder of recorded visits."""
        return self.folder / CAPTURES


def read_job(folder: Path) -> Job:
    """Read a job folder.

    Raises:
        JobError: No such folder or file, not TOML, or a value that makes no sense; the message
            names file and line.
    """
    path = folder / JOB_FILE
    _refuse_pipes(folder)
    text = _read_text(path)
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise JobError(f"{path} cannot be read: {error}. Correct that line.") from error
    except (RecursionError, ValueError) as error:  # nested too deep; a number of 5,000 digits
        raise JobError(f"{path} cannot be read as TOML: {error}.") from error
    lines = text.splitlines()

    def where(attribute: str) -> str:
        """The place of a value, as "job.toml, line 4, [supply] volts"."""
        table, key = _place_of(attribute)
        line = _line_of(lines, table, key)
        name = f"[{table}] {key}" if key else f"[{table}]"
        return f"{path}, line {line}, {name}" if line else f"{path}, {name}"

    values, remarks = _values(path, lines, tables)
    circuit, more = checked_circuit(values, where)
    return Job(folder, circuit, (*remarks, *more))


def write_job(folder: Path, circuit: Circuit) -> Job:
    """Write ``job.toml``, making the folder if it is missing. Replaces the file in one step.

    Raises:
        JobError: The folder or the disk does not take it.
    """
    path = folder / JOB_FILE
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_durably(path, [_to_toml(circuit).encode("utf-8")])
    except FileExistsError as error:
        raise JobError(f"{folder} is a file. Give a folder for the job.") from error
    except OSError as error:
        raise JobError(
            f"{path} cannot be written: {error.strerror or error}. Check that the folder is "
            "writable and the disk has room."
        ) from error
    return Job(folder, circuit)


def circuit_from_header(header: Mapping[str, object], where: str) -> tuple[Circuit, list[str]]:
    """Read the circuit that a capture's header describes.

    Args:
        header: The header's ``circuit`` object.
        where: File and line for messages.

    Returns:
        The circuit, and remarks on what cannot be used.

    Raises:
        JobError: A value makes no sense.
    """
    keys = {attribute: key for key, attribute in _HEADER_KEYS.items()}
    values = {attribute: header.get(key) for attribute, key in keys.items() if key in header}
    remarks = [
        f"{where}, circuit: {key[:40]!r} is not known and left aside."
        for key in header
        if key not in _HEADER_KEYS
    ]
    circuit, more = checked_circuit(
        values, lambda attribute: f"{where}, circuit.{keys.get(attribute, attribute)}"
    )
    return circuit, [*remarks, *more]


def header_of(circuit: Circuit) -> dict[str, object]:
    """What a capture's header says of a circuit; ``circuit_from_header`` reads it again."""
    values = {
        key: getattr(circuit, attribute)
        for key, attribute in _HEADER_KEYS.items()
        if attribute == "grounded" or getattr(circuit, attribute) != _DEFAULTS[attribute]
    }
    return {key: _plain(value) for key, value in values.items() if value is not None}


def _refuse_pipes(folder: Path) -> None:
    """Refuse a job with a pipe or device in the place of one of its files: reading it may hang.

    Raises:
        JobError: There is one.
    """
    for path in (found for kind in _KINDS for found in sorted(folder.glob(f"*{kind}"))):
        if path.exists() and not path.is_file() and not path.is_dir():
            raise JobError(f"{path} is a device or pipe, no file. Move it away.")


def _read_text(path: Path) -> str:
    try:
        with open_regular(path) as stream:
            data = stream.read(MAX_JOB_BYTES + 1)
    except FileNotFoundError as error:
        raise JobError(
            f"{path} is not there. Give a job folder, or make one: 'meterlink start {path.parent}' "
            f"describes a circuit, 'meterlink replay CAPTURE --job {path.parent}' takes it from a "
            "recording."
        ) from error
    except NotADirectoryError as error:
        raise JobError(
            f"{path.parent} is a file. Give the job folder, the one with {JOB_FILE} in it."
        ) from error
    except OSError as error:
        raise JobError(f"{path} cannot be read: {why(error)}.") from error
    if len(data) > MAX_JOB_BYTES:
        raise JobError(f"{path} has more than {MAX_JOB_BYTES // 1024} KiB; that is no job.toml.")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise JobError(f"{path}, line {line} is not UTF-8 text. Save the file as UTF-8.") from error


def _values(
    path: Path, lines: list[str], tables: Mapping[str, object]
) -> tuple[dict[str, object], list[str]]:
    """Values by attribute of ``Circuit``, and a remark for each key that has no meaning."""
    values: dict[str, object] = {}
    remarks: list[str] = []
    known_tables = {table for table, _ in _PLACES}
    for table, content in tables.items():
        if table in _NAMED_TABLES:
            values[table] = content
        elif table not in known_tables or not isinstance(content, Mapping):
            remarks.append(_unknown(path, lines, table, ""))
        else:
            for key, value in content.items():
                if (table, key) in _PLACES:
                    values[_PLACES[table, key]] = value
                else:
                    remarks.append(_unknown(path, lines, table, key))
    return values, remarks


def _unknown(path: Path, lines: list[str], table: str, key: str) -> str:
    known = [k for t, k in _PLACES if t == table] or sorted({t for t, _ in _PLACES})
    name = f"[{table[:40]}] {key[:40]}".rstrip()
    return (
        f"{path}, line {_line_of(lines, table, key)}: {name!r} is not known and left aside. "
        f"Known there: {', '.join(known)}."
    )


def _place_of(attribute: str) -> tuple[str, str]:
    for place, name in _PLACES.items():
        if name == attribute:
            return place
    return attribute, ""


def _line_of(lines: list[str], table: str, key: str) -> int:
    """Number of the line where a key (or else its table) stands, 0 where it is not found."""
    heading = re.compile(rf"\s*\[\s*[\"']?{re.escape(table)}[\"']?\s*\]")
    assignment = re.compile(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=")
    start = next((n for n, line in enumerate(lines) if heading.match(line)), None)
    if start is None:
        return 0
    for number in range(start + 1, len(lines)):
        if lines[number].lstrip().startswith("["):
            break
        if key and assignment.match(lines[number]):
            return number + 1
    return start + 1


def _to_toml(circuit: Circuit) -> str:
    tables: dict[str, dict[str, object]] = {}
    for (table, key), attribute in _PLACES.items():
        value = getattr(circuit, attribute)
        if value is not None and value != _DEFAULTS[attribute]:
            tables.setdefault(table, {})[key] = _plain(value)
    for table in _NAMED_TABLES:
        if named := getattr(circuit, table):
            tables[table] = dict(named)
    return tomli_w.dumps(tables)


def _plain(value: object) -> object:
    """Whole numbers without a decimal point, lists for tuples: as a person would write them."""
    if isinstance(value, tuple):
        return list(value)
    if isinstance(value, StrEnum):
        return value.value
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return value
