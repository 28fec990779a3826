"""The job's folder of captures: each visit kept once, under a name of its own.

Two files are the same visit if one holds the other from its first byte on: a recording that went on
after it was first read is still the same recording. The name of the file alone says nothing, as
every recording may be called ``visit.jsonl``.
"""

import hashlib
from collections.abc import Iterable, Iterator
from pathlib import Path

from meterlink.files import sync_folder, write_durably

_CHUNK_BYTES = 1 << 20


def kept_name(capture: Path, folder: Path, kept: Iterable[Path] | None = None) -> str:
    """The name under which a capture is kept, or will be, in a folder of captures.

    Args:
        capture: The file to keep.
        folder: The folder, which need not exist.
        kept: Files in it that may be the same visit, where the caller knows; else all are compared.

    Raises:
        OSError: A file cannot be read.
    """
    if kept is None:
        kept = sorted(folder.iterdir()) if folder.is_dir() else []
    for path in filter(Path.is_file, kept):
        if is_same_visit(path, capture):
            return path.name
    name = capture.name.encode("utf-8", "replace").decode("utf-8").replace("/", "-")
    if not (folder / name).exists():
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


def _chunks(path: Path, at_most: int | None = None) -> Iterator[bytes]:
    left = path.stat().st_size if at_most is None else at_most
    with path.open("rb") as stream:
        while left > 0 and (chunk := stream.read(min(_CHUNK_BYTES, left))):
            yield chunk
            left -= len(chunk)
