"""Talking to an instrument, without a port or a clock: the link is the simulated instrument."""

import contextlib
import csv
import json
from collections.abc import Iterator
from itertools import count
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.address import parse_address
from drivers.capture import decode
from drivers.errors import DriverError, OpeningError, OperatingError, SilentError
from drivers.readings import Event, Function, Mark, Reading, Received, Sent, make_decoder
from drivers.scpi import ScpiTalk, parse_error
from drivers.simulated_bytes import IDENTITY, SimulatedInstrument

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference"


class InstrumentLink:
    """Answers at once, a few bytes at a read."""

    def __init__(self, instrument: SimulatedInstrument, chunk: int = 7) -> None:
        self.instrument = instrument
        self.chunk = chunk
        self.waiting = b""
        self.dead = False

    def write(self, data: bytes) -> None:
        for command in self.instrument.take(data):
            reply = self.instrument.answer(command)
            self.waiting += b"" if self.dead else reply

    def read(self, timeout_s: float) -> bytes:
        data, self.waiting = self.waiting[: self.chunk], self.waiting[self.chunk :]
        return data

    def close(self) -> None:
        pass


class Bench:
    """An instrument, a talk with it, and what happened."""

    def __init__(self, address: str = "scpi:COM1", **instrument: object) -> None:
        levels = count(1)
        self.instrument = SimulatedInstrument(lambda: next(levels) * 1e-3, **instrument)
        self.link = InstrumentLink(self.instrument)
        self.events: list[Event] = []
        self.now_s = 0.0
        self.talk = ScpiTalk(parse_address(address), self.events.append, self.clock)

    def clock(self) -> float:
        self.now_s += 0.01
        return self.now_s

    def read(self, steps: int) -> list[Reading]:
        for _ in range(steps):
            self.talk.step(self.link)
        decoder = make_decoder("scpi", {"function": "AC"})
        return [e for e in decode(self.events, decoder) if not isinstance(e, Mark)]

    def notes(self) -> Iterator[str]:
        return (event.text for event in self.events if isinstance(event, Mark))


def test_it_identifies_clears_and_configures_and_then_only_reads() -> None:
    bench = Bench()
    begun = bench.talk.begin(bench.link)
    assert begun == (IDENTITY, {"function": "AC"})
    asked = [command for command in bench.instrument.commands if command != "SYST:ERR?"]
    assert asked[:4] == ["*IDN?", "*CLS", "SYST:REM", "CONF:VOLT:AC"]
    readings = bench.read(12)
    assert [reading.volts for reading in readings][:3] == [0.001, 0.002, 0.003]
    assert {reading.function for reading in readings} == {Function.AC}
    assert list(bench.notes()) == []
    bench.talk.end(bench.link)
    assert bench.instrument.commands[-1] == "SYST:LOC"


def test_no_answer_from_setting_up_is_taken_for_a_reading() -> None:
    bench = Bench()
    bench.talk.begin(bench.link)
    assert bench.read(0) == []


def test_direct_current_is_integrated_over_mains_cycles() -> None:
    bench = Bench("scpi:COM1,function=DC,range=0.1")
    bench.talk.begin(bench.link)
    assert "CONF:VOLT:DC 0.1" in bench.instrument.commands
    assert "VOLT:DC:NPLC 1" in bench.instrument.commands
    assert bench.instrument.function is Function.DC


@pytest.mark.parametrize("line_end", [b"\n", b"\r\n", b"\r"])
@pytest.mark.parametrize("reply_end", [b"\n", b"\r\n", b"\r"])
def test_line_ends_are_found_out(line_end: bytes, reply_end: bytes) -> None:
    bench = Bench(line_ends=(line_end,), reply_end=reply_end)
    assert bench.talk.begin(bench.link).identity == IDENTITY
    sent = [event.data for event in bench.events if isinstance(event, Sent)]
    assert line_end in sent[-1]
    assert [reading.volts for reading in bench.read(12)][:2] == [0.001, 0.002]


