"""One file that only grows: an append is whole or not there, and goes to the file at its path.

All that must outlast a crash goes through here: captures, the test log and records beside it.
"""

import errno
import os
import stat
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

from drivers.closing import Closing


class MovedFileError(OSError):
    """The open file is no longer the one at its path: it was moved, deleted or replaced."""

    def __init__(self, path: Path) -> None:
        """``path``: where it was opened."""
        text = "it was moved, deleted or replaced by another program while it was open here"
        super().__init__(getattr(errno, "ESTALE", errno.ENOENT), text, str(path))


class AppendFile(Closing):
    """A regular file, open for appending.

    Several processes may append to the same file; whoever needs to be alone takes a lock.

    Attributes:
        path: Where it was opened.
    """

    def __init__(self, path: Path, *, new: bool = False) -> None:
        """Open; make it where it is missing.

        Args:
            path: The file, in a folder that exists.
            new: It must not exist yet.

        Raises:
            OSError: It cannot be opened, or is a pipe or device; ``FileExistsError`` with ``new``.
        """
        self.path = path
        flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | (os.O_EXCL if new else 0)
        flags |= getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)  # a pipe blocks no-one
        self._file = os.open(path, flags, 0o666)
        if not stat.S_ISREG(os.fstat(self._file).st_mode):
            self.close()
            raise OSError(errno.EINVAL, "it is a pipe or device, not a file", str(path))

    @property
    def size(self) -> int:
        """Bytes in it."""
        return os.fstat(self._file).st_size

    def read(self, start: int, count: int) -> bytes:
        """Up to ``count`` bytes from ``start`` on."""
        with os.fdopen(os.dup(self._file), "rb") as stream:
            stream.seek(start)
            return stream.read(count)

    def append(self, data: bytes) -> None:
        """Give bytes to the operating system: all of them, or none.

        Raises:
            OSError: The disk is full or gone; the file is as it was.
        """
        before = self.size
        rest = memoryview(data)
        try:
            while rest:
                rest = rest[os.write(self._file, rest) :]
        except OSError:
            self.cut(before)
            raise

    def append_durably(self, data: bytes) -> None:
        """Append to the file that is at the path now, and wait until it is on the disk.

        Raises:
            MovedFileError: Another file is there, or none.
            OSError: The disk is full or gone; the file is as it was.
        """
        self.check_place()
        before = self.size
        self.append(data)
        try:
            self.sync()
        except OSError:
            self.cut(before)
            raise

    def end_line(self) -> bool:
        """Give half a line at the end a line end; returns whether there was one."""
        is_torn = self.read(max(self.size - 1, 0), 1) not in (b"", b"\n")
        if is_torn:
            self.append(b"\n")
        return is_torn

    def check_place(self) -> None:
        """See that the path still names this file.

        Raises:
            MovedFileError: It does not.
        """
        try:
            there = self.path.stat()
        except (FileNotFoundError, NotADirectoryError) as error:
            raise MovedFileError(self.path) from error
        if not os.path.samestat(there, os.fstat(self._file)):
            raise MovedFileError(self.path)

    def cut(self, size: int) -> None:
        """Take off what stands after the first ``size`` bytes, where the disk lets it."""
        with suppress(OSError):
            os.ftruncate(self._file, size)

    def sync(self) -> None:
        """Wait until what was appended is on the disk.

        Raises:
            OSError: The disk refuses.
        """
        os.fsync(self._file)

    def close(self) -> None:
        """Close it. Calling it again does nothing."""
        handle, self._file = self._file, -1
        if handle >= 0:
            os.close(handle)


def open_regular(path: Path) -> BinaryIO:
    """Open a file for reading; a pipe or device, which could keep the reader waiting, is refused.

    Raises:
        OSError: It cannot be opened, or is no regular file.
    """
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
    handle = os.open(path, flags)
    kind = os.fstat(handle).st_mode
    if stat.S_ISREG(kind):
        return os.fdopen(handle, "rb")
    os.close(handle)
    if stat.S_ISDIR(kind):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    raise OSError(errno.EINVAL, "it is a pipe or device, not a file", str(path))


def sync_folder(folder: Path) -> None:
    """Make names created in a folder last; where a system cannot, nothing happens."""
    flags = getattr(os, "O_DIRECTORY", None)
    if flags is None:  # no such thing on Windows, whose file system journals names
        return
    handle = os.open(folder, os.O_RDONLY | flags)
    try:
        os.fsync(handle)
    except OSError:
        return  # some network file systems refuse; the file itself is synced
    finally:
        os.close(handle)


def why(error: OSError) -> str:
    """What went wrong with a file, as the end of a sentence."""
    return error.strerror or str(error)
