"""Switching the load: by hand, by a command of the user, or by an output of an instrument."""

import shlex
import subprocess
from collections.abc import Callable
from typing import Protocol

from drivers.address import Address
from drivers.clock import steady_s
from drivers.errors import DriverError
from drivers.links import Link, open_link
from drivers.scpi_errors import parse_error
from meterlink.errors import MeterlinkError, UsageError

COMMAND_S = 10.0
_REPLY_S = 3.0
_MOST_REPLY_BYTES = 4096


class SwitchError(MeterlinkError):
    """The load could not be switched; it may be on."""


class Switch(Protocol):
    """What switches the load.

    Attributes:
        by_hand: Whether a person has to be told.
    """

    by_hand: bool

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

    def set(self, *, on: bool) -> None:
        """Nothing to do: the person is told by whoever shows the rhythm."""

    def close(self) -> None:
        """Nothing is open."""


class CommandSwitch:
    """A program that drives a relay."""

    by_hand = False

    def __init__(self, words: str) -> None:
        """Split the command as a shell would; no shell runs it.

        Args:
            words: The command; ``{state}`` in it becomes ``on`` or ``off``.

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

    def set(self, *, on: bool) -> None:
        """Run the command and wait for its end, ten seconds at most."""
        state = "on" if on else "off"
        words = [word.replace("{state}", state) for word in self._words]
        try:
            done = subprocess.run(  # noqa: S603 (the user's own command, without a shell)
                words,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                timeout=COMMAND_S,
                check=False,
            )
        except OSError as error:
            raise SwitchError(f"{shlex.join(words)} cannot be run: {error.strerror}.") from error
        except subprocess.TimeoutExpired as error:
            raise SwitchError(
                f"{shlex.join(words)} has not ended after {COMMAND_S:g} s; it was stopped."
            ) from error
        if done.returncode != 0:
            said = done.stderr.decode("utf-8", "replace").strip()[:300]
            raise SwitchError(
                f"{shlex.join(words)} failed with code {done.returncode}"
                + (f": {said}" if said else "")
                + "."
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
        self._where = address.port
        self._clock = clock
        self._link: Link = open_link(address)
        self._link.write(b"*CLS\n")

    def set(self, *, on: bool) -> None:
        """Send the command and see that it was taken."""
        text = self._texts[on]
        try:
            self._link.write(text.encode() + b"\nSYST:ERR?\n")
            reply = self._reply()
        except DriverError as error:
            raise SwitchError(f"{text!r} did not reach {self._where}: {error}") from error
        error_entry = parse_error(reply)
        if error_entry is None:
            raise SwitchError(
                f"{self._where} did not answer after {text!r}. Check that it is on and that it is "
                "an instrument that speaks SCPI."
            )
        if error_entry.code != 0:
            raise SwitchError(f"{self._where} did not take {text!r}: {error_entry}.")

    def close(self) -> None:
        """Close the link."""
        self._link.close()

    def _reply(self) -> str:
        """The answer, or what came of it in time."""
        came = b""
        until_s = self._clock() + _REPLY_S
        while (left_s := until_s - self._clock()) > 0 and len(came) < _MOST_REPLY_BYTES:
            came += self._link.read(min(left_s, 0.1))
            if came.strip() and came.endswith((b"\n", b"\r")):
                break
        return came.decode("latin-1").strip()
