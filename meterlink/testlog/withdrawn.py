"""``withdrawn.jsonl``: tests that a person took back after they were logged.

The log is append only, so a test that was done at the wrong receptacle stays in it. Here stands
that it does not count: one JSON object a line, append only: ``test`` (its number), ``time`` (of the
withdrawing, ISO 8601 with offset), ``why``. Whoever reads the log for an answer leaves these out.
"""

import json
import os
from collections.abc import Collection
from datetime import datetime
from pathlib import Path

from meterlink.circuit.job import LOG_FILE
from meterlink.durable import sync_folder
from meterlink.errors import LogError

WITHDRAWN_FILE = "withdrawn.jsonl"
_MOST_BYTES = 16 << 20
_MOST_WHY = 500
_MOST_NAMED = 20  # numbers in a sentence


def withdrawn_tests(folder: Path) -> dict[int, str]:
    """Numbers of the tests that were taken back, with the reason.

    A line that cannot be read (torn by a power cut) withdraws nothing.

    Raises:
        LogError: The file cannot be read.
    """
    path = folder / WITHDRAWN_FILE
    try:
        with path.open("rb") as stream:
            lines = stream.read(_MOST_BYTES).splitlines()
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise LogError(f"{path} cannot be read: {os.strerror(error.errno or 0)}.") from error
    return dict(pair for line in lines if (pair := _pair(line)) is not None)


def withdrawn_from(log: Path) -> dict[int, str]:
    """The same for the log of a job folder; empty for a log that lies elsewhere.

    Raises:
        LogError: The file cannot be read.
    """
    return withdrawn_tests(log.parent) if log.name == LOG_FILE else {}


def left_out_text(log: object, tests: Collection[int]) -> str:
    """That tests of a log do not count, how many and which, one sentence."""
    many = len(tests) != 1
    shown = ", ".join(map(str, sorted(tests)[:_MOST_NAMED]))
    more = f" and {len(tests) - _MOST_NAMED} more" if len(tests) > _MOST_NAMED else ""
    return (
        f"{log}: {len(tests)} test{'s were' if many else ' was'} taken back and "
        f"{'are' if many else 'is'} left out: {shown}{more} ({WITHDRAWN_FILE})."
    )


def withdraw(folder: Path, test: int, time: datetime, why: str = "") -> None:
    """Write down that a test does not count, and wait until that is on the disk.

    Raises:
        LogError: It cannot be written.
    """
    path = folder / WITHDRAWN_FILE
    entry = {"test": test, "time": time.isoformat(timespec="seconds"), "why": why[:_MOST_WHY]}
    try:
        with path.open("a+b") as stream:
            size = stream.seek(0, os.SEEK_END)
            stream.seek(max(size - 1, 0))
            torn = b"" if stream.read(1) in (b"", b"\n") else b"\n"
            stream.write(torn + json.dumps(entry).encode() + b"\n")
            stream.flush()
            os.fsync(stream.fileno())
        sync_folder(folder)
    except OSError as error:
        raise LogError(
            f"{path} cannot be written: {os.strerror(error.errno or 0)}. The test still counts. "
            "Check that the folder is writable and the disk has room, then try again."
        ) from error


def _pair(line: bytes) -> tuple[int, str] | None:
    try:
        entry = json.loads(line)
    except (ValueError, RecursionError):
        return None
    if not isinstance(entry, dict) or not isinstance(entry.get("test"), int):
        return None
    return entry["test"], str(entry.get("why", ""))
