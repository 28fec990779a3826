"""What a replay of many captures has to do, and what of it is done.

The first half finds the captures that a list of files and folders means, and the job that each goes
into. The second keeps a journal, so that work that was stopped goes on: one JSON object a line with
digest of the capture, job, name under which it is kept, number of tests. It only saves work: a line
that is lost or torn means that the capture is measured again, and what is in the log is never
logged twice. An entry counts only while the log has the rows.
"""

import json
import os
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from drivers.closing import Closing
from meterlink.circuit.job import JOB_FILE
from meterlink.errors import LabError, UsageError
from meterlink.files import AppendFile, json_lines

SUFFIX = ".jsonl"


@dataclass(frozen=True, slots=True)
class Task:
    """A capture and the folder of the job that it goes into."""

    capture: Path
    job: Path


def captures_in(given: Iterable[Path]) -> list[tuple[Path, Path]]:
    """Files as given, and all captures below folders as given, sorted within each folder.

    Job folders keep copies of what was replayed into them; those are not replayed again.

    Returns:
        Pairs of a capture and its path below the folder that was given (its name, for a file).

    Raises:
        LabError: A folder holds no capture.
    """
    found: dict[Path, tuple[Path, Path]] = {}
    for path in given:
        below = list(_below(path)) if path.is_dir() else [path]
        if not below:
            raise LabError(
                f"{path} holds no capture (a file whose name ends in {SUFFIX}). Give the folder "
                "of the captures, or the files."
            )
        for capture in below:
            relative = capture.relative_to(path) if path.is_dir() else Path(path.name)
            found.setdefault(capture.resolve(), (capture, relative))
    return list(found.values())


def into_one_job(given: Iterable[Path], job: Path) -> list[Task]:
    """All captures into one job."""
    return [Task(capture, job) for capture, _ in captures_in(given)]


def into_own_jobs(given: Iterable[Path], jobs: Path) -> list[Task]:
    """Each capture into a job of its own, named as the capture is, without its suffix.

    Raises:
        UsageError: Two captures have the same name.
    """
    by_job: dict[Path, Path] = {}
    for capture, relative in captures_in(given):
        job = jobs / relative.with_suffix("")
        if job in by_job:
            raise UsageError(
                f"{by_job[job]} and {capture} would both go into {job}. Give the folder that holds "
                "both, so that their paths below it tell them apart."
            )
        by_job[job] = capture
    return [Task(capture, job) for job, capture in by_job.items()]


def _below(folder: Path) -> Iterator[Path]:
    for where, folders, files in os.walk(folder):
        keeps_copies = JOB_FILE in files
        folders[:] = sorted(
            name
            for name in folders
            if not name.startswith(".") and not (keeps_copies and name == "captures")
        )
        for name in sorted(files):
            if name.endswith(SUFFIX) and not name.startswith("."):
                yield Path(where) / name


JOURNAL_FILE = ".replayed.jsonl"
_MOST_BYTES = 1 << 30  # some five million captures


@dataclass(frozen=True, slots=True)
class Done:
    """A capture whose tests are all in the log of its job.

    Attributes:
        name: Its name in the job's folder of captures.
        tests: How many tests it has.
    """

    name: str
    tests: int


class Journal(Closing):
    """The journal in a folder, read on opening, appended to as captures are done.

    Raises:
        OSError: It cannot be read or written.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / JOURNAL_FILE
        self._done: dict[tuple[str, str], Done] = {}
        self._file: AppendFile | None = None
        self._read()

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()

    def __len__(self) -> int:
        return len(self._done)

    def find(self, digest: str, job: str) -> Done | None:
        """The entry of a capture in a job."""
        return self._done.get((digest, job))

    def add(self, digest: str, job: str, done: Done) -> None:
        """Enter a capture; its rows are on the disk already."""
        if self._done.get((digest, job)) == done:
            return
        self._done[digest, job] = done
        entry = {"sha256": digest, "job": job, "capture": done.name, "tests": done.tests}
        if self._file is None:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._file = AppendFile(self._path)
            self._file.end_line()
        self._file.append(json.dumps(entry).encode() + b"\n")

    def _read(self) -> None:
        for _, entry in json_lines(self._path, most_bytes=_MOST_BYTES):
            with suppress(ValueError, KeyError, TypeError, OverflowError):
                found = entry or {}
                done = Done(str(found["capture"]), _count(found["tests"]))
                self._done[str(found["sha256"]), str(found["job"])] = done


def _count(value: object) -> int:
    if type(value) is not int:
        raise TypeError(value)
    return value
