"""What switches the load, and how it is known that it did."""

import shlex
import sys
import threading

import pytest

from drivers.address import parse_address
from drivers.simulated import SimulatedMeter
from meterlink.errors import UsageError
from meterlink.lab import switching
from meterlink.lab.switching import CommandSwitch, HandSwitch, ScpiSwitch, SwitchError


def python(code: str, *words: str) -> str:
    return shlex.join([sys.executable, "-c", code, *words])


def test_a_command_is_run_with_the_state_and_without_a_shell(tmp_path):
    target = tmp_path / "state of; it"
    code = "import sys, pathlib; pathlib.Path(sys.argv[1]).write_text(sys.argv[2])"
    switch = CommandSwitch(python(code, str(target), "load {state}"))
    switch.set(on=True)
    assert target.read_text() == "load on"
    switch.set(on=False)
    assert target.read_text() == "load off"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (python("import sys; sys.exit('relay {state} is stuck')"), "code 1: relay on is stuck"),
        ("/nowhere/relay {state}", "cannot be run"),
    ],
)
def test_a_command_that_fails_is_told(words, message):
    with pytest.raises(SwitchError, match=message):
        CommandSwitch(words).set(on=True)


def test_a_command_that_hangs_is_stopped_with_all_that_it_started(tmp_path):
    alive = tmp_path / "alive"
    loop = f"(while sleep 0.05; do echo >> {alive}; done) & wait"
    with pytest.raises(SwitchError, match=r"has not ended after 0\.5 s; it was stopped"):
        CommandSwitch(shlex.join(["/bin/sh", "-c", loop, "{state}"]), 0.5).set(on=False)
    size = alive.stat().st_size
    threading.Event().wait(0.3)
    assert alive.stat().st_size == size > 0


def test_a_command_that_leaves_something_running_has_ended_all_the_same(tmp_path):
    words = shlex.join(["/bin/sh", "-c", "sleep 2 & exit 0", "{state}"])
    CommandSwitch(words, 1.5).set(on=True)


@pytest.mark.parametrize(
    ("words", "message"), [("relay on", "{state}"), ('relay "{state}', "read")]
)
def test_a_command_without_a_state_is_wrong_usage(words, message):
    with pytest.raises(UsageError, match=message):
        CommandSwitch(words)


def test_a_hand_needs_nothing_open():
    switch = HandSwitch()
    switch.set(on=True)
    switch.close()
    assert switch.by_hand


@pytest.fixture
def instrument():
    with SimulatedMeter(lambda _t_s: 0.0, driver="scpi", rate_hz=50) as meter:
        yield meter


def test_an_output_is_switched_and_its_error_queue_asked(instrument):
    switch = ScpiSwitch(parse_address(instrument.address), "CONF:VOLT:AC", "CONF:VOLT:DC")
    switch.set(on=True)
    switch.set(on=False)
    switch.close()
    asked = instrument.instrument.commands
    assert asked == ["*CLS", "CONF:VOLT:AC", "SYST:ERR?", "CONF:VOLT:DC", "SYST:ERR?"]


def test_a_command_that_the_instrument_refuses_is_told(instrument):
    switch = ScpiSwitch(parse_address(instrument.address), "OUTP ON", "OUTP OFF")
    with pytest.raises(SwitchError, match=r"did not take 'OUTP ON': -113 Undefined header"):
        switch.set(on=True)
    switch.close()


def test_an_instrument_that_says_nothing_is_told(instrument):
    instrument.instrument.line_ends = (b"\0",)
    ticks = iter(range(100))
    address = parse_address(instrument.address)
    switch = ScpiSwitch(address, "OUTP ON", "OUTP OFF", clock=lambda: float(next(ticks)))
    with pytest.raises(SwitchError, match="did not answer"):
        switch.set(on=True)
    switch.close()


def test_a_late_answer_does_not_pass_for_that_of_the_next_command(monkeypatch):
    class Late:
        """Answers only once the wait is over, and then that the command before was taken."""

        def __init__(self) -> None:
            self.sent: list[bytes] = []
            self.answers = b""

        def write(self, data: bytes) -> None:
            self.answers += b'0,"No error"\n' if any(b"?" in sent for sent in self.sent) else b""
            self.sent.append(data)

        def read(self, timeout_s: float) -> bytes:
            data, self.answers = self.answers, b""
            return data

        def close(self) -> None: ...

    links: list[Late] = []

    def opened(address: object) -> Late:
        links.append(Late())
        return links[-1]

    monkeypatch.setattr(switching, "open_link", opened)
    ticks = iter(range(100))
    address = parse_address("scpi:COM1")
    switch = ScpiSwitch(address, "OUTP ON", "OUTP OFF", clock=lambda: float(next(ticks)))
    for on in (True, False):
        with pytest.raises(SwitchError, match="did not answer"):
            switch.set(on=on)
    assert [link.sent[1] for link in links] == [b"OUTP ON\n", b"OUTP OFF\n"]
