"""Files that are either whole or not there, whatever happens to the power."""

import contextlib
import os
import tempfile
from collections.abc import Iterable
from pathlib import Path


def write_durably(path: Path, chunks: Iterable[bytes]) -> None:
    """Write a file beside its place, sync it and move it there in one step.

    A file that was there before stays as it was until the new one is whole.

    Raises:
        OSError: The folder or the disk does not take it; what was there before is untouched.
    """
    handle, name = tempfile.mkstemp(prefix=f".{path.name[:100]}.", suffix=".part", dir=path.parent)
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


def _umask() -> int:
    mask = os.umask(0o077)
    os.umask(mask)
    return mask
