"""``withdrawn.jsonl``: tests that a person took back after they were logged.

The log is append only, so a test that was done at the wrong receptacle stays in it. Here stands
that it does not count: one JSON object a line, append only: ``test`` (its number), ``time`` (of the
withdrawing, ISO 8601 with offset), ``why``. Whoever reads the log for an answer leaves these out.
"""

from collections.abc import Callable, Collection
from datetime import datetime
from pathlib import Path

from meterlink.circuit.job import LOG_FILE
from meterlink.errors import LogError
from meterlink.files import append_json, json_lines, why, writing_alone

WITHDRAWN_FILE = "withdrawn.jsonl"
_MOST_BYTES = 16 << 20
_MOST_WHY = 500
_MOST_NAMED = 20  # numbers in a sentence


def withdrawn_tests(
    folder: Path, on_problem: Callable[[str], None] = lambda _: None
) -> dict[int, str]:
    """Numbers of the tests that were taken back, with the reason.

    Args:
        folder: Of the job.
        on_problem: Called with a sentence for each line that cannot be read (torn by a power cut,
            or written by hand); it withdraws nothing.

    Raises:
        LogError: The file cannot be read.
    """
    path = folder / WITHDRAWN_FILE
    found: dict[int, str] = {}
    try:
        for line, entry in json_lines(path, most_bytes=_MOST_BYTES):
            test = (entry or {}).get("test")
            if entry is None or type(test) is not int or test < 1:  # true is no number of a test
                on_problem(f"{path}, line {line}: it names no test; it takes none back.")
            else:
                found[test] = str(entry.get("why", ""))
    except OSError as error:
        raise LogError(f"{path} cannot be read: {why(error)}.") from error
    return found


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


def withdraw(folder: Path, test: int, time: datetime, reason: str = "") -> None:
    """Write down that a test does not count, and wait until that is on the disk.

    Raises:
        LogError: It cannot be written.
    """
    path = folder / WITHDRAWN_FILE
    entry = {"test": test, "time": time.isoformat(timespec="seconds"), "why": reason[:_MOST_WHY]}
    try:
        with writing_alone(path):
            append_json(path, entry)
    except OSError as error:
        raise LogError(
            f"{path} cannot be written: {why(error)}. The test still counts. "
            "Check that the folder is writable and the disk has room, then try again."
        ) from error
