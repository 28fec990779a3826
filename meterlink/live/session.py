"""The live loop, in one place: a meter, its recording, marks, and what a person must be told.

The meter's thread (``drivers.meter``) writes each event to the capture and puts it in a queue, both
under one lock, so that live use and a replay of the capture see the same events in the same order.
The queue is decoded in the thread that calls ``poll``. A third thread brings the capture to the
disk once a second, so that a slow disk holds nothing up.

Use::

    with LiveSession("lines:/dev/ttyUSB0,9600", Path("visit.jsonl")) as session:
        session.mark("test", hookup="neutral-ground", lead_a="Desk", load_at="Desk")
        while True:
            for event in session.poll(timeout_s=0.2):
                match event:
                    case Reading(): ...
                    case Mark(): ...      # one's own marks come back in order, and link marks
                    case Notice(): ...    # something to tell the person
"""

import threading
from collections import deque
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path

from drivers.address import Address, Finder, parse_address, steady_s
from drivers.capture import CaptureWriter
from drivers.closing import Closing
from drivers.errors import CaptureError
from drivers.meter import Meter
from drivers.readings import (
    Event,
    Function,
    Header,
    Mark,
    Reading,
    Received,
    Sent,
    at_time,
    make_decoder,
)
from meterlink.visit.notices import Notice, NoticeKind, Watch

#: Events that may wait to be decoded; a program that falls behind further loses them from view,
#: not from the capture.
MAX_WAITING = 100_000
_SYNC_EVERY_S = 1.0


