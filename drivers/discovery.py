"""Finding meters: which ports there are, who answers on them, and how.

Listening comes first and sends nothing. Only where asking is allowed are bytes sent, and then only
``*IDN?``, which instruments of IEEE 488.2 answer and others pass over.
"""

import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace

from drivers.address import Address, Link, open_link
from drivers.errors import DriverError, OpeningError, UnavailableError
from drivers.readings import Function, Guess, Reading, guess

#: Speeds of meters, most common first (common practice).
SPEEDS = (9600, 2400, 19200, 1200, 4800, 38400, 57600, 115200)
#: Levels of DTR and RTS: the system's default (both on), then those that power optically isolated
#: cables (common practice; some cables want one way round, some the other).
LEVELS = ((None, None), (True, False), (False, True))
_SILENT_S = 2.5
_SPEED_S = 1.3
_ENOUGH_BYTES = 400
_ASK_SPEEDS = (9600, 19200, 115200)
_ANSWER_S = 1.0
_IDENTIFY = b"*IDN?\n"


@dataclass(frozen=True, slots=True)
class Port:
    """A place where a meter may be.

    Attributes:
        name: Serial port or VISA resource name.
        description: What the system says about it.
    """

    name: str
    description: str


@dataclass(frozen=True, slots=True)
class PortFound:
    """What is at a port.

    Attributes:
        port: The port.
        address: Address to open the meter by, ``None`` where there is none.
        text: Who answers, or what was seen instead and what to try.
    """

    port: Port
    address: Address | None
    text: str


def serial_ports() -> list[Port]:
    """Serial ports that the system knows of."""
    from serial.tools.list_ports import comports

    return [
        Port(port.device, "" if port.description in (None, "n/a") else str(port.description))
        for port in sorted(comports())
    ]


def visa_resources(library: str = "@py") -> list[Port]:
    """VISA resources that the library finds, serial ports left out.

    The search sends broadcasts on the network: for where asking is allowed only.

    Raises:
        UnavailableError: pyvisa or the library is not there.
    """
    import warnings

    from drivers.visa_link import open_library

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library warns of parts that are not installed
        manager = open_library(library)
        import pyvisa

        try:
            names = manager.list_resources()
        except (OSError, ValueError, pyvisa.Error) as error:
            raise UnavailableError(f"The VISA library {library!r} fails: {error}.") from error
    return [Port(name, "VISA") for name in names if not name.upper().startswith("ASRL")]


def examine(
    port: Port,
    *,
    ask: bool = False,
    speeds: tuple[int, ...] = SPEEDS,
    opener: Callable[[Address], Link] = open_link,
    clock: Callable[[], float] = time.monotonic,
) -> PortFound:
    """Find out who is at a port. Takes some seconds.

    Args:
        port: Where to look.
        ask: Whether ``*IDN?`` may be sent where nothing is heard.
        speeds: Line speeds to try.
        opener: Opens an address; a test may give its own.
        clock: Steady seconds.
    """
    bare = Address("lines", port.name, speeds[0])
    ear = _Ear(opener, clock)
    if bare.is_visa:
        return _ask_visa(port, ask, ear)
    seen = b""
    try:
        address, heard = _first_heard(bare, ear)
        if heard:
            for tried in _at_all_speeds(address, speeds):
                if tried is not address:
                    heard = ear.listen(tried, _SPEED_S)
                found = guess(heard)
                if found is not None:
                    return _streaming(port, tried, found)
                seen = seen or heard
        elif ask:
            return _ask_serial(port, ear)
    except OpeningError as error:
        return PortFound(port, None, str(error))
    except DriverError as error:
        return PortFound(port, None, f"It stopped while being listened to: {error}")
    return PortFound(port, None, _unknown_text(seen, ask=ask))


