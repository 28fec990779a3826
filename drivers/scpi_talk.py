"""How to talk to a message-based instrument (IEEE 488.2, SCPI-99).

Setting up: identify, clear, configure AC volts, DC volts or ohms, choose the filter or integration
that gives most readings while it still averages the mains cycle. Ohms are measured with four wires
where the instrument can, else with two. After each command the error queue is read
empty, so that a refused command is known and named; the instrument is then used with what it
accepts. Everything asked while setting up is answered by text, never by a bare number, so that no
answer can be taken for a reading when the capture is read again.
"""

from collections.abc import Callable

from drivers.address import Address
from drivers.errors import OpeningError, OperatingError, SilentError
from drivers.events import Event, Mark, Received, Sent
from drivers.links import Begun, Link
from drivers.scpi_errors import ScpiError, parse_error

#: Line ends to try, most common first (over a serial line LF or CR LF; a few want CR).
_LINE_ENDS = (b"\n", b"\r\n", b"\r")
_IDENTIFY_S = 1.5
_REPLY_S = 2.0
#: A reading may take several filter periods of a slow instrument, and an automatic range change.
_READING_S = 8.0
_POLL_S = 0.1
_MOST_ERRORS = 32  # a queue that never empties is a fault of the instrument
_MOST_REPLY_BYTES = 16_384
_QUIET_TIMEOUTS = 2


#: What makes an instrument measure a function, best first.
_CONFIGURE = {
    "AC": ("CONF:VOLT:AC",),
    "DC": ("CONF:VOLT:DC",),
    "OHM": ("CONF:FRES", "CONF:RES"),
}