class LiveSession(Closing):
    """A meter in use. Close it, or use it in a ``with`` statement.

    Attributes:
        meter: The open meter, with its identity.
        capture: Path of the recording, ``None`` where there is none.
        started: Wall-clock time of second zero.
    """

    def __init__(
        self,
        address: str | Address,
        capture: Path | None = None,
        *,
        circuit: Mapping[str, object] | None = None,
        wanted: Function = Function.AC,
        clock: Callable[[], float] = steady_s,
        finder: Finder | None = None,
    ) -> None:
        """Open a meter and begin to record.

        Args:
            address: Address of the meter (``drivers.address``).
            capture: File to record to; it must not exist. Tests and visits always record.
            circuit: What the header says of the circuit.
            wanted: Function that the readings should be in; others are told about.
            clock: Steady seconds.
            finder: Finds the port again after it went (default: by its USB adapter).

        Raises:
            DriverError: The meter cannot be opened, or the file cannot be written.
        """
        where = parse_address(address) if isinstance(address, str) else address
        self.capture = capture
        self.started = datetime.now(UTC)
        self._clock = clock
        self._zero_s = clock()
        self._last_s = 0.0
        self._ready = threading.Condition()
        self._waiting: deque[Event] = deque()
        self._troubles: deque[Notice] = deque()
        self._writer: CaptureWriter | None = None
        self._watch = Watch(wanted)
        self._stopped = threading.Event()
        self._syncer: threading.Thread | None = None
        self.meter = Meter(where, self._take, self.now_s, finder=finder)
        self._decoder = make_decoder(where.driver, self.meter.settings)
        try:
            if capture is not None:
                self._begin_recording(capture, where, circuit)
        except CaptureError:
            self.meter.stop()
            raise
        self.meter.start()

    @property
    def dropped_bytes(self) -> int:
        """Bytes so far that made no reading."""
        return self._decoder.dropped_bytes

    @property
    def is_recording(self) -> bool:
        """Whether what comes is being written to the capture."""
        return self._writer is not None

    @property
    def rubbish(self) -> bytes:
        """The first bytes since the last reading that make none."""
        return self._watch.rubbish

    def now_s(self) -> float:
        """Seconds since the start, as precise as a capture keeps them."""
        return round(self._clock() - self._zero_s, 6)

    def poll(self, timeout_s: float) -> list[Reading | Mark | Notice]:
        """What has come since the last call, in order; waits at most ``timeout_s`` for something.

        Returns:
            An empty list once the time is up: the call never blocks for longer.
        """
        with self._ready:
            if not self._waiting and not self._troubles:
                self._ready.wait(timeout_s)
            events = list(self._waiting)
            self._waiting.clear()
            found: list[Reading | Mark | Notice] = list(self._troubles)
            self._troubles.clear()
        for event in events:
            found += self._decode(event)
        found += self._watch.time_passed(self.now_s())
        return found

    def mark(
        self,
        kind: str,
        text: str = "",
        *,
        hookup: str | None = None,
        lead_a: str | None = None,
        lead_b: str | None = None,
        load_at: str | None = None,
        side: str | None = None,
        return_at: str | None = None,
    ) -> None:
        """Set a mark at this moment (kinds: ``drivers.readings.MARK_KINDS``); it is on disk after.

        It comes back from ``poll`` in its place among the readings.

        Raises:
            CaptureError: A text is beyond the bounds of a capture, or the disk refuses.
        """
        mark = Mark(0.0, kind, text, hookup, lead_a, lead_b, load_at, side, return_at)
        with self._ready:
            writer = self._writer
            self._append(mark, strict=True)
        if writer is not None:
            writer.sync()

    def close(self) -> None:
        """Give the meter back, end the recording. What was not polled yet can still be."""
        self.meter.stop()
        self._stopped.set()
        if self._syncer is not None:
            self._syncer.join(timeout=5.0)
        with self._ready:
            if self._writer is not None:
                self._writer.close()
                self._writer = None

    def _begin_recording(
        self, path: Path, where: Address, circuit: Mapping[str, object] | None
    ) -> None:
        instrument = {"address": str(where)}
        if self.meter.identity:
            instrument["identity"] = self.meter.identity
        header = Header(self.started, where.driver, self.meter.settings, circuit, instrument)
        with self._ready:
            writer = CaptureWriter(path, header)
            for event in self._waiting:  # the opening and the setting up
                writer.append(event)
            writer.sync()
            self._writer = writer
        self._syncer = threading.Thread(target=self._sync_often, name="disk", daemon=True)
        self._syncer.start()

    def _take(self, event: Event) -> None:
        """An event of the meter's thread."""
        with self._ready:
            self._append(event)

    def _append(self, event: Event, *, strict: bool = False) -> None:
        """Record and queue an event; the lock is held. Times never go back."""
        t_s = max(event.t_s or self.now_s(), self._last_s)
        self._last_s = t_s
        event = at_time(event, t_s)
        if self._writer is not None:
            try:
                self._writer.append(event)
            except CaptureError as error:
                if strict:
                    raise
                self._stop_recording(error)
        if len(self._waiting) >= MAX_WAITING:
            self._waiting.clear()
            text = (
                "The program fell behind the meter; readings were left out here. They are in the "
                "recording: replay it."
            )
            self._troubles.append(Notice(t_s, NoticeKind.BEHIND, text))
        self._waiting.append(event)
        self._ready.notify_all()

    def _stop_recording(self, error: CaptureError) -> None:
        """Record no more, and tell why; the lock is held."""
        if self._writer is not None:
            self._writer.close()
            self._writer = None
        self._troubles.append(Notice(self._last_s, NoticeKind.RECORDING, str(error)))

    def _decode(self, event: Event) -> list[Reading | Mark | Notice]:
        if isinstance(event, Sent):
            self._decoder.sent(event.data)
            return []
        if isinstance(event, Received):
            return self._decode_bytes(event)
        notices: list[Notice] = []
        if event.kind == "link-open":
            self._decoder.resync(event.t_s)
        elif event.kind == "link-lost":
            notices = self._watch.lost(event.t_s, event.text)
        return [event, *notices]

    def _decode_bytes(self, event: Received) -> list[Reading | Mark | Notice]:
        readings = self._decoder.feed(event.data, event.t_s)
        found: list[Reading | Mark | Notice] = []
        for reading in readings:
            found += self._watch.reading_came(reading)
            found.append(reading)
        found += self._watch.bytes_came(event.data, event.t_s, readings=len(readings))
        return found

    def _sync_often(self) -> None:
        while not self._stopped.wait(_SYNC_EVERY_S):
            writer = self._writer
            if writer is None:
                continue
            try:
                writer.sync()
            except CaptureError as error:  # the disk refuses, or the file was moved away
                with self._ready:
                    if self._writer is writer:
                        self._stop_recording(error)
                        self._ready.notify_all()
