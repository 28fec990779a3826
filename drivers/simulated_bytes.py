"""The bytes that a simulated meter of each kind sends: the decoders' other half.

A meter that streams writes each value in its format; a message-based instrument answers SCPI
commands. No I/O, no clock.
"""

import math
import re
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from drivers.readings import Function
from drivers.segments import character_nibbles

#: Full scale in volts and digits after the point (in the shown unit) of a 6000-count display.
_RANGES = (
    (0.06, "mV", 2),
    (0.6, "mV", 1),
    (6.0, "V", 3),
    (60.0, "V", 2),
    (600.0, "V", 1),
)


def range_of(volts: float) -> int:
    """Index of the range that an auto-ranging display takes for a value."""
    return next(
        (k for k, (full_v, _, _) in enumerate(_RANGES) if abs(volts) < full_v), len(_RANGES)
    )


def shown(volts: float) -> tuple[str, str] | None:
    """What an auto-ranging display shows: digits and unit, or ``None`` beyond the last range."""
    place = range_of(volts)
    if place == len(_RANGES):
        return None
    _, unit, decimals = _RANGES[place]
    return f"{volts * (1e3 if unit == 'mV' else 1.0):.{decimals}f}", unit


def shown_ohms(ohms: float) -> tuple[str, str]:
    """What a display of 6000 counts shows of a resistance, at best in steps of 0.1 ohm."""
    if abs(ohms) < 600:
        return f"{ohms:.1f}", "ohm"
    unit, scale = ("kohm", 1e3) if abs(ohms) < 600e3 else ("Mohm", 1e6)
    return f"{ohms / scale:.2f}", unit


def _display(value: float | None, quantity: str, overload: str) -> tuple[str, str]:
    """Digits and unit of a value in the quantity's own unit; ``None`` is overload."""
    if value is None:
        return overload, "V" if quantity == "V" else quantity
    if quantity == "ohm":
        return shown_ohms(value)
    digits, unit = shown(value) or (overload, "V")
    return digits, unit if quantity == "V" else quantity


def lines_text(
    volts: float | None,
    function: Function = Function.AC,
    *,
    hold: bool = False,
    quantity: str = "V",
) -> bytes:
    """A line of a streaming handheld meter; ``None`` is overload.

    Args:
        volts: The value; in units of ``quantity`` where that is not "V".
        function: AC or DC.
        hold: The hold key is pressed.
        quantity: "V", or the unit of another function.
    """
    digits, unit = _display(volts, quantity, "OL")
    words = f"{unit} {function.value}" if quantity == "V" else unit
    return f"{digits:>7}  {words}{' HOLD' if hold else ''}\r\n".encode()


def nr3_text(volts: float | None, decimals: int = 5) -> bytes:
    """A line of a bench meter that prints NR3 numbers and no unit (IEEE 488.2, 8.7.4).

    Overload is 9.9E+37 (SCPI-99 vol. 1, 7.2.1.4).
    """
    return b"%s\r\n" % _nr3(volts, decimals).encode()


def _nr3(value: float | None, decimals: int) -> str:
    return f"{9.9e37 if value is None else value:+.{decimals}E}"


def segment_frame(
    volts: float | None,
    function: Function = Function.AC,
    *,
    hold: bool = False,
    quantity: str = "V",
) -> bytes:
    """A frame of 14 bytes of a display-mirroring meter (table in ``drivers.segments``)."""
    digits, unit = _display(volts, quantity, " 0L ")
    negative = digits.startswith("-")
    digits = digits.lstrip("-")
    point = digits.find(".")
    bare = digits.replace(".", "")
    if point >= 0:
        point += 4 - len(bare)
        bare = bare.rjust(4)
    nibbles = [0] * 14
    nibbles[0] = {Function.AC: 8, Function.DC: 4}.get(function, 0) | 3
    for place, character in enumerate(bare):
        first, second = character_nibbles(character)
        nibbles[1 + 2 * place] = first | (8 if place and place == point else 0)
        nibbles[2 + 2 * place] = second
    nibbles[1] |= 8 if negative else 0
    nibbles[9] = 2 if unit == "kohm" else 0
    nibbles[10] = {"mV": 8, "Mohm": 2}.get(unit, 0)
    nibbles[11] = (1 if hold else 0) | (4 if quantity == "ohm" else 0)
    nibbles[12] = {"V": 4, "A": 8, "Hz": 2}.get(quantity, 0)
    return bytes((place << 4) | nibble for place, nibble in enumerate(nibbles, start=1))


