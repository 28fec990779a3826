"""Captures: raw bytes of a meter and marks, as JSON Lines. Read, written, and decoded again.

The reader streams: memory does not grow with the file. A damaged line is skipped and reported with
its number; nothing in a file makes it hang or stop half way.

The writer loses nothing that was measured. Each event goes to the operating system at once, so that
it survives the death of the program, and to the disk at each mark and once a second, so that it
survives the loss of power.
"""

import os
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO, NamedTuple

from drivers.append_file import AppendFile, open_regular, sync_folder, why
from drivers.capture_lines import (
    MAX_LINE_BYTES,
    LineError,
    UnknownMarkError,
    read_event,
    read_header,
    write_event,
    write_header,
)
from drivers.closing import Closing
from drivers.errors import CaptureError, DriverError
from drivers.readings import (
    DRIVERS,
    Decoder,
    Event,
    Header,
    Mark,
    Reading,
    Received,
    Sent,
    at_time,
    make_decoder,
)

#: How far an event's time may be before the one in front of it. Marks and bytes are written by
#: different hands, so that small swaps are normal; the later one is then given the earlier's time.
TIME_TOLERANCE_S = 1.0
MAX_REPORTED = 1000


class Damage(NamedTuple):
    """A line that was passed over: its number in the file (the header is 1) and what is wrong."""

    line: int
    reason: str


class CaptureReader(Closing):
    """Iterates over the events of a capture; give it a path or an open binary stream.

    Attributes:
        name: File name, for messages.
        header: The first line.
        damaged: Lines skipped because they could not be read, at most ``MAX_REPORTED`` of them.
        damaged_count: Number of all lines skipped.
        warnings: Lines passed over for another reason: unknown mark, torn last line.
    """

    def __init__(self, source: str | os.PathLike[str] | BinaryIO) -> None:
        """Open and read the header.

        Raises:
            CaptureError: No such file, no permission, no capture, another version, an unknown
                driver, or settings that the driver cannot use.
        """
        if isinstance(source, str | os.PathLike):
            self.name = os.fspath(source)
            try:
                self._stream: BinaryIO = open_regular(Path(source))
            except OSError as error:
                raise CaptureError(
                    f"{self.name}: cannot be opened: {why(error).lower()}. "
                    "Give the path of a capture file."
                ) from error
            self._owned = True
        else:
            self.name = str(getattr(source, "name", "capture"))
            self._stream = source
            self._owned = False
        self.damaged: list[Damage] = []
        self.damaged_count = 0
        self.warnings: list[Damage] = []
        self._line = 0
        try:
            self.header = self._read_header()
        except DriverError:
            self.close()
            raise

    def make_decoder(self) -> Decoder:
        """Make the decoder that the header asks for."""
        return make_decoder(self.header.driver, self.header.settings)

    def close(self) -> None:
        """Close the file, if this reader opened it."""
        if self._owned:
            self._stream.close()

    def __iter__(self) -> Iterator[Event]:
        """Give the sound events in time order. One is held back: see ``_place``."""
        held: tuple[int, Event] | None = None
        before_s = 0.0
        for number, event in self._sound_events():
            if held is None:
                held = (number, event)
                continue
            held_number, held_event = held
            if event.t_s < held_event.t_s - TIME_TOLERANCE_S:
                # One of the two has a wrong time. A line whose clock leapt ahead is found out by
                # the next one, which goes on from before the leap.
                if event.t_s >= before_s - TIME_TOLERANCE_S:
                    leap_s = held_event.t_s - event.t_s
                    self._skip(held_number, f"its time is {leap_s:.3f} s ahead of the next line's")
                    held = (number, event)
                else:
                    back_s = held_event.t_s - event.t_s
                    self._skip(number, f"its time goes back by {back_s:.3f} s")
                continue
            before_s = max(before_s, held_event.t_s)
            yield at_time(held_event, max(held_event.t_s, before_s))
            held = (number, event)
        if held is not None:
            yield at_time(held[1], max(held[1].t_s, before_s))

    def _read_header(self) -> Header:
        line = self._next_line()
        if line is None:
            raise CaptureError(f"{self.name}: the file is empty, and so no capture.")
        try:
            header = read_header(line.removeprefix(b"\xef\xbb\xbf"))
        except LineError as error:
            raise CaptureError(f"{self.name}, line 1: not a capture: {error}.") from error
        if header.driver not in DRIVERS:
            known = ", ".join(DRIVERS)
            raise CaptureError(
                f"{self.name}, line 1: driver {header.driver[:40]!r} is not known. "
                f"Known drivers: {known}."
            )
        try:
            make_decoder(header.driver, header.settings)
        except DriverError as error:
            raise CaptureError(f"{self.name}, line 1: {error}") from error
        return header

    def _sound_events(self) -> Iterator[tuple[int, Event]]:
        while (line := self._next_line()) is not None:
            if not line.strip():
                continue
            try:
                yield self._line, read_event(line)
            except UnknownMarkError as error:
                self._warn(self._line, f"{error}; it was passed over")
            except LineError as error:
                if not line.endswith(b"\n") and len(line) <= MAX_LINE_BYTES:
                    self._warn(self._line, "the last line is torn (power lost?); it was dropped")
                else:
                    self._skip(self._line, str(error))

    def _next_line(self) -> bytes | None:
        """The next line, cut short beyond the bound; ``None`` at the end of the file."""
        try:
            line = self._stream.readline(MAX_LINE_BYTES + 1)
            if not line:
                return None
            self._line += 1
            piece = line
            while len(piece) > MAX_LINE_BYTES and not piece.endswith(b"\n"):
                piece = self._stream.readline(MAX_LINE_BYTES + 1)
        except OSError as error:
            raise CaptureError(
                f"{self.name}, line {self._line + 1}: cannot be read: {why(error).lower()}."
            ) from error
        return line

    def _skip(self, number: int, reason: str) -> None:
        self.damaged_count += 1
        if len(self.damaged) < MAX_REPORTED:
            self.damaged.append(Damage(number, reason))

    def _warn(self, number: int, reason: str) -> None:
        if len(self.warnings) < MAX_REPORTED:
            self.warnings.append(Damage(number, reason))


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
            raise CaptureError(f"{self.path}: cannot be created: {why(error).lower()}.") from error
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
        return CaptureError(
            f"{self.path}: recording stopped: {why(error).lower()}. The {self.lines} lines "
            "before are safe. Make room or record to another disk."
        )


def replay(reader: CaptureReader) -> Iterator[Reading | Mark]:
    """Feed the bytes of a capture through its driver.

    Args:
        reader: An open capture. What was wrong in it stands in its ``damaged`` and ``warnings``
            once the iterator is at its end.

    Yields:
        Readings and marks in the order of their times.
    """
    return decode(reader, reader.make_decoder())


def decode(events: Iterable[Event], decoder: Decoder) -> Iterator[Reading | Mark]:
    """Feed events to a decoder. Live use goes through here too, so that both give the same.

    Yields:
        The readings that the bytes complete, and the marks as they are.
    """
    for event in events:
        if isinstance(event, Received):
            yield from decoder.feed(event.data, event.t_s)
        elif isinstance(event, Sent):
            decoder.sent(event.data)
        else:
            if event.kind == "link-open":
                decoder.resync(event.t_s)
            yield event
