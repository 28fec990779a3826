"""Which test of which recording was logged: tests are known by what was recorded of them.

A recording may be copied or renamed, and a spreadsheet may cut times to seconds or make a row
unreadable; what was recorded stays the same. So a test is known by the digest of its lines in the
recording, from its ``test`` mark to its end, and of the moment the recording began. Beside the log
stands ``logged.jsonl``: one JSON object a line, append only: ``test`` (number of the row),
``sha256`` (that digest), ``capture`` (file name). It is written after the row; what is lost of it
is made good by looking for the row
(``meterlink.testlog.captures.LoggedTests``). A test that stands there and has no row any
more was removed by a person.
"""

import hashlib
from collections import defaultdict, deque
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from drivers.capture_lines import MAX_LINE_BYTES, LineError, read_event, read_header
from drivers.readings import Mark
from meterlink.errors import LogError
from meterlink.files import append_json, json_lines, open_regular, why
from meterlink.testlog.columns import TestRow

LOGGED_FILE = "logged.jsonl"
MOST_BYTES = 1 << 30  # some six million tests
_DIGITS = frozenset("0123456789abcdef")


@dataclass(frozen=True, slots=True)
class RecordedTest:
    """A test in a recording; one that was void is none.

    Attributes:
        begun_s: Time of its ``test`` mark, seconds since the recording began.
        digest: SHA-256 of its lines, as hexadecimal digits.
        is_open: The recording ends in the middle of it; its digest changes when it goes on.
    """

    begun_s: float
    digest: str
    is_open: bool = False


def recorded_tests(capture: Path) -> Iterator[RecordedTest]:
    """The tests of a recording in order, whether or not their bytes can be decoded.

    Fast: only lines with a mark are looked into.

    Raises:
        OSError: The recording cannot be read.
    """
    begun: Mark | None = None
    with open_regular(capture) as stream:
        header = stream.readline(MAX_LINE_BYTES).removeprefix(b"\xef\xbb\xbf")
        try:
            started = read_header(header).started.isoformat().encode()
        except LineError:
            return
        digest = hashlib.sha256()
        while line := stream.readline(MAX_LINE_BYTES):
            text = line.strip()
            mark = _mark(text)
            ends = mark is not None and mark.kind in ("test", "end", "void")
            if begun is not None and (not ends or (mark is not None and mark.kind == "end")):
                digest.update(text + b"\n")
            if mark is None or not ends:
                continue
            if begun is not None and mark.kind != "void":
                yield RecordedTest(begun.t_s, digest.hexdigest())
            begun = mark if mark.kind == "test" else None
            digest = hashlib.sha256(started + b"\n" + text + b"\n")
    if begun is not None:
        yield RecordedTest(begun.t_s, digest.hexdigest(), is_open=True)


def digests_of(capture: Path, begun_s: list[float]) -> list[str | None]:
    """Digests of the tests that began at the times given; ``None`` where there is none such.

    Raises:
        OSError: The recording cannot be read.
    """
    found: dict[float, deque[str]] = defaultdict(deque)
    for test in recorded_tests(capture):
        found[test.begun_s].append(test.digest)
    return [found[t_s].popleft() if found[t_s] else None for t_s in begun_s]


class Ledger:
    """``logged.jsonl`` beside a log; ``path`` is where."""

    def __init__(self, log: Path) -> None:
        """Read it; a line that is torn or foreign says nothing.

        Raises:
            LogError: It cannot be read.
        """
        self.path = log.with_name(LOGGED_FILE)
        self._tests: dict[str, int] = {}
        self._digests: dict[int, str] = {}
        try:
            for _, entry in json_lines(self.path, most_bytes=MOST_BYTES):
                self._take(entry or {})
        except OSError as error:
            raise LogError(f"{self.path} cannot be read: {why(error)}.") from error

    def number_of(self, digest: str | None) -> int | None:
        """The number under which a test was logged; ``None`` where it never was."""
        return self._tests.get(digest or "")

    def has_number(self, digest: str | None) -> bool:
        """Whether a test was logged, and no other was under its number since."""
        number = self.number_of(digest)
        return number is not None and self._digests[number] == digest

    def add(self, tests: Iterable[tuple[int, TestRow, str | None]]) -> None:
        """Note number, row and digest of tests that are in the log; what is noted stays as it is.

        Raises:
            OSError: The folder or the disk does not take it.
        """
        entries = [
            {"test": number, "sha256": digest, "capture": row.capture or ""}
            for number, row, digest in tests
            if digest is not None and self.number_of(digest) != number
        ]
        if entries:
            append_json(self.path, *entries)
        for entry in entries:
            self._take(entry)

    def _take(self, entry: Mapping[str, object]) -> None:
        test, digest = entry.get("test"), entry.get("sha256")
        if type(test) is int and isinstance(digest, str) and set(digest) <= _DIGITS:
            self._tests[digest] = test
            self._digests[test] = digest


def _mark(line: bytes) -> Mark | None:
    if b'"mark"' not in line:
        return None
    with suppress(LineError):
        event = read_event(line)
        return event if isinstance(event, Mark) else None
    return None
