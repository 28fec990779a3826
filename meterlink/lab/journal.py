"""Which captures a replay of many has done, so that it can go on after it was stopped.

One JSON object a line: digest of the capture, job, name under which it is kept, number of tests. It
only saves work: a line that is lost or torn means that the capture is measured again, and what is
in the log is never logged twice. An entry counts only while the log has the rows.
"""

import json
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from drivers.closing import Closing
from meterlink.files import AppendFile, json_lines

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
