"""Switching the load: by hand, by a command of the user, or by an output of an instrument.

A load that was told to go on is off before the program ends. Signals are taken as a wish to stop,
not as an interruption; "off" is tried again where it fails; and a file in the job's folder says
that the load may be on, so that a run which was killed is made good by the next.
"""

import json
import os
import shlex
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from drivers.address import Address, Link, open_link, steady_s
from drivers.errors import DriverError
from drivers.scpi import Dialogue, parse_error
from meterlink.errors import MeterlinkError, UsageError
from meterlink.files import json_lines, why, write_durably
from meterlink.show.format import clean

if TYPE_CHECKING:
    from meterlink.live.terminal import StopSignals

COMMAND_S = 10.0
OFF_TRIES, OFF_PAUSE_S = 3, 0.5
STATE_FILE = "load-may-be-on.json"
_REPLY_S = 3.0


class SwitchError(MeterlinkError):
    """The load could not be switched; it may be on."""


class Switch(Protocol):
    """What switches the load.

    Attributes:
        by_hand: Whether a person has to be told.
        name: What it is, for the file that says that the load may be on.
    """

    by_hand: bool
    name: str

    def set(self, *, on: bool) -> None:
        """Switch.

        Raises:
            SwitchError: It did not work.
        """

    def close(self) -> None:
        """Let go of what is open; the load stays as it is."""


class HandSwitch:
    """A person at the plug."""

    by_hand = True
    name = "a hand"

    def set(self, *, on: bool) -> None:
        """Nothing to do: the person is told by whoever shows the rhythm."""

    def close(self) -> None:
        """Nothing is open."""


class CommandSwitch:
    """A program that drives a relay."""

    by_hand = False

    def __init__(self, words: str, limit_s: float = COMMAND_S) -> None:
        """Split the command as a shell would; no shell runs it.

        Args:
            words: The command; ``{state}`` in it becomes ``on`` or ``off``.
            limit_s: Seconds after which it hangs.

        Raises:
            UsageError: It cannot be split, or does not say where the state goes.
        """
        try:
            self._words = shlex.split(words)
        except ValueError as error:
            raise UsageError(f"The command {words!r} cannot be read: {error}.") from error
        if "{state}" not in words:
            raise UsageError(
                f"The command {words!r} does not say where the state goes. Put {{state}} there; it "
                "becomes on or off."
            )
        self.name = f"command {words}"
        self._limit_s = limit_s

    def set(self, *, on: bool) -> None:
        """Run the command and wait for its end, no longer than ``limit_s``.

        It runs in a session of its own, so that Ctrl-C and a closed terminal do not reach it; all
        that it started is ended with it when it hangs.
        """
        state = "on" if on else "off"
        words = [word.replace("{state}", state) for word in self._words]
        with tempfile.TemporaryFile() as said:
            try:
                process = subprocess.Popen(  # noqa: S603 (the user's own command, without a shell)
                    words,
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    stderr=said,
                    start_new_session=True,
                )
            except OSError as error:
                raise SwitchError(
                    f"{shlex.join(words)} cannot be run: {error.strerror or error}."
                ) from error
            try:
                code = process.wait(self._limit_s)
            except subprocess.TimeoutExpired as error:
                _end_all_of(process)
                raise SwitchError(
                    f"{shlex.join(words)} has not ended after {self._limit_s:g} s; it was stopped."
                ) from error
            said.seek(0)
            text = said.read(2000).decode("utf-8", "replace").strip()[:300]
        if code != 0:
            raise SwitchError(
                f"{shlex.join(words)} failed with code {code}" + (f": {text}" if text else "") + "."
            )

    def close(self) -> None:
        """Nothing is open."""


class ScpiSwitch:
    """An output or relay of an instrument that speaks SCPI.

    After each command the error queue is asked for (SCPI-99 vol. 2, 21.8), so that a command that
    was refused, or never arrived, is known.
    """

    by_hand = False

    def __init__(
        self,
        address: Address,
        on_text: str,
        off_text: str,
        *,
        clock: Callable[[], float] = steady_s,
    ) -> None:
        """Open the instrument and empty its error queue.

        Raises:
            DriverError: It cannot be opened.
        """
        self._texts = {True: on_text, False: off_text}
        self.name = f"{address}, {on_text} and {off_text}"
        self._address = address
        self._where = address.port
        self._clock = clock
        self._link: Link | None = None
        self._talk = self._opened()

    def set(self, *, on: bool) -> None:
        """Send the command and see that it was taken.

        A link that broke, or on which no answer came, is opened again before the next command: a
        late answer must not pass for that of another.
        """
        text = self._texts[on]
        try:
            if self._link is None:
                self._talk = self._opened()
            self._talk.send(text)
            reply = self._talk.ask("SYST:ERR?", _REPLY_S)
        except DriverError as error:
            self.close()
            raise SwitchError(f"{text!r} did not reach {self._where}: {error}") from error
        error_entry = parse_error(reply or "")
        if error_entry is None:
            self.close()
            raise SwitchError(
                f"{self._where} did not answer after {text!r}. Check that it is on and that it is "
                "an instrument that speaks SCPI."
            )
        if error_entry.code != 0:
            raise SwitchError(f"{self._where} did not take {text!r}: {error_entry}.")

    def close(self) -> None:
        """Close the link."""
        if self._link is not None:
            with suppress(DriverError):
                self._link.close()
            self._link = None

    def _opened(self) -> Dialogue:
        self._link = open_link(self._address)
        talk = Dialogue(self._link, self._clock)
        talk.send("*CLS")
        return talk


