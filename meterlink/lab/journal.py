"""Which captures a replay of many has done, so that it can go on after it was stopped.

One JSON object a line: digest of the capture, job, name under which it is kept, number of tests. It
only saves work: a line that is lost or torn means that the capture is measured again, and what is
in the log is never logged twice. An entry counts only while the log has the rows.
"""

import json
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import IO

JOURNAL_FILE = ".replayed.jsonl"
_MAX_LINE = 10_000


@dataclass(frozen=True, slots=True)
class Done:
    """A capture whose tests are all in the log of its job.

    Attributes:
        name: Its name in the job's folder of captures.
        tests: How many tests it has.
    """

    name: str
    tests: int


class Journal:
    """The journal in a folder, read on opening, appended to as captures are done.

    Raises:
        OSError: It cannot be read or written.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / JOURNAL_FILE
        self._done: dict[tuple[str, str], Done] = {}
        self._stream: IO[bytes] | None = None
        if self._path.exists():
            self._read()

    def __enter__(self) -> "Journal":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._stream is not None:
            self._stream.close()

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
        if self._stream is None:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            torn = self._path.exists() and not self._path.read_bytes().endswith(b"\n")
            self._stream = self._path.open("ab")
            if torn:
                self._stream.write(b"\n")
        self._stream.write(json.dumps(entry).encode() + b"\n")
        self._stream.flush()

    def _read(self) -> None:
        with self._path.open("rb") as stream:
            while line := stream.readline(_MAX_LINE):
                with suppress(ValueError, KeyError, TypeError, OverflowError, RecursionError):
                    entry = json.loads(line)
                    done = Done(str(entry["capture"]), int(entry["tests"]))
                    self._done[str(entry["sha256"]), str(entry["job"])] = done