#: What it says to ``*IDN?``: four fields (IEEE 488.2, 10.14).
IDENTITY = "SIMULATED,VOLTMETER,0,1"
_MOST_MESSAGE = 4096
_MOST_ERRORS = 10

Measure = Callable[[], float | None]


def _header(pattern: str) -> re.Pattern[str]:
    """A command header with its short forms: upper-case letters are the short form.

    "SENSe:" in brackets may be left out (SCPI-99 vol. 1, 6.2).
    """
    regex = re.escape(pattern).replace(r"\[", "(?:").replace(r"\]", ")?")
    regex = re.sub(r"([A-Z]+)([a-z]+)", r"\1(?:\2)?", regex)
    return re.compile(rf":?{regex}(?:\s+(.*))?", re.IGNORECASE | re.DOTALL)


@dataclass
class SimulatedInstrument:
    """A voltmeter, or a device that is none.

    Attributes:
        measure: Gives the value shown now, ``None`` for overload.
        identity: Answer to ``*IDN?``.
        refused: Headers it does not know (short forms), such as "DET:BAND".
        voltmeter: False makes it a power supply: no measuring commands.
        line_ends: Line ends that it accepts at the end of a command.
        reply_end: Line end of its replies.
        function: AC or DC volts or ohms as configured.
    """

    measure: Measure
    identity: str = IDENTITY
    refused: tuple[str, ...] = ()
    voltmeter: bool = True
    line_ends: tuple[bytes, ...] = (b"\n", b"\r\n")
    reply_end: bytes = b"\n"
    function: Function = Function.AC
    commands: list[str] = field(default_factory=list)
    _samples: int = 1
    _errors: deque[tuple[int, str]] = field(default_factory=deque)
    _pending: bytes = b""

    def take(self, data: bytes) -> list[str]:
        """Bytes from the program; returns the commands they complete."""
        self._pending = (self._pending + data)[-_MOST_MESSAGE:]
        found: list[str] = []
        while True:
            places = [(self._pending.find(end), end) for end in self.line_ends]
            places = [(place, end) for place, end in places if place >= 0]
            if not places:
                return found
            place, end = min(places, key=lambda item: (item[0], -len(item[1])))
            message, self._pending = self._pending[:place], self._pending[place + len(end) :]
            found += [part.strip() for part in message.decode("latin-1").split(";") if part.strip()]

    def answer(self, command: str) -> bytes:
        """Carry a command out; returns the reply, empty where it has none."""
        self.commands.append(command)
        for pattern, action in self.actions():
            match = pattern.fullmatch(command)
            if match is not None and not self._refuses(command):
                reply = action(self, match[1] or "")
                return reply.encode() + self.reply_end if reply is not None else b""
        self._error(-113, "Undefined header")
        return b""

    def actions(self) -> "Actions":
        """What it can do, by command."""
        return _ACTIONS

    def _refuses(self, command: str) -> bool:
        header = command.upper().lstrip(":")
        if not self.voltmeter and not header.startswith(("*", "SYST")):
            return True
        return any(header.startswith(refused) for refused in self.refused)

    def _error(self, code: int, text: str) -> None:
        if len(self._errors) >= _MOST_ERRORS:  # SCPI-99 vol. 2, 21.8.1: queue overflow
            self._errors[-1] = (-350, "Queue overflow")
        else:
            self._errors.append((code, text))

    def _clear(self, _: str) -> None:
        self._errors.clear()

    def _next_error(self, _: str) -> str:
        code, text = self._errors.popleft() if self._errors else (0, "No error")
        return f'{code:+d},"{text}"'

    def _read(self, _: str) -> str:
        return ",".join(_nr3(self.measure(), 8) for _ in range(self._samples))

    def _set_function(self, function: Function) -> None:
        self.function = function

    def _count(self, text: str) -> None:
        if text.isdigit() and 1 <= int(text) <= 1000:
            self._samples = int(text)
        else:
            self._error(-222, "Data out of range")


