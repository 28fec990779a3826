"""Simulated meters, for learning, for demonstrations and for tests.

A simulated meter is the far end of a real serial device: a pseudo-terminal, or a loopback TCP port
where there are none. A program opens ``meter.address`` as it would open a meter, with pyserial at a
real speed. What the meter measures is a function of time that the caller gives::

    def volts(t_s: float) -> float:      # seconds since the meter was made
        return 0.008 + (0.150 if load.is_on else 0.0)

    with SimulatedMeter(volts, driver="lines", rate_hz=10) as meter:
        ...  # open meter.address

The meter lags behind its input, reads with noise, shows overload while it changes range, and can be
given faults at any moment: see the methods. The bytes stand in ``drivers.simulated_bytes``.
"""

import math
import os
import random
import select
import socket
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from drivers.address import DEFAULT_BAUD
from drivers.closing import Closing
from drivers.errors import UnavailableError
from drivers.readings import Function
from drivers.simulated_bytes import (
    SimulatedInstrument,
    lines_text,
    nr3_text,
    range_of,
    segment_frame,
)


def available() -> bool:
    """Whether this system has pseudo-terminals (Linux, macOS)."""
    return sys.platform != "win32"


class PseudoTerminal:
    """A serial line of which the other end is a device that programs can open.

    Attributes:
        port: Name of that device.
    """

    def __init__(self) -> None:
        """Make one.

        Raises:
            UnavailableError: The system has none.
        """
        if not available():
            raise UnavailableError(
                "This system has no pseudo-terminals. Use a loopback socket (socket=True)."
            )
        import tty

        self._far, self._near = os.openpty()
        # The near end is kept open here too, so that the line outlives the programs that use it.
        tty.setraw(self._near)
        os.set_blocking(self._far, False)
        self.port = os.ttyname(self._near)

    def write(self, data: bytes) -> int:
        """Send bytes; returns how many the line took."""
        try:
            return os.write(self._far, data)
        except BlockingIOError:
            return 0

    def read(self, timeout_s: float) -> bytes:
        """What the program sent, waiting at most so long."""
        ready, _, _ = select.select([self._far], [], [], timeout_s)
        if ready:
            with suppress(OSError):
                return os.read(self._far, 4096)
        return b""

    def close(self) -> None:
        """Pull the cable."""
        for descriptor in (self._far, self._near):
            with suppress(OSError):
                os.close(descriptor)


class LoopbackSocket:
    """The same over a TCP port of this machine, for one program at a time.

    Attributes:
        port: pyserial URL of it.
        number: The port number.
    """

    def __init__(self) -> None:
        """Listen on a free port of the loopback interface."""
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.setblocking(False)
        self.number = int(self._listener.getsockname()[1])
        self.port = f"socket://127.0.0.1:{self.number}"
        self._peer: socket.socket | None = None

    def write(self, data: bytes) -> int:
        """Send bytes; returns how many were taken. Without a program they are lost."""
        peer = self._connected()
        if peer is None:
            return len(data)
        try:
            return peer.send(data)
        except BlockingIOError:
            return 0
        except OSError:
            self._hang_up()
            return len(data)

    def read(self, timeout_s: float) -> bytes:
        """What the program sent, waiting at most so long."""
        peer = self._connected()
        ready, _, _ = select.select([peer or self._listener], [], [], timeout_s)
        if not ready or peer is None:
            return b""
        try:
            data = peer.recv(4096)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def close(self) -> None:
        """Pull the cable."""
        self._hang_up()
        self._listener.close()

    def _connected(self) -> socket.socket | None:
        if self._peer is None:
            with suppress(BlockingIOError):
                self._peer, _ = self._listener.accept()
                self._peer.setblocking(False)
        return self._peer

    def _hang_up(self) -> None:
        if self._peer is not None:
            self._peer.close()
            self._peer = None


Volts = Callable[[float], float]

#: How each kind of streaming meter writes a reading.
_WRITERS = {"lines": lines_text, "segments": segment_frame}


