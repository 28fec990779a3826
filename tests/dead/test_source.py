"""A supply over SCPI: limits, current, reversal, and off whatever goes wrong."""

import os
import signal
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.address import parse_address
from drivers.errors import DriverError, OpeningError, OperatingError, SilentError
from drivers.scpi_source import Limits, ScpiSource, SourceError, StillOnError, uninterrupted
from drivers.simulated_bytes import SimulatedInstrument, SimulatedSupply

ADDRESS = parse_address("scpi:COM1")


class Cable:
    """The link to a supply, that can be pulled after so many messages, for so many openings."""

    def __init__(self, supply: SimulatedInstrument) -> None:
        self.supply = supply
        self.waiting = b""
        self.pulled_at: int | None = None
        self.closed_for = 0
        self.messages = 0
        self.interrupt: Callable[[str], None] = lambda _: None

    def open(self, _: object) -> "Cable":
        if self.closed_for > 0:
            self.closed_for -= 1
            raise OpeningError("COM1 is not there.")
        self.pulled_at = None if self.messages else self.pulled_at
        self.waiting = b""
        return self

    def write(self, data: bytes) -> None:
        self.messages += 1
        if self.pulled_at is not None and self.messages > self.pulled_at:
            raise OperatingError("COM1 is gone. Check power and cable.")
        for command in self.supply.take(data):
            self.waiting += self.supply.answer(command)
            self.interrupt(command)

    def read(self, timeout_s: float) -> bytes:
        if self.pulled_at is not None and self.messages > self.pulled_at:
            raise OperatingError("COM1 is gone. Check power and cable.")
        data, self.waiting = self.waiting, b""
        return data

    def close(self) -> None:
        pass


