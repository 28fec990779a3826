"""A direct-current supply that is told what to do over SCPI, and is off whenever anything is wrong.

Commands are those that SCPI-99 vol. 4 gives DC power supplies: ``CURRent``, ``VOLTage``,
``OUTPut[:STATe]``, ``MEASure:CURRent?``, ``MEASure:VOLTage?``. How a supply reverses its current is
its own: a relay at the output (``OUTPut:RELay:POLarity``) or, for one that can sink and source, a
negative current (common practice). One that does neither is switched on and off instead.

Nothing is let on before the limits were read back as they were set. ``off`` is sent, checked, sent
again over a link opened anew where the old one is gone, and never left half way by Ctrl-C; where it
cannot be confirmed ``StillOnError`` says so, and a person has to switch the supply off.
"""

import math
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from types import FrameType

from drivers.address import Address, Link, open_link
from drivers.closing import Closing
from drivers.errors import DriverError, OpeningError, OperatingError
from drivers.scpi import Dialogue

DEFAULT_VOLTS = 12.0  # below what a person can feel; above it electronics on the circuit may suffer
MOST_VOLTS = 24.0  # IEC 61557-4: open-circuit voltage of 4 to 24 V (from memory)
MOST_AMPS = 20.0  # no receptacle circuit's conductor is for more
SETTLE_S = 0.3
LEAST_SHARE = 0.98  # of the current that was set: below it the voltage limit holds the supply back
_OFF_TRIES = 4
_OFF_PAUSE_S = 0.25
_OFF_AMPS = 0.02
_ON_WORDS, _OFF_WORDS = ("1", "+1", "ON"), ("0", "+0", "OFF")  # SCPI booleans (from memory)
_SET_SLACK = 1.02  # a supply's own rounding of what it was set to


class SourceError(DriverError):
    """The supply does not do as it is told; it is off."""


class StillOnError(DriverError):
    """The supply could not be switched off, or not be seen to be off."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What the supply may never exceed.

    Raises:
        SourceError: They are beyond what is safe here.
    """

    volts: float = DEFAULT_VOLTS
    amps: float = 5.0

    def __post_init__(self) -> None:
        if not 0 < self.volts <= MOST_VOLTS:
            raise SourceError(
                f"A voltage limit of {self.volts:g} V is refused: appliances stay plugged in. Give "
                f"more than 0 and at most {MOST_VOLTS:g} V; {DEFAULT_VOLTS:g} V is usual."
            )
        if not 0 < self.amps <= MOST_AMPS:
            raise SourceError(
                f"A current of {self.amps:g} A is refused. Give more than 0 and at most "
                f"{MOST_AMPS:g} A, and no more than the breaker is rated for."
            )


@dataclass(frozen=True, slots=True)
class Output:
    """What the supply says it gives: signed amperes, and volts at its terminals."""

    amps: float
    volts: float