@dataclass(frozen=True, slots=True)
class _Ear:
    """Opens an address, hears what comes for a while, and closes it again."""

    opener: Callable[[Address], Link]
    clock: Callable[[], float]

    def listen(self, address: Address, for_s: float) -> bytes:
        """What comes without asking."""
        return self._hear(address, b"", for_s)

    def ask(self, address: Address) -> bytes:
        """What answers ``*IDN?``, up to its line end."""
        return self._hear(address, _IDENTIFY, _ANSWER_S)

    def _hear(self, address: Address, question: bytes, for_s: float) -> bytes:
        link = self.opener(address)
        heard = b""
        try:
            if question:
                link.write(question)
            until_s = self.clock() + for_s
            while (left_s := until_s - self.clock()) > 0 and len(heard) < _ENOUGH_BYTES:
                heard += link.read(min(left_s, 0.25))
                if question and b"\n" in heard:
                    break
        finally:
            with suppress(DriverError):
                link.close()
        return heard


def _first_heard(bare: Address, ear: _Ear) -> tuple[Address, bytes]:
    """Listen with the handshake lines at each of the usual levels until something is heard.

    Silence is silence at every speed, so that one speed is enough for this.
    """
    levels = LEVELS if bare.is_serial else LEVELS[:1]
    for dtr, rts in levels:
        address = replace(bare, dtr=dtr, rts=rts)
        heard = ear.listen(address, _SILENT_S)
        if heard:
            return address, heard
    return bare, b""


def _at_all_speeds(first: Address, speeds: tuple[int, ...]) -> Iterator[Address]:
    yield first
    if first.is_serial:  # a socket has no speed
        for baud in speeds[1:]:
            yield replace(first, baud=baud)


def _streaming(port: Port, heard: Address, found: Guess) -> PortFound:
    address = replace(heard, driver=found.driver, framing=found.framing)
    return PortFound(port, address, f"It streams; {found.driver} reads {_shown(found.example)}")


def _shown(reading: Reading) -> str:
    if reading.volts is None:
        return "overload" if reading.overload else f"no volts but {reading.quantity}"
    function = "" if reading.function is Function.UNKNOWN else f" {reading.function}"
    return f"{reading.volts * 1e3:g} mV{function}"


def _ask_serial(port: Port, ear: _Ear) -> PortFound:
    seen = b""
    for baud in _ASK_SPEEDS:
        address = Address("scpi", port.name, baud)
        answer = ear.ask(address)
        if _is_identity(answer):
            return _identified(port, address, answer)
        seen = seen or answer
    return PortFound(port, None, _unknown_text(seen, ask=True))


def _ask_visa(port: Port, ask: bool, ear: _Ear) -> PortFound:
    address = Address("scpi", port.name)
    if not ask:
        return PortFound(port, address, "Not asked who it is; --ask would send *IDN?.")
    try:
        answer = ear.ask(address)
    except DriverError as error:
        return PortFound(port, None, str(error))
    if _is_identity(answer):
        return _identified(port, address, answer)
    return PortFound(port, None, _unknown_text(answer, ask=True))


def _is_identity(answer: bytes) -> bool:
    """Four fields, printable (IEEE 488.2, 10.14)."""
    text = answer.strip()
    return text.count(b",") == 3 and all(32 <= byte < 127 for byte in text)


def _identified(port: Port, address: Address, answer: bytes) -> PortFound:
    return PortFound(port, address, f"It answers *IDN? as {answer.decode('ascii').strip()[:72]}")


def _unknown_text(seen: bytes, *, ask: bool) -> str:
    if seen:
        return (
            f"Bytes come that no driver makes sense of at any speed tried; the first are: "
            f"{repr(seen[:32])[1:]}. Is it a meter? Look up its line speed and format."
        )
    if ask:
        return (
            "Nothing is heard, and *IDN? is not answered. Is the meter on, and its link "
            "switched on?"
        )
    return (
        "Nothing is heard. Is the meter on, and its link switched on? A meter that answers only "
        "when asked is found with --ask."
    )