@dataclass(slots=True)
class Display:
    """What a simulated meter shows of its input. Plain numbers, no clock.

    Attributes:
        lag_s: Time constant with which the display follows the input.
        noise_v: Standard deviation of the meter's own noise.
        overloads: Readings of overload shown at each change of range.
        function: AC or DC volts, or another function.
        quantity: Unit where it is another function.
        held: The hold key is pressed: the display stands still.
    """

    lag_s: float = 0.0
    noise_v: float = 0.0
    overloads: int = 1
    function: Function = Function.AC
    quantity: str = "V"
    held: bool = False
    _level_v: float | None = None
    _at_s: float = 0.0
    _range: int | None = None
    _overloads_left: int = 0
    _shown_v: float | None = 0.0

    def show(self, volts: float, t_s: float, rng: random.Random) -> float | None:
        """Follow the input; returns what is shown, ``None`` for overload."""
        if self._level_v is None or self.lag_s <= 0:
            self._level_v = volts
        else:
            share = -math.expm1(-(t_s - self._at_s) / self.lag_s)
            self._level_v += (volts - self._level_v) * share
        self._at_s = t_s
        seen_v = self._level_v + (rng.gauss(0.0, self.noise_v) if self.noise_v else 0.0)
        if self.function is Function.AC:
            seen_v = abs(seen_v)
        place = range_of(seen_v)
        if self._range is not None and place != self._range:
            self._overloads_left = self.overloads
        self._range = place
        if self.held:
            return self._shown_v
        if self._overloads_left > 0:
            self._overloads_left -= 1
            self._shown_v = None
        else:
            self._shown_v = seen_v
        return self._shown_v


