"""The job's folder of captures: each visit kept once under its own name, each test logged once.

Two files are the same visit if one holds the other from its first byte on: a recording that went on
after it was first read is still the same recording. The name of the file alone says nothing, as
every recording may be called ``visit.jsonl``. What else is in the folder (pipes, folders, links
to nothing, files that cannot be read) is passed over and left alone.
"""

import hashlib
import stat
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from drivers.capture_lines import MAX_LINE_BYTES
from drivers.closing import Closing
from meterlink.circuit.job import Job
from meterlink.circuit.setup import Setup
from meterlink.errors import LogError
from meterlink.files import is_part, open_regular, sync_folder, why, write_durably
from meterlink.testlog.columns import TestRow
from meterlink.testlog.log import TestLog

_CHUNK_BYTES = 1 << 20


def recordings_in(folder: Path, pattern: str = "*") -> list[Path]:
    """Files in a folder that can be recordings, sorted by name; none where there is no folder.

    Pipes, folders, links that lead to no file, and copies that were not finished are none.
    """
    found = []
    with suppress(OSError):
        for path in folder.glob(pattern):
            with suppress(OSError):
                if path.is_file() and not is_part(path):
                    found.append(path)
    return sorted(found)


def remove_if_empty(path: Path) -> bool:
    """Remove a recording that did not even get its first line; never a link, pipe or folder.

    Returns:
        Whether it was removed.
    """
    with suppress(OSError):
        found = path.lstat()
        if stat.S_ISREG(found.st_mode) and found.st_size == 0:
            path.unlink()
            return True
    return False


def name_of(capture: Path) -> str:
    """The name of a file as a log can hold it: what is not UTF-8 becomes "?"."""
    return capture.name.encode("utf-8", "replace").decode("utf-8")


def kept_name(capture: Path, folder: Path, kept: Iterable[Path] | None = None) -> str:
    """The name under which a capture is kept, or will be, in a folder of captures.

    Args:
        capture: The file to keep.
        folder: The folder, which need not exist.
        kept: Files in it that may be the same visit, where the caller knows; else all are compared.

    Raises:
        OSError: The file to keep cannot be read.
    """
    capture.stat()
    for path in recordings_in(folder) if kept is None else kept:
        with suppress(OSError):
            if is_same_visit(path, capture):
                return path.name
    name = name_of(capture).replace("/", "-")
    if not _is_there(folder / name):
        return name
    return f"{Path(name).stem}-{sha256(capture)[:12]}{Path(name).suffix}"


def keep(capture: Path, folder: Path, name: str) -> None:
    """Copy a capture into the folder, durably; a longer copy that is there already stays.

    Raises:
        OSError: The folder or the disk does not take it.
    """
    target = folder / name
    folder.mkdir(exist_ok=True)
    sync_folder(folder.parent)
    if not target.exists() or target.stat().st_size < capture.stat().st_size:
        write_durably(target, _chunks(capture))


def is_same_visit(one: Path, other: Path) -> bool:
    """Whether one of two files holds the other from its first byte on."""
    if one.samefile(other):
        return True
    shorter = min(one.stat().st_size, other.stat().st_size)
    return shorter > 0 and all(
        left == right
        for left, right in zip(_chunks(one, shorter), _chunks(other, shorter), strict=True)
    )


def sha256(path: Path) -> str:
    """Digest of a file, as hexadecimal digits."""
    digest = hashlib.sha256()
    for chunk in _chunks(path):
        digest.update(chunk)
    return digest.hexdigest()