Actions = list[tuple[re.Pattern[str], Callable[[Any, str], str | None]]]
_COMMON: Actions = [
    (_header("*IDN?"), lambda me, _: me.identity),
    (_header("*CLS"), SimulatedInstrument._clear),
    (_header("*OPC?"), lambda _me, _: "1"),
    (_header("SYSTem:ERRor[:NEXT]?"), SimulatedInstrument._next_error),
    (_header("SYSTem:REMote"), lambda _me, _: None),
    (_header("SYSTem:LOCal"), lambda _me, _: None),
]
_ACTIONS: Actions = [
    *_COMMON,
    (_header("*RST"), lambda me, _: me._set_function(Function.DC)),
    (_header("CONFigure:VOLTage:AC"), lambda me, _: me._set_function(Function.AC)),
    (_header("CONFigure:VOLTage:DC"), lambda me, _: me._set_function(Function.DC)),
    (_header("CONFigure:VOLTage[:DC]"), lambda me, _: me._set_function(Function.DC)),
    (_header("CONFigure:FRESistance"), lambda me, _: me._set_function(Function.OHM)),
    (_header("CONFigure:RESistance"), lambda me, _: me._set_function(Function.OHM)),
    (_header("[SENSe:]DETector:BANDwidth"), lambda _me, _: None),
    (_header("[SENSe:]VOLTage:DC:NPLCycles"), lambda _me, _: None),
    (_header("[SENSe:]VOLTage:DC:ZERO:AUTO"), lambda _me, _: None),
    (_header("[SENSe:]FRESistance:NPLCycles"), lambda _me, _: None),
    (_header("[SENSe:]FRESistance:OCOMpensated"), lambda _me, _: None),
    (_header("[SENSe:]RESistance:NPLCycles"), lambda _me, _: None),
    (_header("TRIGger:SOURce"), lambda _me, _: None),
    (_header("TRIGger:COUNt"), lambda _me, _: None),
    (_header("SAMPle:COUNt"), SimulatedInstrument._count),
    (_header("READ?"), SimulatedInstrument._read),
]


@dataclass
class SimulatedSupply(SimulatedInstrument):
    """A direct-current supply with something at its terminals.

    Attributes:
        ohms: What it is connected to; infinite for an open circuit.
        reversal: How it turns its current: "relay", "negative", or "" for not at all.
        stuck: Its output cannot be switched off.
        volts, amps: What it was set to.
        output: Whether its output is on.
        turned: Whether its relay is reversed.
    """

    measure: Measure = lambda: None
    identity: str = "SIMULATED,SUPPLY,0,1"
    ohms: float = 0.5
    reversal: str = "relay"
    stuck: bool = False
    volts: float = 0.0
    amps: float = 0.0
    output: bool = False
    turned: bool = False

    def actions(self) -> Actions:
        """What it can do, by command."""
        return _SUPPLY

    def flow(self) -> float:
        """Amperes that flow, signed: constant current until the voltage limit holds it."""
        if not self.output:
            return 0.0
        most = self.volts / self.ohms if self.ohms > 0 else math.inf
        amps = min(abs(self.amps), most)
        return -amps if self.turned != (self.amps < 0) else amps

    def _set(self, name: str, text: str) -> None:
        try:
            value = float(text)
        except ValueError:
            self._error(-104, "Data type error")
            return
        if value < 0 and (name != "amps" or self.reversal != "negative"):
            self._error(-222, "Data out of range")
        else:
            setattr(self, name, value)

    def _switch(self, text: str) -> None:
        self.output = text.upper() in ("ON", "1") or (self.output and self.stuck)

    def _turn(self, text: str) -> None:
        if self.reversal == "relay":
            self.turned = text.upper().startswith("REV")
        else:
            self._error(-113, "Undefined header")

    def _volts_now(self) -> float:
        flow = abs(self.flow())
        return (flow * self.ohms if flow else self.volts) if self.output else 0.0


_SUPPLY: Actions = [
    *_COMMON,
    (_header("*RST"), lambda me, _: me._switch("OFF")),
    (_header("[SOURce:]VOLTage"), lambda me, text: me._set("volts", text)),
    (_header("[SOURce:]CURRent"), lambda me, text: me._set("amps", text)),
    (_header("[SOURce:]VOLTage?"), lambda me, _: f"{me.volts:.4f}"),
    (_header("[SOURce:]CURRent?"), lambda me, _: f"{me.amps:.4f}"),
    (_header("OUTPut[:STATe]"), lambda me, text: me._switch(text)),
    (_header("OUTPut[:STATe]?"), lambda me, _: f"{int(me.output)}"),
    (_header("OUTPut:RELay:POLarity"), lambda me, text: me._turn(text)),
    (_header("MEASure:CURRent?"), lambda me, _: f"{abs(me.flow()):.5f}"),
    (_header("MEASure:VOLTage?"), lambda me, _: f"{me._volts_now():.5f}"),
]
