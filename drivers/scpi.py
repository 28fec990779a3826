"""Message-based instruments that speak IEEE 488.2 and SCPI-99: their replies, and how to ask.

A reply is one line (some instruments end it by CR alone). It holds readings only if every part of
it between commas is a number, so that an identity, an error message or a block is none. A bare
number may still answer another question (``*OPC?`` gives 1): when the decoder is told what was
sent, only replies to queries that read the meter count.

``Dialogue`` sends commands, gives answers and reads the error queue (SCPI-99 vol. 2, chapter 21);
``ScpiTalk`` sets a voltmeter up by it and asks for readings.

Setting up: identify, clear, configure AC volts, DC volts or ohms, choose the filter or integration
that gives most readings while it still averages the mains cycle. Ohms are measured with four wires
where the instrument can, else with two. A refused command is named, and the instrument then used
with what it accepts. Everything asked while setting up is answered by text, never by a bare number,
so that no answer can be taken for a reading when the capture is read again.
"""

import re
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from drivers.address import Address, Begun, Link
from drivers.errors import OpeningError, OperatingError, SilentError
from drivers.lines import MAX_REPLY_BYTES, NUMBER, LineBuffer, Shapes, function_setting
from drivers.readings import Event, Function, Mark, Reading, Received, Sent

_NUMBER = re.compile(rb"[ \t]*(" + NUMBER + rb")[ \t]*")
# Queries whose reply is measured values: READ?, FETCh?, MEASure…?, R? and DATA? (SCPI-99 vol. 2).
_READING_QUERY = re.compile(
    rb"(?:^|[;:\s])(?:read|fetc|fetch|meas|measure|r|data|init)\b[^?;\n]*\?", re.IGNORECASE
)


class ScpiDecoder:
    """Replies of an instrument in, readings out.

    >>> ScpiDecoder().feed(b"+1.5E-03,+9.9E+37" + bytes([10]), 0.0)[1].overload
    True
    """

    def __init__(self, function: Function = Function.UNKNOWN) -> None:
        """``function``: what the instrument was set to measure; replies do not say."""
        self._function = function
        self._shapes = Shapes()
        self._lines = LineBuffer(MAX_REPLY_BYTES)
        self._wanted = True

    @property
    def dropped_bytes(self) -> int:
        """Bytes so far that belong to no reading and no line end."""
        return self._lines.dropped

    def feed(self, data: bytes, t_s: float) -> list[Reading]:
        """Take the bytes that arrived at ``t_s`` (any number) and return the readings they end."""
        readings: list[Reading] = []
        for line in self._lines.add(data):
            if not line:
                continue
            shape = self._shapes.find(line) if self._wanted else None
            if shape is None:
                readings += self._read_reply(line, t_s)
                continue
            reading = self._shapes.read(line, shape, t_s)
            if reading is None:
                self._lines.dropped += len(line)
            else:
                readings.append(reading)
        return readings

    def sent(self, data: bytes) -> None:
        """Take note of a command: the replies from now on answer its query, if it has one."""
        if b"?" in data:
            self._wanted = _READING_QUERY.search(data) is not None

    def resync(self, t_s: float) -> None:
        """Forget a half reply. The next one is asked for, so that it starts whole."""
        del t_s  # lines that stream need it; a reply does not
        self._lines.forget()

    def _read_reply(self, line: bytes, t_s: float) -> list[Reading]:
        """A reply format not seen before, or of several numbers."""
        readings = []
        if self._wanted and len(line) <= MAX_REPLY_BYTES:
            for part in line.split(b","):
                reading = self._read_number(part, t_s)
                if reading is None:
                    break
                readings.append(reading)
            else:
                return readings
        self._lines.dropped += len(line)
        return []

    def _read_number(self, part: bytes, t_s: float) -> Reading | None:
        shape = self._shapes.find(part)
        if shape is None:
            match = _NUMBER.fullmatch(part)
            if match is None:
                return None
            shape = self._shapes.learn(part, match.start(1), match[1], 0, self._function, False)
        return None if shape is None else self._shapes.read(part, shape, t_s)


