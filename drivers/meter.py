"""A live meter: a thread that reads its link, asks where it must be asked, and opens it again.

The thread does nothing else, so that no byte is lost while the rest of the program is busy. What
happens on the link is given to ``emit`` as capture events in time order; the thread ends only when
it is stopped. A link that fails is opened again until it is there, under its own name or, for USB
adapters, under the name that the same adapter has then.
"""

import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Protocol

from drivers.address import Address, Begun, Finder, Link, open_link
from drivers.errors import DriverError, OperatingError
from drivers.readings import Event, Mark, Received, Sent
from drivers.segments import FRAME_BYTES

#: A read waits at most so long, so that stopping takes no longer.
_READ_S = 0.1
_REOPEN_EVERY_S = 0.5
#: A meter that was asked and says nothing is asked again after this.
ANSWER_WITHIN_S = 3.0

Emit = Callable[[Event], None]


class Talk(Protocol):
    """How to get readings out of a meter: configure it, then ask, or only listen."""

    def begin(self, link: Link) -> Begun:
        """Set the meter up on a link just opened.

        Raises:
            DriverError: It is no meter, or the link failed.
        """

    def step(self, link: Link) -> None:
        """Move bytes for a moment (some tenths of a second at most)."""

    def end(self, link: Link) -> None:
        """Give the meter back to its front panel."""


class Listening:
    """A meter that streams, or that answers one fixed question."""

    def __init__(self, address: Address, emit: Emit, clock: Callable[[], float]) -> None:
        """What ``address.ask`` holds is sent once an answer has come, not before ``every_s``."""
        self._settings = address.capture_settings
        self._emit = emit
        self._clock = clock
        self._ask = address.ask
        self._is_framed = address.driver == "segments"
        self._every_s = address.every_s
        self._asked_s: float | None = None
        self._answered = True

    def begin(self, link: Link) -> Begun:
        """Nothing to set up."""
        del link
        self._asked_s = None
        return Begun("", self._settings)

    def step(self, link: Link) -> None:
        """Ask if it is time, then read."""
        timeout_s = _READ_S
        if self._ask:
            timeout_s = self._ask_if_due(link)
        data = link.read(timeout_s)
        if data:
            self._answered = self._answered or self._ends_answer(data[-1])
            self._emit(Received(self._clock(), data))

    def _ends_answer(self, last: int) -> bool:
        """Whether a byte is the last one of an answer: a line end, or the last of 14 in a frame."""
        return last >> 4 == FRAME_BYTES if self._is_framed else last in b"\r\n"

    def _ask_if_due(self, link: Link) -> float:
        """Returns how long to wait for bytes now."""
        now_s = self._clock()
        if self._asked_s is not None:
            wait_s = self._every_s if self._answered else max(self._every_s, ANSWER_WITHIN_S)
            left_s = self._asked_s + wait_s - now_s
            if left_s > 0:
                return min(left_s, _READ_S)
        link.write(self._ask)
        self._emit(Sent(now_s, self._ask))
        self._asked_s, self._answered = now_s, False
        return _READ_S

    def end(self, link: Link) -> None:
        """Nothing to give back."""


def make_talk(address: Address, emit: Emit, clock: Callable[[], float]) -> Talk:
    """The way of talking that an address asks for."""
    if address.driver == "scpi" and not address.ask:
        from drivers.scpi import ScpiTalk

        return ScpiTalk(address, emit, clock)
    return Listening(address, emit, clock)


class Meter:
    """A meter that is open now or will be again.

    Attributes:
        address: How it was opened.
        identity: What it says it is; empty where it says nothing.
        settings: What a capture must say so that its bytes can be read again.
    """

    def __init__(
        self,
        address: Address,
        emit: Emit,
        clock: Callable[[], float],
        *,
        finder: Finder | None = None,
    ) -> None:
        """Open the meter and set it up, in the calling thread.

        Args:
            address: Where it is.
            emit: Takes the events; called from the meter's thread.
            clock: Seconds since the start of the capture, steady.
            finder: Finds the port again after it went; a test may give its own.

        Raises:
            DriverError: It cannot be opened, or what answers is no meter.
        """
        self.address = address
        self._emit = emit
        self._clock = clock
        self._stopped = threading.Event()
        self._finder = finder or Finder(address)
        self._talk = make_talk(address, emit, clock)
        self._link: Link | None = None
        self.identity, self.settings = self._open(address)
        self._thread = threading.Thread(target=self._run, name="meter", daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def stop(self) -> None:
        """Give the meter back and close the port; returns when the thread has ended."""
        self._stopped.set()
        if self._thread.is_alive():
            self._thread.join(timeout=5.0)
        self._close(give_back=True)

    def _open(self, address: Address) -> Begun:
        link = open_link(address)
        self._link = link
        self._emit(Mark(self._clock(), "link-open", str(address)))
        try:
            return self._talk.begin(link)
        except BaseException:
            self._close()
            raise

    def _close(self, *, give_back: bool = False) -> None:
        link, self._link = self._link, None
        if link is None:
            return
        if give_back:
            with suppress(DriverError):
                self._talk.end(link)
        link.close()

    def _run(self) -> None:
        while not self._stopped.is_set():
            try:
                if self._link is None:
                    self._reopen()
                else:
                    self._talk.step(self._link)
            except OperatingError as error:
                self._lose(str(error))
            except Exception as error:  # noqa: BLE001 (a defect here must not end in silence)
                self._lose(f"A defect of this program: {type(error).__name__}: {error}.")

    def _lose(self, reason: str) -> None:
        self._close()
        self._emit(Mark(self._clock(), "link-lost", reason))

    def _reopen(self) -> None:
        self._stopped.wait(_REOPEN_EVERY_S)
        if self._stopped.is_set():
            return
        with suppress(DriverError):
            self._open(self._finder.current())