def test_a_refused_command_is_named_and_the_rest_is_used() -> None:
    bench = Bench(refused=("DET:BAND",))
    bench.talk.begin(bench.link)
    [note] = bench.notes()
    assert "'DET:BAND 20' (-113 Undefined header, command error)" in note
    assert len(bench.read(12)) > 2


def test_a_meter_that_refuses_the_function_is_read_as_it_is() -> None:
    bench = Bench(refused=("CONF",))
    begun = bench.talk.begin(bench.link)
    assert begun.settings == {}


def test_what_is_no_voltmeter_is_refused_by_name() -> None:
    bench = Bench(voltmeter=False, identity="SIMULATED,SUPPLY,0,1")
    with pytest.raises(OpeningError, match=r"SIMULATED,SUPPLY.*no voltmeter"):
        bench.talk.begin(bench.link)


def test_silence_is_told_apart() -> None:
    bench = Bench()
    bench.link.dead = True
    with pytest.raises(SilentError, match=r"\*IDN\?"):
        bench.talk.begin(bench.link)


def test_an_instrument_that_stops_answering_is_taken_for_lost() -> None:
    bench = Bench()
    bench.talk.begin(bench.link)
    bench.read(4)
    bench.link.dead = True
    bench.link.waiting = b""
    with pytest.raises(OperatingError, match="does not answer"):
        bench.read(5000)


def test_an_error_queue_without_end_does_not_hold_it_up() -> None:
    bench = Bench()
    bench.instrument._next_error = lambda _: '-222,"Data out of range"'
    answers = bench.instrument.answer

    def answer(command: str) -> bytes:
        return b'-222,"Data out of range"\n' if command == "SYST:ERR?" else answers(command)

    bench.instrument.answer = answer
    with pytest.raises(OpeningError):
        bench.talk.begin(bench.link)
    assert len(bench.instrument.commands) < 1000


def test_several_numbers_in_one_reply_are_several_readings() -> None:
    bench = Bench()
    bench.talk.begin(bench.link)
    bench.instrument.answer("SAMP:COUN 3")
    assert [reading.volts for reading in bench.read(16)][:3] == [0.001, 0.002, 0.003]


def test_bytes_are_recorded_as_they_came() -> None:
    bench = Bench()
    bench.talk.begin(bench.link)
    came = b"".join(event.data for event in bench.events if isinstance(event, Received))
    assert came.startswith(IDENTITY.encode() + b"\n")


class BabblingLink:
    """Answers every command with the next of some prepared bytes."""

    def __init__(self, answers: list[bytes]) -> None:
        self.answers = answers
        self.waiting = b""

    def write(self, data: bytes) -> None:
        if self.answers:
            self.waiting += self.answers.pop(0)

    def read(self, timeout_s: float) -> bytes:
        data, self.waiting = self.waiting[:9], self.waiting[9:]
        return data

    def close(self) -> None:
        pass


answers = st.binary(max_size=30) | st.sampled_from(
    [b"a,b,c,d\n", b'+0,"No error"\n', b'-113,"x"\n', b"1.5E-3\n", b"9.9E37\r\n", b"\n", b"1\r"]
)


@given(babble=st.lists(answers, max_size=40))
@settings(max_examples=60, deadline=None)
def test_whatever_is_answered_ends_as_readings_or_in_words(babble: list[bytes]) -> None:
    bench = Bench()
    link = BabblingLink(list(babble))
    with contextlib.suppress(DriverError):
        bench.talk.begin(link)
        for _ in range(30):
            bench.talk.step(link)
    decoder = make_decoder("scpi", {})
    for reading in decode(bench.events, decoder):
        assert reading.t_s <= bench.now_s


def error_entries() -> list[tuple[str, str]]:
    with (REFERENCE / "scpi_errors.csv").open(encoding="utf-8") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        return [(row["code"], row["text"]) for row in rows]


@pytest.mark.parametrize(("code", "text"), error_entries())
def test_every_standard_error_is_read_and_said(code: str, text: str) -> None:
    error = parse_error(f'{code},"{text}"')
    assert error is not None
    assert (error.code, error.text) == (int(code), text)
    assert text in str(error)


