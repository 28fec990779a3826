"""What a person adds beside the log: findings with the power off, and tests that are removed.

``isolation.csv``: what was found with the power off, one row a receptacle looked at. RFC 4180,
UTF-8, header row first, append only like ``tests.csv``. Columns: ``finding`` (1, 2, 3 …), ``time``
(ISO 8601 with offset), ``cut`` (``parted``: the onward conductors disconnected; ``tripped``,
``breaker-off``, ``others-off``), ``at`` (where the conductors were disconnected or the device was
tripped; empty for a breaker), ``receptacle``, ``found`` (``live`` or ``dead``), ``note``. Rows are
on the disk before ``append_findings`` returns; a half row at the end (the power failed) is moved to
``isolation.csv.torn`` by the next writer and left out by readers.

``withdrawn.jsonl``: tests that a person removed after they were logged. The log is append only, so
a test that was done at the wrong receptacle stays in it. Here stands that it does not count: one
JSON object a line, append only: ``test`` (its number), ``time`` (of the removal, ISO 8601 with
offset), ``why``. Whoever reads the log for an answer leaves these out.
"""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path

from meterlink.circuit.job import LOG_FILE
from meterlink.errors import LogError
from meterlink.files import (
    AppendFile,
    append_json,
    is_missing_or_empty,
    json_lines,
    keep_torn,
    open_regular,
    why,
    write_durably,
    writing_alone,
)
from meterlink.testlog.columns import neutralised, restored
from meterlink.testlog.reader import Damage, RecordReader, TooDamagedError, record_bytes


class Cut(StrEnum):
    """What was switched off or disconnected when it was looked."""

    DISCONNECTED = (
        "parted"  # onward conductors disconnected from the feed at a receptacle, breaker on
    )
    BREAKER_OFF = "breaker-off"  # this circuit's breaker off, the others on
    OTHERS_OFF = "others-off"  # this circuit's breaker on, the others off
    TRIPPED = "tripped"  # the test button of a protective device at a receptacle pressed


AT_A_RECEPTACLE = (Cut.DISCONNECTED, Cut.TRIPPED)


class State(StrEnum):
    """What a receptacle was found to be."""

    LIVE = "live"
    DEAD = "dead"


@dataclass(frozen=True, slots=True)
class Finding:
    """One receptacle looked at.

    Attributes:
        number: Of the finding in its log, from 1.
        time: When it was entered, with offset.
        cut: What was off.
        at: The receptacle that was opened, or whose device was tripped; ``None`` for a breaker.
        receptacle: The one that was looked at.
        state: Live or dead.
        note: Free text.
    """

    number: int
    time: datetime
    cut: Cut
    at: str | None
    receptacle: str
    state: State
    note: str = ""


FINDINGS_FILE = "isolation.csv"
COLUMNS = ("finding", "time", "cut", "at", "receptacle", "found", "note")
MOST_BYTES = 64 << 20
MOST_FINDINGS = 10_000  # forty receptacles looked at for each of the others, many times


def read_findings(folder: Path, tell: Callable[[str], None]) -> list[Finding]:
    """The findings of a job; none where nothing was looked at yet.

    Args:
        folder: Of the job.
        tell: Called with a sentence for each row that cannot be read; it is left out.

    Raises:
        LogError: The file cannot be read, or is no log of findings.
    """
    path = folder / FINDINGS_FILE
    try:
        with open_regular(path) as stream:
            return list(_findings(path, RecordReader(stream, _why_not), tell))
    except FileNotFoundError:
        return []
    except TooDamagedError as error:
        raise LogError(f"{path} is no log of findings: {error}. Move it away.") from error
    except OSError as error:
        raise LogError(f"{path} cannot be read: {why(error)}. Check its permissions.") from error