class LoggedTests:
    """Which tests of recordings are in an open log, and under which numbers.

    Tests are known by their digests (``meterlink.testlog.recorded``); where a log is older than
    those, by recording, setup and time, which may have been cut to seconds.
    """

    def __init__(self, log: TestLog) -> None:
        """Read the log."""
        self._log = log
        self._rows: dict[int, tuple[str, datetime, Setup]] = {}
        self._at: dict[tuple[datetime, Setup], list[int]] = defaultdict(list)
        self._counts: Counter[str] = Counter()
        for row in log.rows(lambda _problem: None):
            self.add(row)

    def add(self, row: TestRow) -> None:
        """A row that was logged since."""
        capture = row.capture or ""
        self._rows[row.test] = (capture, row.time, row.setup)
        self._at[row.time.replace(microsecond=0), row.setup].append(row.test)
        self._counts[capture] += 1

    def count(self, capture: str) -> int:
        """How many rows of a capture are in the log."""
        return self._counts[capture]

    def find(
        self, rows: Sequence[TestRow], digests: Sequence[str | None], *, any_name: bool = False
    ) -> list[int | None]:
        """Numbers of the tests of one recording in the log; ``None`` for one that is not there.

        A test that was logged counts as there as long as its row may be among those that cannot be
        read. One whose row was removed is not there; ``TestLog.number_of`` still knows it. One that
        is there is known by its digest from now on.

        Args:
            rows: The tests as measured from the recording.
            digests: What they are known by.
            any_name: Also rows of recordings of another name, which this one may have had.
        """
        found: dict[int, int] = {}  # place of a test to its number
        for place, (row, digest) in enumerate(zip(rows, digests, strict=True)):
            number = self._log.number_of(digest) if self._log.has_number(digest) else None
            if number is None or not self._may_be(number, row):
                taken = found.values()
                same = (n for n in self._same(row, any_name=any_name) if n not in taken)
                number = next(same, None)
            if number is not None:
                found[place] = number
        self._log.know((found[p], rows[p], digests[p]) for p in found)
        return [found.get(place) for place in range(len(rows))]

    def _may_be(self, number: int, row: TestRow) -> bool:
        """Whether a numbered row can be that of a test; a person may have corrected some of it."""
        if number not in self._rows:
            return bool(self._log.problems)
        capture, time, setup = self._rows[number]
        return capture == row.capture or setup == row.setup or _is_same_time(time, row.time)

    def _same(self, row: TestRow, *, any_name: bool) -> Iterator[int]:
        for number in self._at.get((row.time.replace(microsecond=0), row.setup), ()):
            capture, time, _ = self._rows[number]
            if _is_same_time(time, row.time) and (any_name or capture == row.capture):
                yield number


class CapturesLog(Closing):
    """A job's log and its folder of captures, open for many captures: looked up once.

    Attributes:
        log: The log.
        remarks: What was odd on opening, in sentences.
    """

    def __init__(self, job: Job) -> None:
        """Open for writing.

        Raises:
            LogError: Another process is writing, or the log cannot be used.
        """
        self._folder = job.captures_path
        self.log = TestLog(job.log_path)
        try:
            problems = (f"{problem} It is left as it is." for problem in self.log.problems)
            self.remarks = [*self.log.remarks, *problems]
            self._logged = LoggedTests(self.log)
            self._kept: dict[bytes, list[Path]] = defaultdict(list)  # by their first line
            for path in filter(is_part, self._folder.glob(".*")):
                with suppress(OSError):
                    path.unlink()  # nobody else writes here while the log is open
            for path in recordings_in(self._folder):
                with suppress(OSError):
                    self._kept[_first_line(path)].append(path)
        except BaseException:
            self.log.close()
            raise

    def close(self) -> None:
        """Let others write."""
        self.log.close()

    def count(self, name: str) -> int:
        """How many rows of a capture are in the log."""
        return self._logged.count(name)

    def add(
        self, capture: Path, rows: Sequence[TestRow], digests: Sequence[str | None]
    ) -> tuple[str, list[int], int]:
        """Keep a capture and append those of its tests that are not there.

        Returns:
            The name under which it is kept, the numbers of all its tests in the log, and how many
            rows were appended.

        Raises:
            LogError: The disk or the folder does not take it.
        """
        name = self._keep(capture)
        rows = [replace(row, capture=name) for row in rows]
        found = self._logged.find(rows, digests)
        new = [at for at, number in enumerate(found) if number is None]
        added = self.log.append_all([rows[at] for at in new], digests=[digests[at] for at in new])
        for row in added:
            self._logged.add(row)
        fresh = iter(added)
        return name, [next(fresh).test if n is None else n for n in found], len(added)

    def _keep(self, capture: Path) -> str:
        try:
            first = _first_line(capture)
            name = kept_name(capture, self._folder, self._kept[first])
            keep(capture, self._folder, name)
        except OSError as error:
            raise LogError(
                f"{capture} cannot be kept in {self._folder}: {why(error)}. Nothing of it was "
                "logged. Check that the folder is writable and the disk has room."
            ) from error
        if self._folder / name not in self._kept[first]:
            self._kept[first].append(self._folder / name)
        return name


def _is_same_time(logged: datetime, time: datetime) -> bool:
    """Whether a logged time is that of a test, perhaps cut to seconds as table programs do."""
    return logged == (time if logged.microsecond else time.replace(microsecond=0))


def _first_line(path: Path) -> bytes:
    """Digest of the first line: captures that start differently are not the same visit."""
    with open_regular(path) as stream:
        return hashlib.sha256(stream.readline(MAX_LINE_BYTES)).digest()


def _is_there(path: Path) -> bool:
    """Whether a name is taken, be it by a link to nothing."""
    try:
        path.lstat()
    except FileNotFoundError:
        return False
    return True


def _chunks(path: Path, at_most: int | None = None) -> Iterator[bytes]:
    left = path.stat().st_size if at_most is None else at_most
    with open_regular(path) as stream:
        while left > 0 and (chunk := stream.read(min(_CHUNK_BYTES, left))):
            yield chunk
            left -= len(chunk)
