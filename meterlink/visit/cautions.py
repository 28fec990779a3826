"""What must be read before the first test of a job, and the record that it was.

``cautions.jsonl`` in the job folder has one JSON object a line, append only: ``time`` (ISO 8601
with offset), ``by`` (who confirmed, as the system knows them), ``sha256`` (of the text that was
shown). It is on the disk before the first test begins. Cautions whose text has changed since are
shown again.
"""

import getpass
import hashlib
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from meterlink.errors import JobError
from meterlink.files import append_json, json_lines, why

CAUTIONS_FILE = "cautions.jsonl"
_MOST_BYTES = 1 << 20

#: Article numbers are those of ``fixtures/reference/safety_practice.csv``; the rest is common
#: practice.
CAUTIONS = (
    "Mains voltage can kill. No cover comes off and no device leaves its box while the power is "
    "on; work on or near exposed live parts is for qualified persons only (OSHA 29 CFR "
    "1910.333(c)(2)). Local code and licensed practice go before anything said here.",
    "Meter and leads must be made for mains: measurement category II at outlets, III at the panel "
    "(IEC 61010-1, IEC 61010-2-030; leads IEC 61010-031). Look them over for damage first.",
    "A lead goes into a contact only with a plug or probe made for it. See that the load is off "
    "while leads are moved.",
    "One plugged-in load draws at most 80 % of what the breaker is rated for (NEC 210.23(A)(1)); "
    "at most 12 A at a receptacle of 15 A (NEC Table 210.21(B)(2)). Extension leads for the load "
    "are rated for it and uncoiled.",
    "Ground-fault devices trip at 4 to 6 mA (UL 943), arc-fault devices perhaps when the load is "
    "switched; what they protect goes dark. Ask first what must not lose power.",
    "The load runs only as long as it is asked for, and never unattended. Where something smells, "
    "warms or discolours: load off, breaker off, stop, and have it looked at.",
    "Poor joints and hazards that are found: have a licensed electrician open and remake them.",
)


def digest(cautions: Sequence[str] = CAUTIONS) -> str:
    """SHA-256 of the cautions, as hexadecimal digits."""
    return hashlib.sha256("\n".join(cautions).encode()).hexdigest()


def are_confirmed(folder: Path, cautions: Sequence[str] = CAUTIONS) -> bool:
    """Whether these cautions were confirmed for a job.

    Raises:
        JobError: The record cannot be read.
    """
    path, wanted = folder / CAUTIONS_FILE, digest(cautions)
    try:
        lines = list(json_lines(path, most_bytes=_MOST_BYTES))
    except OSError as error:
        raise JobError(f"{path} cannot be read: {why(error)}.") from error
    return any(entry is not None and entry.get("sha256") == wanted for _, entry in lines)


def confirm(folder: Path, time: datetime, cautions: Sequence[str] = CAUTIONS) -> None:
    """Write down that the cautions were confirmed, and wait until that is on the disk.

    Raises:
        JobError: It cannot be written.
    """
    path = folder / CAUTIONS_FILE
    entry = {"time": time.isoformat(timespec="seconds"), "by": _who(), "sha256": digest(cautions)}
    try:
        append_json(path, entry)
    except OSError as error:
        raise JobError(
            f"{path} cannot be written: {why(error)}. Nothing was begun. Check "
            "that the folder is writable and the disk has room."
        ) from error


def _who() -> str:
    """The user's name where the system knows one."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""