def from_settings(settings: Mapping[str, object]) -> ScpiDecoder:
    """Make a decoder from the settings of a capture or an address.

    Raises:
        SettingsError: ``function`` is not one that is known.
    """
    return ScpiDecoder(function=function_setting(settings))


_ENTRY = re.compile(r'\s*([+-]?\d{1,6})\s*(?:,\s*"?(.*?)"?\s*)?', re.DOTALL)
#: Classes of negative numbers, by their hundreds.
_CLASSES = {1: "command error", 2: "execution error", 3: "device error", 4: "query error"}
_MOST_TEXT = 255


@dataclass(frozen=True, slots=True)
class ScpiError:
    """One entry of the queue.

    Attributes:
        code: Its number; 0 is "no error", positive numbers are the instrument's own.
        text: What the instrument says.
        command: The command that it was about, if known.
    """

    code: int
    text: str
    command: str = ""

    def about(self, command: str) -> "ScpiError":
        """The same entry, with the command that caused it."""
        return replace(self, command=command)

    def __str__(self) -> str:
        kind = (
            _CLASSES.get(-self.code // 100, "instrument's own error") if self.code else "no error"
        )
        said = f"{self.code} {self.text}, {kind}" if self.text else f"{self.code}, {kind}"
        return f"{self.command!r} ({said})" if self.command else said


def parse_error(reply: str) -> ScpiError | None:
    """Read the answer to ``SYST:ERR?``; ``None`` where it is none.

    >>> parse_error('-113,"Undefined header"').code
    -113
    """
    match = _ENTRY.fullmatch(reply[: 2 * _MOST_TEXT])
    if match is None:
        return None
    text = "".join(c for c in (match[2] or "") if c.isprintable())
    return ScpiError(int(match[1]), text[:_MOST_TEXT])


#: Line ends to try, most common first (over a serial line LF or CR LF; a few want CR).
_LINE_ENDS = (b"\n", b"\r\n", b"\r")
_IDENTIFY_S = 1.5
_REPLY_S = 2.0
_POLL_S = 0.1
_MOST_ERRORS = 32  # a queue that never empties is a fault of the instrument


class Dialogue:
    """What is said to an instrument and what it answers.

    After each command that is tried the error queue is read empty, so that a refused command is
    known and named.

    Attributes:
        knows_errors: It has answered so far when its error queue was asked for; without one nobody
            knows what it refused.
    """

    def __init__(
        self,
        link: Link,
        clock: Callable[[], float],
        emit: Callable[[Event], None] = lambda _: None,
    ) -> None:
        """``emit`` takes every byte sent and received, for a capture."""
        self._link = link
        self._clock = clock
        self._emit = emit
        self._line_end = b"\n"
        self._lines = LineBuffer(MAX_REPLY_BYTES)
        self._replies: deque[bytes] = deque()
        self.knows_errors = True

    def identify(self, port: str) -> str:
        """What it says it is.

        Raises:
            SilentError: It says nothing; the message names ``port``.
        """
        for line_end in _LINE_ENDS:
            if line_end != _LINE_ENDS[0]:
                self._link.write(line_end)  # ends what it holds of the attempt before
            self._line_end = line_end
            identity = self.ask("*IDN?", _IDENTIFY_S)
            if identity:
                return "".join(c for c in identity if c.isprintable())[:72]
            self._lines.forget()
            self._replies.clear()
        raise SilentError(
            f"Nothing at {port} answers *IDN?. Check power, cable, line speed and "
            "that the instrument's remote interface is on; a meter that streams without being "
            "asked is opened with lines: or segments:."
        )

    def send(self, message: str) -> None:
        """Send a command or a query."""
        data = message.encode() + self._line_end
        self._link.write(data)
        self._emit(Sent(self._clock(), data))

    def ask(self, query: str, within_s: float = _REPLY_S) -> str | None:
        """The answer to a query, ``None`` where none comes in time."""
        self.send(query)
        until_s = self._clock() + within_s
        while (left_s := until_s - self._clock()) > 0:
            reply = self.reply(min(left_s, _POLL_S))
            if reply:
                return reply.decode("latin-1").strip()
        return None

    def attempt(self, command: str) -> list[ScpiError]:
        """Send a command; returns what the instrument has against it."""
        self.send(command)
        return [error.about(command) for error in self.errors()]

    def errors(self) -> list[ScpiError]:
        """Read the error queue until it is empty (SCPI-99 vol. 2, 21.8)."""
        found: list[ScpiError] = []
        while self.knows_errors and len(found) < _MOST_ERRORS:
            reply = self.ask("SYST:ERR?")
            error = parse_error(reply) if reply is not None else None
            if error is None:
                self.knows_errors = False  # an instrument from before SCPI; its errors stay unread
            elif error.code == 0:
                break
            else:
                found.append(error)
        return found

    def reply(self, timeout_s: float) -> bytes | None:
        """One whole reply, or ``None`` if it is not there yet."""
        data = self._link.read(timeout_s)
        if data:
            self._emit(Received(self._clock(), data))
            self._replies.extend(filter(None, self._lines.add(data)))
        return self._replies.popleft() if self._replies else None


#: A reading may take several filter periods of a slow instrument, and an automatic range change.
_READING_S = 8.0
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
        self._talk: Dialogue
        self._asked_s: float | None = None
        self._missed = 0

    def begin(self, link: Link) -> Begun:
        """Identify and configure the instrument.

        Raises:
            SilentError: Nothing answers.
            OpeningError: What answers is no voltmeter.
        """
        self._asked_s, self._missed = None, 0
        self._talk = Dialogue(link, self._clock, self._emit)
        identity = self._talk.identify(self._address.port)
        self._talk.attempt("*CLS")
        settings = self._address.capture_settings
        accepted = self._configure(identity)
        if accepted is None:
            settings.pop("function", None)  # it measures what it was set to by hand
        elif self._address.function == "OHM":
            settings["wires"] = 4 if "FRES" in accepted else 2
        return Begun(identity, settings)

    def step(self, link: Link) -> None:
        """Ask for a reading if none is on its way; move bytes."""
        del link  # the dialogue holds it
        now_s = self._clock()
        if self._asked_s is None:
            self._talk.send("READ?")
            self._asked_s = now_s
        if self._talk.reply(_POLL_S) is not None:
            self._asked_s, self._missed = None, 0
        elif now_s - self._asked_s > _READING_S:
            self._asked_s = None
            self._missed += 1
            if self._missed >= _QUIET_TIMEOUTS:
                raise OperatingError(
                    f"The instrument at {self._address.port} does not answer any more. Check its "
                    "power and the cable."
                )
            self._tell(self._talk.errors())

    def end(self, link: Link) -> None:
        """Give the instrument back to its front panel."""
        del link
        # SYST:LOC is common practice on serial lines and sockets; on a bus or USB closing the link
        # does it. An instrument that does not know the command goes on as it was.
        if not self._address.is_visa or self._address.port.upper().endswith("::SOCKET"):
            self._talk.send("SYST:LOC")

    def _configure(self, identity: str) -> str | None:
        """Returns the command that it took; ``None`` where it measures something else."""
        if not self._address.is_visa:
            self._talk.attempt("SYST:REM")  # some serial ones want it, others lack it: no matter
        refused: list[ScpiError] = []
        accepted = None
        for wanted in _CONFIGURE[self._address.function]:
            if self._address.range_v is not None:
                wanted += f" {self._address.range_v:g}"
            errors = self._talk.attempt(wanted)
            self._tell(errors)
            refused += errors
            if not errors:
                accepted = wanted
                break
        for command in _fine_tuning(accepted or wanted, self._address.cycles):
            self._tell(self._talk.attempt(command))
        if accepted is None:
            self._prove_it_reads(identity, refused)
        return accepted

    def _prove_it_reads(self, identity: str, refused: list[ScpiError]) -> None:
        reply = self._talk.ask("READ?")
        errors = [error.about("READ?") for error in self._talk.errors()]
        if reply is None or errors:
            why = "; ".join(str(error) for error in refused + errors)
            raise OpeningError(
                f"{self._address.port} answers as {identity!r}, but it takes neither CONF nor "
                f"READ? ({why}). It seems to be no voltmeter. Choose another instrument."
            )

    def _tell(self, errors: list[ScpiError]) -> None:
        for error in errors:
            text = f"The instrument did not accept {error}. It is used with what it accepts."
            self._emit(Mark(self._clock(), "note", text))


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
