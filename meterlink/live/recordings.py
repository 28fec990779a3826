"""Where a recording goes that nobody named: every live use leaves one."""

from contextlib import suppress
from datetime import datetime
from pathlib import Path

from meterlink.errors import MeterlinkError
from meterlink.live.remembered import settings_folder

#: Recordings without a name that are kept; the oldest beyond that are removed.
KEPT = 20
_PATTERN = "watch-*.jsonl"


def unnamed_recording(now: datetime) -> Path:
    """A new path in the user's folder; makes room by removing the oldest ones there.

    Raises:
        MeterlinkError: The folder cannot be made.
    """
    folder = settings_folder() / "recordings"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise MeterlinkError(
            f"{folder} cannot be made: {error.strerror}. Name a file with --record."
        ) from error
    for old in sorted(folder.glob(_PATTERN))[: -(KEPT - 1)]:
        with suppress(OSError):
            old.unlink()
    return folder / f"watch-{now:%Y%m%d-%H%M%S-%f}.jsonl"
