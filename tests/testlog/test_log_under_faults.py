"""Any mix of appends, full disks, lost power, removed tests and moved files: no row is ever lost.

A state machine (hypothesis.stateful) does to a log what happens to one in a house, beside a plain
list of the rows that were said to be written. Whatever comes, the log holds just these.
"""

import errno
import os
import shutil
import tempfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from strategies import rows

from drivers import append_file
from meterlink.errors import LogError
from meterlink.testlog.columns import COLUMNS, TestRow
from meterlink.testlog.findings import withdraw, withdrawn_tests
from meterlink.testlog.log import TestLog
from meterlink.testlog.reader import read_rows

NOW = datetime(2026, 3, 2, tzinfo=UTC)
real_write, real_fsync = os.write, os.fsync


class Disk:
    """Takes so many bytes more, or refuses to sync; ``None`` for a sound one."""

    def __init__(self) -> None:
        self.room: int | None = None
        self.syncs = True

    def write(self, handle: int, data: bytes) -> int:
        if self.room is None:
            return real_write(handle, data)
        if self.room == 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        taken = real_write(handle, bytes(data)[: self.room])
        self.room -= taken
        return taken

    def fsync(self, handle: int) -> None:
        if not self.syncs:
            raise OSError(errno.EIO, "Input/output error")
        real_fsync(handle)

    def mend(self) -> None:
        self.room, self.syncs = None, True


class LogInAHouse(RuleBasedStateMachine):
    """A log and the rows that it said it holds."""

    @initialize()
    def begin(self) -> None:
        self.folder = Path(tempfile.mkdtemp())
        self.path = self.folder / "tests.csv"
        self.disk = Disk()
        append_file.os.write, append_file.os.fsync = self.disk.write, self.disk.fsync  # type: ignore[assignment]
        self.held: list[TestRow] = []
        self.given: set[int] = set()
        self.moved = False
        self.log = TestLog(self.path)

    def teardown(self) -> None:
        os.write, os.fsync = real_write, real_fsync
        if hasattr(self, "log"):
            self.log.close()
            shutil.rmtree(self.folder)

    def appended(self, many: list[TestRow]) -> None:
        """Append, and note what was said to be written."""
        before = self.path.read_bytes() if self.path.exists() else b""
        try:
            written = self.log.append_all(many)
        except LogError:
            if self.path.exists() and not self.moved:
                assert self.path.read_bytes() == before
            return
        assert not self.moved
        numbers = [row.test for row in written]
        assert numbers == sorted(set(numbers))
        assert not set(numbers) & self.given  # no number is given twice, removed ones neither
        assert all(
            replace(kept, test=0) == replace(asked, test=0)
            for kept, asked in zip(written, many, strict=True)
        )
        self.given |= set(numbers)
        self.held += written

    @rule(many=st.lists(rows(), min_size=1, max_size=3))
    def append(self, many: list[TestRow]) -> None:
        self.appended(many)

    @precondition(lambda self: not self.moved)
    @rule(row=rows(), room=st.integers(0, 120))
    def append_to_a_full_disk(self, row: TestRow, room: int) -> None:
        self.disk.room = room
        count = len(self.held)
        self.appended([row])
        self.disk.mend()
        assert len(self.held) == count or room > 60  # a row has more bytes than that

    @precondition(lambda self: not self.moved)
    @rule(row=rows())
    def append_to_a_disk_that_does_not_sync(self, row: TestRow) -> None:
        self.disk.syncs = False
        with pytest.raises(LogError, match="cannot be written"):
            self.log.append(row)
        self.disk.mend()

    @precondition(lambda self: not self.moved)
    @rule(half=st.binary(min_size=1, max_size=40))
    def power_fails_in_the_middle_of_a_row(self, half: bytes) -> None:
        """What is on the disk stays; half a row of ours stands behind it."""
        self.log.close()
        half = half.replace(b"\n", b"x").replace(b"\r", b"x").replace(b'"', b"x")
        with self.path.open("ab") as stream:
            stream.write(b"99,2026-03-02T" + half)
        self.log = TestLog(self.path)
        assert len(self.log.remarks) == 1
        assert "only half written" in self.log.remarks[0]
        torn = self.path.with_name("tests.csv.torn").read_bytes()
        assert torn.endswith(half + b"\n")

    @precondition(lambda self: not self.moved)
    @rule()
    def open_it_again(self) -> None:
        self.log.close()
        with pytest.raises(LogError, match="is closed"):
            self.log.append_all([])
        self.log = TestLog(self.path)
        assert self.log.remarks == []

    @precondition(lambda self: not self.moved)
    @rule(data=st.data())
    def remove_a_test(self, data: st.DataObject) -> None:
        if self.held:
            row = data.draw(st.sampled_from(self.held))
            withdraw(self.folder, row.test, NOW, "wrong lead")
            assert row.test in withdrawn_tests(self.folder)

    @precondition(lambda self: not self.moved)
    @rule()
    def another_program_takes_the_file_away(self) -> None:
        self.path.rename(self.folder / "away.csv")
        self.moved = True

    @precondition(lambda self: self.moved)
    @rule(row=rows())
    def append_while_it_is_away(self, row: TestRow) -> None:
        with pytest.raises(LogError, match="is not the file that was opened"):
            self.log.append(row)
        assert not self.path.exists()

    @precondition(lambda self: self.moved)
    @rule()
    def it_is_put_back(self) -> None:
        (self.folder / "away.csv").rename(self.path)
        self.moved = False

    @precondition(lambda self: not self.moved)
    @rule()
    def somebody_else_wants_to_write(self) -> None:
        """Another process would be refused; so is another log here, while this one is open."""
        if self.log._file is not None:
            with pytest.raises(LogError, match="another meterlink"):
                TestLog(self.path)

    @invariant()
    def the_log_holds_just_what_it_said(self) -> None:
        if not hasattr(self, "log"):
            return
        path = self.folder / "away.csv" if self.moved else self.path
        problems: list[object] = []
        assert list(read_rows(path, problems.append)) == self.held
        assert problems == []

    @invariant()
    def every_line_is_whole_and_the_first_names_the_columns(self) -> None:
        if hasattr(self, "log"):
            data = (self.folder / "away.csv" if self.moved else self.path).read_bytes()
            assert data.endswith(b"\n")
            assert data.startswith(",".join(COLUMNS).encode() + b"\r\n")


TestLogInAHouse = LogInAHouse.TestCase
TestLogInAHouse.settings = settings(max_examples=10, stateful_step_count=15, deadline=None)