class Clock:
    """Seconds that pass by being looked at."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        self.now_s += 0.05
        return self.now_s


def source(cable: Cable, limits: Limits | None = None) -> ScpiSource:
    return ScpiSource(
        ADDRESS,
        limits or Limits(),
        clock=Clock(),
        pause=lambda _: None,
        opener=cable.open,  # type: ignore[arg-type]
    )


def test_a_supply_that_is_found_on_is_switched_off_and_known_to_have_been_on() -> None:
    cable = Cable(SimulatedSupply())
    with source(cable) as supply:
        assert not supply.was_on
    cable.supply.output = True
    with source(cable) as supply:
        assert supply.was_on
        assert not cable.supply.output


def test_limits_are_set_and_read_back_before_anything_is_let_on() -> None:
    cable = Cable(SimulatedSupply())
    with source(cable, Limits(12.0, 2.0)) as supply:
        assert not cable.supply.output
        before = list(cable.supply.commands)
        assert supply.on().amps == pytest.approx(2.0)
    told = [c for c in before if c != "SYST:ERR?"]
    assert told.index("OUTP OFF") < told.index("VOLT 12.000") < told.index("CURR 2.000")
    assert "VOLT?" in told
    assert "OUTP ON" not in told
    assert not cable.supply.output


@pytest.mark.parametrize("reversal", ["relay", "negative"])
def test_the_current_is_turned_round_with_the_output_off(reversal: str) -> None:
    cable = Cable(SimulatedSupply(reversal=reversal))
    flows: list[float] = []
    with source(cable) as supply:
        assert supply.reverses
        for sign in (1, -1, 1):
            assert supply.on(sign).amps == pytest.approx(5.0 * sign)
            flows.append(cable.supply.flow())
            turning = [c for c in cable.supply.commands if "POL REV" in c or c == "CURR -5.000"]
        assert turning
    assert flows == [5.0, -5.0, 5.0]
    assert not cable.supply.output


def test_a_supply_that_cannot_turn_its_current_says_so() -> None:
    cable = Cable(SimulatedSupply(reversal=""))
    with source(cable) as supply:
        assert not supply.reverses
        with pytest.raises(SourceError, match="Swap its leads"):
            supply.on(-1)
        assert not cable.supply.output


def test_a_supply_that_never_says_what_it_refused_is_not_taken_to_turn_its_current() -> None:
    class Mute(SimulatedSupply):
        def answer(self, command: str) -> bytes:
            return b"" if command.startswith("SYST:ERR") else super().answer(command)

    cable = Cable(Mute(reversal=""))
    with source(cable) as supply:
        assert not supply.reverses
        assert supply.on().amps == pytest.approx(cable.supply.flow())
        with pytest.raises(SourceError, match="Swap its leads"):
            supply.on(-1)


@pytest.mark.parametrize(
    ("ohms", "words"),
    [(float("inf"), "No current flows"), (10.0, "limits: 12 V drive only 1.2 A of 5 A")],
)
def test_a_supply_that_limits_is_off_again_and_says_why(ohms: float, words: str) -> None:
    cable = Cable(SimulatedSupply(ohms=ohms))
    with source(cable) as supply:
        with pytest.raises(SourceError, match=words):
            supply.on()
        assert not cable.supply.output


def test_a_supply_that_drops_out_while_it_is_on_is_noticed_and_switched_off() -> None:
    cable = Cable(SimulatedSupply())
    with source(cable) as supply:
        supply.on()
        cable.supply.ohms = 4.0
        with pytest.raises(SourceError, match="limits"):
            supply.output()
        assert not cable.supply.output


@pytest.mark.parametrize(("volts", "amps"), [(48.0, 5.0), (0.0, 5.0), (12.0, 30.0), (12.0, -1.0)])
def test_limits_beyond_what_is_safe_are_refused(volts: float, amps: float) -> None:
    with pytest.raises(SourceError, match="refused"):
        Limits(volts, amps)


def test_a_supply_that_was_set_to_something_else_is_not_used() -> None:
    supply = SimulatedSupply()
    cable = Cable(supply)
    cable.interrupt = lambda c: setattr(supply, "volts", 30.0) if c == "VOLT 12.000" else None
    with pytest.raises(SourceError, match="says 30 V"):
        source(cable)
    assert not supply.output


def test_a_meter_is_no_supply_and_an_instrument_that_is_silent_is_none() -> None:
    with pytest.raises(DriverError):
        source(Cable(SimulatedInstrument(lambda: 0.0)))
    dead = Cable(SimulatedSupply())
    dead.supply.line_ends = (b"never",)
    with pytest.raises(SilentError):
        source(dead)


@given(pulled=st.integers(1, 60), closed=st.integers(0, 2))
@settings(max_examples=60, deadline=None)
def test_whenever_the_cable_is_pulled_the_output_ends_off(pulled: int, closed: int) -> None:
    cable = Cable(SimulatedSupply())
    cable.pulled_at = None
    with source(cable) as supply:
        cable.pulled_at, cable.closed_for = cable.messages + pulled, closed
        try:
            for sign in (1, -1, 1):
                supply.on(sign)
                supply.output()
        except DriverError:
            assert not cable.supply.output
    assert not cable.supply.output


def test_a_late_answer_does_not_pass_for_that_the_output_is_off() -> None:
    class Late(Cable):
        """Keeps the answer to a query for itself until the next one."""

        kept: bytes | None = None

        def write(self, data: bytes) -> None:
            super().write(data)
            if data.startswith(b"MEAS:VOLT") and self.kept is None:
                self.kept, self.waiting = self.waiting, b""
            elif self.kept:
                self.waiting, self.kept = self.kept + self.waiting, b""

        def read(self, timeout_s: float) -> bytes:
            line, end, self.waiting = self.waiting.partition(b"\n")
            return line + end

    cable = Late(SimulatedSupply())
    with source(cable) as supply:
        opened = cable.supply.commands.count("*IDN?")
        with pytest.raises(OperatingError, match="answers None to MEAS:VOLT"):
            supply.on()
        assert not cable.supply.output
        assert cable.supply.commands.count("*IDN?") == opened + 1  # over a link opened anew
        assert supply.on().volts == pytest.approx(2.5)


def test_a_cable_that_stays_pulled_is_said_to_leave_the_supply_on() -> None:
    cable = Cable(SimulatedSupply())
    supply = source(cable)
    supply.on()
    cable.pulled_at, cable.closed_for = cable.messages, 99
    with pytest.raises(StillOnError, match=r"front panel .* NOW"):
        supply.output()
    assert supply.is_on


def test_an_output_that_sticks_is_said() -> None:
    cable = Cable(SimulatedSupply())
    supply = source(cable)
    supply.on()
    cable.supply.stuck = True
    with pytest.raises(StillOnError, match="still shows current"):
        supply.off()


@pytest.mark.parametrize("at", ["OUTP ON", "MEAS:CURR?", "MEAS:VOLT?"])
def test_ctrl_c_leaves_the_output_off(at: str) -> None:
    cable = Cable(SimulatedSupply())

    def press(command: str) -> None:
        if command == at:
            cable.interrupt = lambda _: None
            raise KeyboardInterrupt

    supply = source(cable)
    cable.interrupt = press

    def use() -> None:
        with supply:
            supply.on()
            supply.output()

    with pytest.raises(KeyboardInterrupt):
        use()
    assert not cable.supply.output


def test_ctrl_c_waits_until_the_supply_is_off() -> None:
    done = []

    def switch_off() -> None:
        with uninterrupted():
            os.kill(os.getpid(), signal.SIGINT)
            done.append("off")
        done.append("never")

    with pytest.raises(KeyboardInterrupt):
        switch_off()
    assert done == ["off"]
