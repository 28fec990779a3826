"""The two ways to write a file: whole or not at all, and line after line.

``write_durably`` puts a file in its place in one step. What grows (the test log and the records
beside it) is an ``AppendFile``: an append is whole or not there, on the disk before it returns, and
never goes to a file that was moved away from its path. A half row at the end, where the power
failed, is kept in a file beside (``keep_torn``); half a line of JSON is ended and passed over.
"""

import contextlib
import errno
import json
import os
import stat
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from filelock import FileLock, Timeout

from drivers.append_file import AppendFile, MovedFileError, open_regular, sync_folder, why
from meterlink.errors import LogError

__all__ = [
    "AppendFile",
    "MovedFileError",
    "append_json",
    "is_missing_or_empty",
    "is_part",
    "json_lines",
    "keep_torn",
    "open_regular",
    "sync_folder",
    "why",
    "write_durably",
    "writing_alone",
]

_MOST_LINE_BYTES = 1 << 16
_PART = ".part"


def write_durably(path: Path, chunks: Iterable[bytes]) -> None:
    """Write a file beside its place, sync it and move it there in one step.

    A file that was there before stays as it was until the new one is whole.

    Raises:
        OSError: The folder or the disk does not take it; what was there before is untouched.
    """
    prefix = f".{path.name[:100]}."
    handle, name = tempfile.mkstemp(prefix=prefix, suffix=_PART, dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            for chunk in chunks:
                stream.write(chunk)
            stream.flush()
            os.fsync(stream.fileno())
        Path(name).chmod(0o666 & ~_umask())  # a temporary file is for its owner only
        Path(name).replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            Path(name).unlink()
        raise
    sync_folder(path.parent)


def is_part(path: Path) -> bool:
    """Whether ``write_durably`` left the file because the program, or the power, died meanwhile."""
    return path.name.startswith(".") and path.suffix == _PART


@contextlib.contextmanager
def writing_alone(path: Path) -> Iterator[None]:
    """Nobody else who asks for this writes to ``path`` meanwhile.

    Raises:
        LogError: Another process does.
        OSError: The folder takes no lock.
    """
    lock = FileLock(path.with_name(f".{path.name}.lock"), timeout=0)
    try:
        lock.acquire()
    except Timeout as error:
        raise LogError(
            f"{path} is being written by another meterlink. Let it finish or close it, "
            "then try again."
        ) from error
    try:
        yield
    finally:
        lock.release()


def keep_torn(file: AppendFile, start: int, *, most_bytes: int) -> tuple[Path, int] | None:
    """Move what stands from ``start`` on to a file beside, ``NAME.torn``, durably.

    Returns:
        That file and how many bytes were moved; ``None`` where there are more than ``most_bytes``,
        which is no half row: nothing was done.

    Raises:
        OSError: The disk or the folder does not take it; the file is as it was.
    """
    torn = file.read(start, most_bytes + 1)
    if len(torn) > most_bytes:
        return None
    path = file.path.with_name(f"{file.path.name}.torn")
    with AppendFile(path) as aside:
        aside.append_durably(torn + b"\n")
    sync_folder(path.parent)
    file.cut(start)
    file.sync()
    return path, len(torn)


def is_missing_or_empty(path: Path) -> bool:
    """Whether a new file can be put there and nothing be lost; a link or pipe stays."""
    try:
        found = path.lstat()
    except FileNotFoundError:
        return True
    return stat.S_ISREG(found.st_mode) and found.st_size == 0


def append_json(path: Path, *entries: Mapping[str, object]) -> None:
    """Append JSON objects, a line each, and wait until they are on the disk.

    Raises:
        OSError: The folder or the disk does not take it.
    """
    with AppendFile(path) as file:
        file.end_line()
        file.append_durably(b"".join(json.dumps(entry).encode() + b"\n" for entry in entries))
    sync_folder(path.parent)


def json_lines(path: Path, *, most_bytes: int) -> Iterator[tuple[int, dict[str, object] | None]]:
    """The JSON objects of a file, a line each; none where there is no file.

    Yields:
        Number of the line, and its object; ``None`` for a line that holds none.

    Raises:
        OSError: The file cannot be read, or is longer than ``most_bytes``.
    """
    try:
        stream = open_regular(path)
    except FileNotFoundError:
        return
    with stream:
        if os.fstat(stream.fileno()).st_size > most_bytes:
            raise OSError(errno.EFBIG, f"it is longer than {most_bytes} bytes", str(path))
        number = 0
        while line := stream.readline(_MOST_LINE_BYTES):
            number += 1
            if line.strip():
                yield number, _json_object(line)


def _json_object(line: bytes) -> dict[str, object] | None:
    try:
        entry = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return entry if isinstance(entry, dict) else None


def _umask() -> int:
    mask = os.umask(0o077)
    os.umask(mask)
    return mask