def _end_all_of(process: "subprocess.Popen[bytes]") -> None:
    """End a command and what it started."""
    if hasattr(os, "killpg"):
        with suppress(OSError):
            os.killpg(process.pid, signal.SIGKILL)
    process.kill()
    with suppress(subprocess.TimeoutExpired):
        process.wait(1.0)


def stop_signals() -> "StopSignals":
    """Take signals that would end the program as wishes, however many come and when.

    Ctrl-Z would leave it standing with the load on, so that does nothing; nothing can be done
    about SIGKILL and SIGSTOP.
    """
    from meterlink.live.terminal import StopSignals

    more = ("SIGQUIT", "SIGUSR1", "SIGUSR2", "SIGALRM", "SIGXCPU", "SIGPWR")
    return StopSignals(*more, unheard=("SIGTSTP",))


class Load:
    """The load and what switches it.

    Attributes:
        may_be_on: Whether it was told to go on and not, so that it arrived, to go off.
    """

    def __init__(
        self, switch: Switch, folder: Path, *, pause: Callable[[float], None] = time.sleep
    ) -> None:
        """Nothing is switched yet.

        Args:
            switch: What switches it.
            folder: The job's folder, for the file that says that the load may be on.
            pause: Waits so many seconds between two tries.
        """
        self.by_hand = switch.by_hand
        self.may_be_on = False
        self._switch = switch
        self._folder = folder
        self._path = folder / STATE_FILE
        self._pause = pause

    def make_safe(self, *, seen_off: bool = False) -> str:
        """Switch off before anything is measured, whatever the last run left.

        Args:
            seen_off: Whether a person says that it is off.

        Returns:
            What there is to tell; empty where the last run ended well.

        Raises:
            SwitchError: The load may be on, and this run cannot switch it off.
        """
        left = left_on(self._folder)
        if left is not None and not seen_off and (self.by_hand or left.switch != self._switch.name):
            raise SwitchError(left.warning())
        self.off()
        if left is None:
            return ""
        return f"the run that switched at {left.since} may have left the load on; " + (
            "it is off, as you say." if self.by_hand else "it has been switched off now."
        )

    def on(self, load_at: str) -> None:
        """Switch on; that it may be on is on the disk before.

        Raises:
            SwitchError: The file cannot be written, or the load cannot be switched.
        """
        state = {
            "switch": self._switch.name,
            "load_at": load_at,
            "since": datetime.now(UTC).isoformat(timespec="seconds"),
            "process": os.getpid(),
        }
        try:
            write_durably(self._path, [json.dumps(state).encode() + b"\n"])
        except OSError as error:
            raise SwitchError(
                f"{self._path} cannot be written: {why(error)}. The load is not switched on where "
                "nothing would tell that it is."
            ) from error
        self.may_be_on = True
        self._switch.set(on=True)

    def off(self) -> None:
        """Switch off, trying again; however it fails, the next start knows.

        Raises:
            SwitchError: It could not be done: words that cannot be missed.
        """
        failed: Exception | None = None
        for last in range(OFF_TRIES - 1, -1, -1):
            try:
                self._switch.set(on=False)
            except Exception as error:  # noqa: BLE001 (whatever it is, "off" is tried again)
                failed = error
                if last:
                    self._pause(OFF_PAUSE_S)
            else:
                self.may_be_on = False
                with suppress(OSError):
                    self._path.unlink(missing_ok=True)
                return
        raise SwitchError(
            "\n\n  *** THE LOAD MAY STILL BE ON: SWITCH IT OFF BY HAND, NOW. ***\n\n"
            f"It was told to go off {OFF_TRIES} times. {failed}"
        ) from failed

    def close(self) -> None:
        """Let go of the switch."""
        self._switch.close()


@dataclass(frozen=True, slots=True)
class LeftOn:
    """What a run that did not end well left: who switched, where, since when."""

    switch: str = "somebody"
    load_at: str = "?"
    since: str = "?"

    def warning(self) -> str:
        """What to do, in words that cannot be missed."""
        return (
            f"\n\n  *** THE LOAD MAY BE ON, at {clean(self.load_at)}, since {clean(self.since)}. "
            f"***\n\nThe run that {clean(self.switch)} switched did not end well. Switch the load "
            "off and look that it is. Then start again with --load-is-off."
        )


def left_on(folder: Path) -> LeftOn | None:
    """What the file in a job's folder says of a load that may be on; ``None`` without a file."""
    path = folder / STATE_FILE
    try:
        if not path.exists():
            return None
        entry = next((entry or {} for _, entry in json_lines(path, most_bytes=10_000)), {})
    except OSError:
        return LeftOn()
    return LeftOn(**{name: str(entry.get(name, "?"))[:200] for name in LeftOn.__slots__})