class SimulatedMeter(Closing):
    """A meter behind a real device: it streams readings, or answers SCPI commands.

    Attributes:
        driver: ``lines``, ``segments`` or ``scpi``.
        instrument: Of ``scpi``: what answers; its fields may be changed.
        display: What it does to its input; its fields may be changed at any time.
        sent: Number of whole readings sent so far, faults apart.
    """

    def __init__(
        self,
        volts: Volts,
        *,
        driver: str = "lines",
        rate_hz: float = 4.0,
        display: Display | None = None,
        bare: bool = False,
        use_socket: bool | None = None,
        seed: int = 0,
        clock: Callable[[], float] = time.monotonic,
        on_sent: Callable[[bytes], None] | None = None,
        instrument: SimulatedInstrument | None = None,
    ) -> None:
        """Make the device and begin to send.

        Args:
            volts: Momentary input in volts at a time in seconds since the meter was made.
            driver: Wire format: ``lines``, ``segments`` or ``scpi``.
            rate_hz: Readings a second; of ``scpi`` at most so many.
            display: Lag, noise, function.
            bare: Of ``lines``: NR3 numbers without unit or words.
            use_socket: Loopback TCP port instead of a pseudo-terminal; default where there is none.
            seed: Of the noise.
            clock: Steady seconds.
            on_sent: Called with the bytes of each reading that went out whole and unchanged.
            instrument: Of ``scpi``: what answers, such as a supply; by default a voltmeter.
        """
        self.driver = driver
        self.display = display or Display()
        self.sent = 0
        self._on_sent = on_sent
        self._volts = volts
        self._write = nr3_text if bare else None
        self._period_s = 1.0 / rate_hz
        self._use_socket = not available() if use_socket is None else use_socket
        self._rng = random.Random(seed)
        self._clock = clock
        self._start_s = clock()
        self._asleep = threading.Event()
        self._stopped = threading.Event()
        self._lock = threading.Lock()
        self._line: PseudoTerminal | LoopbackSocket | None = self._new_line()
        self._port = self._line.port
        self._garble: Callable[[bytes], bytes] | None = None
        self.instrument = instrument or SimulatedInstrument(self._measure)
        run = self._run_instrument if driver == "scpi" else self._run
        self._thread = threading.Thread(target=run, name="simulated meter", daemon=True)
        self._thread.start()

    @property
    def port(self) -> str:
        """Name of the device, the last one while it is unplugged."""
        return self._port

    @property
    def address(self) -> str:
        """Address to open it by."""
        if self.driver == "scpi" and isinstance(self._line, LoopbackSocket):
            return f"scpi:TCPIP::127.0.0.1::{self._line.number}::SOCKET"
        words = [f"{self.driver}:{self._port}"]
        if "://" not in self._port:
            words += [str(DEFAULT_BAUD[self.driver])]
        if self._write is not None:
            words.append(f"function={self.display.function}")
        return ",".join(words)

    def close(self) -> None:
        """Stop and remove the device."""
        self._stopped.set()
        self._thread.join(timeout=5.0)
        self.unplug()

    # Faults. Each takes effect at once.

    def unplug(self) -> None:
        """Pull the cable: the device goes away."""
        with self._lock:
            if self._line is not None:
                self._line.close()
                self._line = None

    def plug(self) -> None:
        """Put the cable back: a device comes, often under another name."""
        with self._lock:
            if self._line is None:
                self._line = self._new_line()
                self._port = self._line.port

    def sleep(self) -> None:
        """Stop sending, as a meter that switches itself off."""
        self._asleep.set()

    def wake(self) -> None:
        """Send again."""
        self._asleep.clear()

    def garble(self, change: Callable[[bytes], bytes] | None) -> None:
        """Send ``change(bytes)`` in place of each reading's bytes; ``None`` ends that."""
        self._garble = change

    def send(self, data: bytes) -> None:
        """Send foreign bytes between two readings."""
        with self._lock:
            self._send(data)

    def _new_line(self) -> PseudoTerminal | LoopbackSocket:
        return LoopbackSocket() if self._use_socket else PseudoTerminal()

    def _run(self) -> None:
        due_s = self._start_s + self._period_s
        while not self._stopped.wait(max(0.0, due_s - self._clock())):
            now_s = self._clock()
            while due_s <= now_s:
                self._reading(due_s - self._start_s)
                due_s += self._period_s

    def _run_instrument(self) -> None:
        while not self._stopped.is_set():
            line = self._line
            if line is None:
                self._stopped.wait(0.01)
                continue
            try:
                data = line.read(0.02)
            except (OSError, ValueError):  # unplugged while it waited
                continue
            for command in self.instrument.take(data):
                self._obey(command)

    def _obey(self, command: str) -> None:
        if command.upper().startswith("READ"):
            self._stopped.wait(self._period_s)
        reply = self.instrument.answer(command)
        if not reply or self._asleep.is_set():
            return
        with self._lock:
            sent = self._send(reply if self._garble is None else self._garble(reply))
            if sent and command.upper().startswith("READ") and self._garble is None:
                self._count(reply)

    def _measure(self) -> float | None:
        t_s = self._clock() - self._start_s
        self.display.function = self.instrument.function
        return self.display.show(self._volts(t_s), t_s, self._rng)

    def _reading(self, t_s: float) -> None:
        shown_v = self.display.show(self._volts(t_s), t_s, self._rng)
        if self._asleep.is_set():
            return
        data = self._text(shown_v)
        if self._garble is not None:
            data = self._garble(data)
        with self._lock:
            if self._send(data) and self._garble is None:
                self._count(data)

    def _count(self, data: bytes) -> None:
        self.sent += 1
        if self._on_sent is not None:
            self._on_sent(data)

    def _text(self, volts: float | None) -> bytes:
        display = self.display
        if self._write is not None:
            return self._write(volts)
        return _WRITERS[self.driver](
            volts, display.function, hold=display.held, quantity=display.quantity
        )

    def _send(self, data: bytes) -> bool:
        """Whether all bytes went out; as on a real line, they are lost where nobody takes them."""
        if self._line is None:
            return False
        gone = self._line.write(data)
        if gone == 0:
            return False
        for _ in range(200):  # half a reading is on its way: the rest must follow
            if gone == len(data):
                return True
            time.sleep(0.005)
            gone += self._line.write(data[gone:])
        return False
