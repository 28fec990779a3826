"""Writing captures so that nothing that was measured is lost.

Each event goes to the operating system at once, so that it survives the death of the program, and
to the disk at each mark and once a second, so that it survives the loss of power.
"""

import os
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from drivers.append_file import AppendFile, sync_folder
from drivers.capture_lines import LineError, write_event, write_header
from drivers.closing import Closing
from drivers.errors import CaptureError, DriverError
from drivers.events import Event, Header, Mark

_SYNC_EVERY_S = 1.0


class CaptureWriter(Closing):
    """Writes a new capture; never over an existing file.

    After a write that failed the file is cut back to its last whole line, so that it stays valid.

    Attributes:
        path: Where it is.
        lines: Lines written so far, the header among them.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        header: Header,
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Create the file and write the header through to the disk.

        Args:
            path: A file that does not exist yet, in a folder that does.
            header: The first line.
            clock: Seconds, for the once-a-second flush to the disk.

        Raises:
            CaptureError: It exists, cannot be created, or the disk is full.
        """
        self.path = Path(path)
        self.lines = 0
        self._closed = False
        self._clock = clock
        self._synced_s = clock()
        self._unsynced = False
        try:
            self._file = AppendFile(self.path, new=True)
        except FileExistsError as error:
            raise CaptureError(
                f"{self.path} exists already, and a recording is never overwritten. "
                "Give another file name."
            ) from error
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise CaptureError(f"{self.path}: cannot be created: {reason}.") from error
        try:
            self._append(write_header(header))
            self.sync()
            sync_folder(self.path.parent)
        except DriverError:
            self.close()
            raise

    def write(self, event: Event) -> None:
        """Append one event; a mark is on the disk when this returns, bytes are within a second.

        Raises:
            CaptureError: The disk is full or gone, or a text in the event is beyond the bounds.
        """
        self.append(event)
        if isinstance(event, Mark):
            self.sync()
        else:
            self.sync_if_due()

    def append(self, event: Event) -> None:
        """Give one event to the operating system; it survives the death of this program.

        Raises:
            CaptureError: The disk is full or gone, or a text in the event is beyond the bounds.
        """
        try:
            line = write_event(event)
        except LineError as error:
            raise CaptureError(f"{self.path}: this cannot be recorded: {error}.") from error
        self._append(line)

    def sync_if_due(self) -> None:
        """Bring what was written to the disk if the last time was a second ago."""
        if self._unsynced and self._clock() - self._synced_s >= _SYNC_EVERY_S:
            self.sync()

    def sync(self) -> None:
        """Bring what was written to the disk now, and see that the file is where it was.

        Raises:
            CaptureError: The disk refuses, or the file was moved, deleted or replaced.
        """
        try:
            self._file.check_place()
            self._file.sync()
        except OSError as error:
            raise self._failure(error) from error
        self._synced_s = self._clock()
        self._unsynced = False

    def close(self) -> None:
        """Bring everything to the disk and close. Calling it again does nothing."""
        if not self._closed:
            with suppress(OSError):
                self._file.sync()
            self._file.close()
        self._closed = True

    def _append(self, line: bytes) -> None:
        if self._closed:
            raise CaptureError(f"{self.path}: the recording is closed.")
        try:
            self._file.append(line)
        except OSError as error:
            raise self._failure(error) from error
        self.lines += 1
        self._unsynced = True

    def _failure(self, error: OSError) -> CaptureError:
        reason = (error.strerror or str(error)).lower()
        return CaptureError(
            f"{self.path}: recording stopped: {reason}. The {self.lines} lines before are safe. "
            "Make room or record to another disk."
        )