@pytest.mark.parametrize(
    ("reply", "code"),
    [
        ('+0,"No error"', 0),
        ("0", 0),
        ("-113, Undefined header ", -113),
        ("noise", None),
        ("", None),
    ],
)
def test_error_replies_of_other_forms(reply: str, code: int | None) -> None:
    error = parse_error(reply)
    assert (error.code if error else None) == code


def test_an_errors_text_cannot_reach_the_terminal_as_commands() -> None:
    error = parse_error('5,"\x1b[2Jred"')
    assert error is not None
    assert str(error).isprintable()


def test_an_identity_cannot_reach_the_terminal_as_commands() -> None:
    bench = Bench(identity="ACME,\x1b[2JV\x07,0,1")
    assert bench.talk.begin(bench.link).identity == "ACME,[2JV,0,1"


def test_the_simulated_instrument_knows_long_and_short_forms_and_nothing_between() -> None:
    """Short forms: the rule of SCPI-99 vol. 1, 6.2.1, with the listed examples."""
    examples = json.loads((REFERENCE / "scpi_facts.json").read_text("utf-8"))
    short = examples["short_form_rule"]["examples"]
    instrument = SimulatedInstrument(lambda: 0.5)
    for words in (("SYSTEM", "ERROR"), ("SYST", "ERR"), ("SYSTEM", "ERR"), ("syst", "error")):
        assert instrument.answer(":".join(words) + "?") == b'+0,"No error"\n'
    assert short["SYSTEM"] == "SYST"
    assert short["ERROR"] == "ERR"
    assert instrument.answer("SYSTE:ERR?") == b""
    assert instrument.answer("SYST:ERR?") == b'-113,"Undefined header"\n'


def test_the_simulated_error_queue_overflows_as_the_standard_says() -> None:
    instrument = SimulatedInstrument(lambda: 0.5)
    for _ in range(30):
        instrument.answer("NONSENSE")
    found = []
    while not (reply := instrument.answer("SYST:ERR?")).startswith(b"+0"):
        found.append(reply)
    assert found[-1] == b'-350,"Queue overflow"\n'


def asked(bench: Bench) -> list[str]:
    return [c for c in bench.instrument.commands if c not in ("SYST:ERR?", "READ?")]


def test_ohms_are_asked_for_with_four_wires_and_free_of_thermal_voltages() -> None:
    bench = Bench("scpi:COM1,function=OHM")
    begun = bench.talk.begin(bench.link)
    assert begun.settings == {"function": "OHM", "wires": 4}
    assert asked(bench)[3:6] == ["CONF:FRES", "FRES:NPLC 1", "FRES:OCOM ON"]


def test_an_instrument_of_two_wires_measures_ohms_with_two() -> None:
    bench = Bench("scpi:COM1,function=OHM,nplc=10", refused=("CONF:FRES",))
    begun = bench.talk.begin(bench.link)
    assert begun.settings == {"function": "OHM", "wires": 2}
    assert asked(bench)[3:6] == ["CONF:FRES", "CONF:RES", "RES:NPLC 10"]
    assert any("CONF:FRES" in note for note in bench.notes())


def test_dc_volts_are_read_over_whole_mains_cycles_with_the_zero_taken_off() -> None:
    bench = Bench("scpi:COM1,function=DC,nplc=10")
    assert bench.talk.begin(bench.link).settings == {"function": "DC"}
    assert asked(bench)[3:6] == ["CONF:VOLT:DC", "VOLT:DC:NPLC 10", "VOLT:DC:ZERO:AUTO ON"]


def test_replies_of_an_ohmmeter_are_ohms() -> None:
    reading = make_decoder("scpi", {"function": "OHM"}).feed(b"+1.43000000E-01\n", 0.0)[0]
    assert (reading.ohms, reading.volts, reading.function) == (0.143, None, Function.OHM)
    assert reading.resolution_ohm == 1e-9
    over = make_decoder("scpi", {"function": "OHM"}).feed(b"+9.9E+37\n", 0.0)[0]
    assert (over.overload, over.quantity) == (True, "ohm")
