"""The recordings of a visit: one runs, and where it cannot be written a new one takes its place."""

from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime

from drivers.address import Address, steady_s
from drivers.closing import Closing
from drivers.errors import CaptureError, DriverError
from drivers.readings import Function
from meterlink.circuit.job import Job, header_of
from meterlink.live.recovery import close_open_test
from meterlink.live.session import LiveSession
from meterlink.testlog.captures import remove_if_empty
from meterlink.testlog.recorded import digests_of
from meterlink.visit.state import SetMark


class VisitRecording(Closing):
    """A live meter that is always recorded into the job's folder of captures.

    Args:
        job: The circuit and its folder.
        address: Of the meter.
        speed: How many times faster than the wall clock time runs; for simulated meters only.
        wanted: Function that the meter should be on; by default the one of the circuit's load.

    Attributes:
        session: The meter in use, with the recording that runs or broke off last.

    Raises:
        DriverError: The meter cannot be opened, or the recording not be begun.
    """

    def __init__(
        self,
        job: Job,
        address: Address,
        *,
        speed: float = 1.0,
        wanted: Function | None = None,
    ) -> None:
        self._job = job
        self._wanted = wanted or (Function.DC if job.circuit.signed else Function.AC)
        self._address = address
        self._clock: Callable[[], float] = lambda: speed * steady_s()
        self._is_broken = False
        self.session = self._open()

    @property
    def name(self) -> str:
        """File name of the recording."""
        return self.session.capture.name if self.session.capture else ""

    def digest(self, begun_s: float) -> str | None:
        """What the test that began then is known by in the log, if its recording can be read."""
        with suppress(OSError):
            if self.session.capture is not None:
                return digests_of(self.session.capture, [begun_s])[0]
        return None

    def close(self) -> None:
        """Give the meter back and end the recording."""
        self.session.close()

    def mark(self, request: SetMark) -> None:
        """Set a mark; it is on the disk after.

        Raises:
            CaptureError: It cannot be written.
        """
        setup = request.setup
        try:
            self.session.mark(
                request.kind,
                request.text,
                hookup=setup.hookup.value if setup else None,
                lead_a=setup.lead_a if setup else None,
                lead_b=setup.lead_b if setup else None,
                load_at=setup.load_at if setup else None,
                side=setup.side if setup else None,
                return_at=setup.return_at if setup else None,
            )
        except CaptureError:
            self._is_broken = True
            raise

    def go_on(self) -> None:
        """Go on with the recording, or begin a new one where it broke off.

        A test that was open then is void in the old one, at once or before the next visit.

        Raises:
            DriverError: Neither can be done now.
        """
        if not self.session.is_recording:
            broken = self.session.capture
            self.session.close()
            if broken is not None:
                with suppress(DriverError, OSError):
                    close_open_test(broken)
            self.session = self._open()
        elif self._is_broken:
            self.session.mark("void", "the recording could not be written for a while")
        self._is_broken = False

    def _open(self) -> LiveSession:
        wanted = self._wanted
        folder = self._job.captures_path
        path = folder / f"visit-{datetime.now(UTC):%Y%m%d-%H%M%S-%f}.jsonl"
        try:
            folder.mkdir(exist_ok=True)
        except OSError as error:
            raise CaptureError(f"{folder} cannot be made: {error.strerror}.") from error
        header = header_of(self._job.circuit)
        try:
            return LiveSession(
                self._address, path, circuit=header, wanted=wanted, clock=self._clock
            )
        except DriverError:
            remove_if_empty(path)
            raise