class ScpiTalk:
    """Sets an instrument up and asks it for readings, one after another."""

    def __init__(
        self, address: Address, emit: Callable[[Event], None], clock: Callable[[], float]
    ) -> None:
        """Nothing is sent before ``begin``."""
        self._address = address
        self._emit = emit
        self._clock = clock
        self._line_end = b"\n"
        self._pending = b""
        self._asked_s: float | None = None
        self._missed = 0
        self._knows_errors = True

    def begin(self, link: Link) -> Begun:
        """Identify and configure the instrument.

        Raises:
            SilentError: Nothing answers.
            OpeningError: What answers is no voltmeter.
        """
        self._pending, self._asked_s, self._missed = b"", None, 0
        identity = self._identify(link)
        self._send(link, "*CLS")
        self._knows_errors = True
        self._errors(link)
        settings = self._address.capture_settings
        accepted = self._configure(link, identity)
        if accepted is None:
            settings.pop("function", None)  # it measures what it was set to by hand
        elif self._address.function == "OHM":
            settings["wires"] = 4 if "FRES" in accepted else 2
        return Begun(identity, settings)

    def step(self, link: Link) -> None:
        """Ask for a reading if none is on its way; move bytes."""
        now_s = self._clock()
        if self._asked_s is None:
            self._send(link, "READ?")
            self._asked_s = now_s
        if self._reply(link, _POLL_S) is not None:
            self._asked_s, self._missed = None, 0
        elif now_s - self._asked_s > _READING_S:
            self._asked_s = None
            self._missed += 1
            if self._missed >= _QUIET_TIMEOUTS:
                raise OperatingError(
                    f"The instrument at {self._address.port} does not answer any more. Check its "
                    "power and the cable."
                )
            self._tell(self._errors(link))

    def end(self, link: Link) -> None:
        """Give the instrument back to its front panel."""
        # SYST:LOC is common practice on serial lines and sockets; on a bus or USB closing the link
        # does it. An instrument that does not know the command goes on as it was.
        if not self._address.is_visa or self._address.port.upper().endswith("::SOCKET"):
            self._send(link, "SYST:LOC")

    def _identify(self, link: Link) -> str:
        for line_end in _LINE_ENDS:
            if line_end != _LINE_ENDS[0]:
                link.write(line_end)  # ends what the instrument holds of the attempt before
            self._line_end = line_end
            self._send(link, "*IDN?")
            identity = self._text_reply(link, _IDENTIFY_S)
            if identity:
                return identity[:72]
            self._pending = b""
        raise SilentError(
            f"Nothing at {self._address.port} answers *IDN?. Check power, cable, line speed and "
            "that the instrument's remote interface is on; a meter that streams without being "
            "asked is opened with lines: or segments:."
        )

    def _configure(self, link: Link, identity: str) -> str | None:
        """Returns the command that it took; ``None`` where it measures something else."""
        if not self._address.is_visa:
            self._try(
                link, "SYST:REM"
            )  # some serial instruments want it, others lack it: no matter
        refused: list[ScpiError] = []
        accepted = None
        for wanted in _CONFIGURE[self._address.function]:
            if self._address.range_v is not None:
                wanted += f" {self._address.range_v:g}"
            errors = self._try(link, wanted)
            self._tell(errors)
            refused += errors
            if not errors:
                accepted = wanted
                break
        for command in _fine_tuning(accepted or wanted, self._address.cycles):
            self._tell(self._try(link, command))
        if accepted is None:
            self._prove_it_reads(link, identity, refused)
        return accepted

    def _prove_it_reads(self, link: Link, identity: str, refused: list[ScpiError]) -> None:
        self._send(link, "READ?")
        reply = self._text_reply(link, _REPLY_S)
        errors = [error.about("READ?") for error in self._errors(link)]
        if reply is None or errors:
            why = "; ".join(str(error) for error in refused + errors)
            raise OpeningError(
                f"{self._address.port} answers as {identity!r}, but it takes neither CONF nor "
                f"READ? ({why}). It seems to be no voltmeter. Choose another instrument."
            )

    def _try(self, link: Link, command: str) -> list[ScpiError]:
        self._send(link, command)
        return [error.about(command) for error in self._errors(link)]

    def _errors(self, link: Link) -> list[ScpiError]:
        """Read the error queue until it is empty (SCPI-99 vol. 2, 21.8)."""
        found: list[ScpiError] = []
        while self._knows_errors and len(found) < _MOST_ERRORS:
            self._send(link, "SYST:ERR?")
            reply = self._text_reply(link, _REPLY_S)
            error = parse_error(reply) if reply is not None else None
            if error is None:
                self._knows_errors = False  # an instrument from before SCPI; its errors stay unread
            elif error.code == 0:
                break
            else:
                found.append(error)
        return found

    def _tell(self, errors: list[ScpiError]) -> None:
        for error in errors:
            text = f"The instrument did not accept {error}. It is used with what it accepts."
            self._emit(Mark(self._clock(), "note", text))

    def _send(self, link: Link, message: str) -> None:
        data = message.encode() + self._line_end
        link.write(data)
        self._emit(Sent(self._clock(), data))

    def _text_reply(self, link: Link, within_s: float) -> str | None:
        until_s = self._clock() + within_s
        while (left_s := until_s - self._clock()) > 0:
            reply = self._reply(link, min(left_s, _POLL_S))
            if reply:
                return reply.decode("latin-1").strip()
        return None

    def _reply(self, link: Link, timeout_s: float) -> bytes | None:
        """One whole reply, or ``None`` if it is not there yet."""
        data = link.read(timeout_s)
        if data:
            self._emit(Received(self._clock(), data))
            self._pending = (self._pending + data)[-_MOST_REPLY_BYTES:]
        joined = self._pending.replace(b"\r", b"\n").lstrip(b"\n")
        reply, end, rest = joined.partition(b"\n")
        if not end:
            return None
        self._pending = rest
        return reply


def _fine_tuning(configured: str, cycles: float | None) -> tuple[str, ...]:
    """Commands that instruments may lack without harm.

    AC: the filter for signals from 20 Hz up is the fastest that still averages mains of 50 or 60 Hz
    (common practice: filters of 3, 20 and 200 Hz). DC and ohms: one mains cycle of integration
    takes the pickup out and gives most readings; the instrument takes its own zero off each one.
    With four wires the ohms are freed from thermal voltages too.
    """
    single = ("TRIG:SOUR IMM", "TRIG:COUN 1", "SAMP:COUN 1")
    function = configured.removeprefix("CONF:").partition(" ")[0]
    if function == "VOLT:AC":
        return ("DET:BAND 20", *single)
    offset = {"VOLT:DC": "VOLT:DC:ZERO:AUTO ON", "FRES": "FRES:OCOM ON"}.get(function)
    own = () if offset is None else (offset,)
    return (f"{function}:NPLC {cycles or 1:g}", *own, *single)