def append_findings(folder: Path, findings: Sequence[Finding]) -> list[Finding]:
    """Write findings, all or none, and wait until they are on the disk.

    Returns:
        The findings with their numbers.

    Raises:
        LogError: Another process is writing, or the file cannot be read or written.
    """
    path = folder / FINDINGS_FILE
    try:
        with writing_alone(path):
            return _append(path, findings)
    except OSError as error:
        raise LogError(
            f"{path} cannot be written: {why(error)}. Nothing that was in it is lost. Check that "
            "the folder is writable and the disk has room, then try again."
        ) from error


def _append(path: Path, findings: Sequence[Finding]) -> list[Finding]:
    if is_missing_or_empty(path):
        write_durably(path, [record_bytes(list(COLUMNS))])
    with AppendFile(path) as file:
        torn = file.size - (file.read(0, MOST_BYTES).rfind(b"\n") + 1)
        if torn and keep_torn(file, file.size - torn, most_bytes=MOST_BYTES) is None:
            raise LogError(f"{path} is no log of findings: it is too long. Move it away.")
        before = read_findings(path.parent, lambda _: None)
        start = max((finding.number for finding in before), default=0)
        if start + len(findings) > MOST_FINDINGS:
            raise LogError(f"{path} is full: {MOST_FINDINGS} findings are more than a circuit has.")
        numbered = [replace(f, number=start + i) for i, f in enumerate(findings, 1)]
        file.append_durably(b"".join(record_bytes(_cells(finding)) for finding in numbered))
    return numbered


def _cells(finding: Finding) -> list[str]:
    return [
        str(finding.number),
        finding.time.isoformat(timespec="seconds"),
        finding.cut.value,
        neutralised(finding.at or ""),
        neutralised(finding.receptacle),
        finding.state.value,
        neutralised(finding.note),
    ]


def _findings(path: Path, records: RecordReader, tell: Callable[[str], None]) -> Iterator[Finding]:
    for item in records:
        if isinstance(item, Damage):
            what = "was only half written" if not item.ended else f"cannot be read: {item.why}"
            tell(f"{path}, line {item.line}: this finding {what}. It is left out.")
        elif item.fields == COLUMNS:
            continue
        elif not item.ended:
            tell(f"{path}, line {item.line}: this finding was only half written. It is left out.")
        else:
            yield _finding(item.fields)


def _why_not(fields: tuple[str, ...]) -> str | None:
    """Why cells are no finding; ``None`` where they are one, or the header."""
    if fields == COLUMNS:
        return None
    if len(fields) != len(COLUMNS):
        return f"it has {len(fields)} cells instead of {len(COLUMNS)}"
    try:
        finding = _finding(fields)
    except ValueError as error:
        return str(error)
    if finding.time.tzinfo is None:
        return "its time has no offset"
    if not finding.receptacle or (finding.cut in AT_A_RECEPTACLE) != (finding.at is not None):
        return "it does not say which receptacle was opened and which was looked at"
    return None


def _finding(fields: tuple[str, ...]) -> Finding:
    number, time, cut, at, receptacle, found, note = fields
    if not (number.isascii() and number.isdigit() and len(number) <= len(str(MOST_FINDINGS))):
        raise ValueError(f"{number[:20]!r} is no number of a finding")
    return Finding(
        int(number),
        datetime.fromisoformat(time),
        Cut(cut),
        restored(at) or None,
        restored(receptacle),
        State(found),
        restored(note),
    )


WITHDRAWN_FILE = "withdrawn.jsonl"
_MOST_BYTES = 16 << 20
_MOST_WHY = 500
_MOST_NAMED = 20  # numbers in a sentence


def withdrawn_tests(
    folder: Path, on_problem: Callable[[str], None] = lambda _: None
) -> dict[int, str]:
    """Numbers of the tests that were removed, with the reason.

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
                on_problem(f"{path}, line {line}: it names no test; it removes none.")
            else:
                found[test] = str(entry.get("why", ""))
    except OSError as error:
        raise LogError(f"{path} cannot be read: {why(error)}.") from error
    return found


def withdrawn_from(log: Path) -> dict[int, str]:
    """The same for the log of a job folder; empty for a log that is elsewhere.

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
        f"{log}: {len(tests)} test{'s were' if many else ' was'} removed and "
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