class ScpiSource(Closing):
    """A supply that is open and off. Close it, or use it in a ``with`` statement.

    Attributes:
        identity: What it says it is.
        reverses: Whether it can turn its current round by itself.
        is_on: Whether it was told to be on.
        was_on: It said that it was on when it was opened: a program that was killed left it so.
    """

    def __init__(
        self,
        address: Address,
        limits: Limits,
        *,
        clock: Callable[[], float] = time.monotonic,
        pause: Callable[[float], None] = time.sleep,
        opener: Callable[[Address], Link] = open_link,
    ) -> None:
        """Open it, switch it off and set its limits.

        Raises:
            DriverError: It cannot be opened, answers as no supply, or does not take the limits.
        """
        self._address = address
        self._limits = limits
        self._clock = clock
        self._pause = pause
        self._opener = opener
        self._reversal = ""
        self._sign = 1
        self.is_on = True  # nobody knows yet
        self.was_on = False
        self._link: Link | None = None
        try:
            self._link, self._talk, self.identity = self._opened()
            self._talk.attempt("*CLS")
            with suppress(DriverError):
                self.was_on = (self._talk.ask("OUTP?") or "").upper() in _ON_WORDS
            self.off()
            self._set_limits()
            self._reversal = self._find_reversal()
        except DriverError:
            self._let_go()
            raise

    @property
    def reverses(self) -> bool:
        """Whether it can turn its current round by itself."""
        return bool(self._reversal)

    def on(self, sign: int = 1) -> Output:
        """Let the current on, in one direction or the other, and see that it flows.

        Args:
            sign: 1, or -1 where it ``reverses``.

        Raises:
            SourceError: It limits, gives nothing or shows more than it may; it is off again.
            StillOnError: It could not be switched off.
        """
        if sign not in (1, -1) or (sign < 0 and not self.reverses):
            raise SourceError(f"{self.identity} cannot turn its current round. Swap its leads.")
        try:
            self._turn(sign)
            self.is_on = True
            self._must("OUTP ON")
            self._pause(SETTLE_S)
            return self.output()
        except BaseException:  # also Ctrl-C: nothing may leave it on
            self.off()
            raise

    def output(self) -> Output:
        """Read back current and voltage; what is not as it should be switches it off.

        Raises:
            SourceError: Limiting, dropped out, or beyond the limits; it is off.
            StillOnError: It could not be switched off.
        """
        try:
            amps, volts = self._number("MEAS:CURR?"), self._number("MEAS:VOLT?")
        except DriverError:
            self.off()
            raise
        signed = abs(amps) * self._sign
        wrong = self._what_is_wrong(abs(amps), abs(volts))
        if wrong:
            self.off()
            raise SourceError(f"{wrong} The supply is off.")
        return Output(signed, volts)

    def off(self) -> None:
        """Switch it off and see that it is.

        Raises:
            StillOnError: That could not be confirmed.
        """
        with uninterrupted():
            trouble = "it does not answer"
            for again in range(_OFF_TRIES):
                if again:
                    self._pause(_OFF_PAUSE_S)
                try:
                    if self._is_off():
                        self.is_on = False
                        return
                    trouble = "it still shows current, or its output as on"
                except DriverError as error:
                    trouble = str(error)
                    self._reopen()
            self.is_on = True
        raise StillOnError(
            f"The supply at {self._address.port} could not be switched off ({trouble}). Switch it "
            "off at its front panel or pull its plug NOW, before anything is touched."
        )

    def close(self) -> None:
        """Switch it off and let it go.

        Raises:
            StillOnError: It could not be switched off.
        """
        if self._link is None and not self.is_on:
            return
        try:
            self.off()
        finally:
            self._let_go()

    # -- talking ------------------------------------------------------------------------------

    def _opened(self) -> tuple[Link, Dialogue, str]:
        link = self._opener(self._address)
        talk = Dialogue(link, self._clock)
        try:
            identity = talk.identify(self._address.port)
            if not self._address.is_visa:
                talk.attempt("SYST:REM")
        except DriverError:
            link.close()
            raise
        return link, talk, identity

    def _reopen(self) -> None:
        self._let_go()
        with suppress(DriverError):
            self._link, self._talk, _ = self._opened()

    def _let_go(self) -> None:
        link, self._link = self._link, None
        if link is not None:
            with suppress(DriverError, OSError):
                link.close()

    def _is_off(self) -> bool:
        """Send off, and read back that it is."""
        if self._link is None:
            raise OperatingError(f"{self._address.port} is closed")
        self._talk.send("OUTP OFF")
        state = self._talk.ask("OUTP?")
        if state is None:
            raise OperatingError("it does not answer")
        if state.upper() not in (*_OFF_WORDS, *_ON_WORDS):  # a late answer to something else
            raise OperatingError(f"it answers {state!r:.40} to OUTP?")
        return state.upper() in _OFF_WORDS and abs(self._number("MEAS:CURR?")) <= _OFF_AMPS

    def _set_limits(self) -> None:
        limits = self._limits
        self._must(f"VOLT {limits.volts:.3f}")
        self._must(f"CURR {limits.amps:.3f}")
        self._talk.attempt(f"VOLT:PROT {1.1 * limits.volts:.3f}")  # trips above it; many have none
        for query, limit, unit in (("VOLT?", limits.volts, "V"), ("CURR?", limits.amps, "A")):
            told = self._number(query)
            if not 0 < told <= limit * _SET_SLACK:
                raise SourceError(
                    f"{self.identity} was set to {limit:g} {unit} and says {told:g} {unit}. It is "
                    "not used. Check its range and its limits."
                )

    def _find_reversal(self) -> str:
        """How it turns its current round; empty where it cannot, or nobody knows that it does."""
        if not self._talk.attempt("OUTP:REL:POL NORM") and self._talk.knows_errors:
            return "relay"
        amps = self._limits.amps
        turned = not self._talk.attempt(f"CURR {-amps:.3f}") and self._number("CURR?") < 0
        self._must(f"CURR {amps:.3f}")
        return "negative" if turned else ""

    def _turn(self, sign: int) -> None:
        """Set the direction, with the output off."""
        if sign == self._sign:
            return
        self.off()
        if self._reversal == "relay":
            self._must(f"OUTP:REL:POL {'REV' if sign < 0 else 'NORM'}")
        else:
            self._must(f"CURR {sign * self._limits.amps:.3f}")
        self._sign = sign

    def _must(self, command: str) -> None:
        refused = self._talk.attempt(command)
        if refused:
            why = "; ".join(map(str, refused))
            raise OpeningError(
                f"{self._address.port} answers as {self.identity!r}, and does not take {why}. It "
                "seems to be no supply that can be used here. Choose another, or work by hand."
            )

    def _number(self, query: str) -> float:
        reply = self._talk.ask(query)
        try:
            value = float(reply or "")
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise OperatingError(f"the supply answers {reply!r} to {query}")
        return value

    def _what_is_wrong(self, amps: float, volts: float) -> str:
        wanted, most = self._limits.amps, self._limits.volts
        if volts > 1.1 * most or amps > 1.1 * wanted:
            return f"The supply shows {volts:.3g} V and {amps:.3g} A, more than it was allowed."
        if amps >= LEAST_SHARE * wanted:
            return ""
        if amps < 0.02 * wanted:
            return (
                "No current flows: a clip or plug has no contact, the conductor is broken, or the "
                "way back is. Push everything home."
            )
        if volts > 0.9 * most:
            return (
                f"The supply limits: {most:g} V drive only {amps:.3g} A of {wanted:g} A. Its leads "
                "are too long or a contact is poor. Use thicker leads or a smaller current."
            )
        return f"The current fell to {amps:.3g} A of {wanted:g} A. Look at the supply."


@contextmanager
def uninterrupted() -> Iterator[None]:
    """Hold Ctrl-C and the signals that end a program back until the end of the block."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    held: list[tuple[int, FrameType | None]] = []
    names = [getattr(signal, n) for n in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, n)]
    before = {
        n: signal.signal(n, lambda number, frame: held.append((number, frame))) for n in names
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler if handler is not None else signal.SIG_DFL)
        for number, _ in held[:1]:
            signal.raise_signal(number)
