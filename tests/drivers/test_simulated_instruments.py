"""The simulated voltmeter and supply: what they answer, against the standard and Ohm's law."""

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.readings import Function, make_decoder
from drivers.simulated_bytes import (
    SimulatedInstrument,
    SimulatedSupply,
    lines_text,
    range_of,
    segment_frame,
    shown,
    shown_ohms,
)

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference"


def standard_errors() -> dict[int, str]:
    """SCPI-99 vol. 2, chapter 21."""
    with (REFERENCE / "scpi_errors.csv").open(encoding="utf-8") as stream:
        rows = csv.DictReader(line for line in stream if not line.startswith("#"))
        return {int(row["code"]): row["text"] for row in rows}


STANDARD = standard_errors()


def said(instrument: SimulatedInstrument, *commands: str) -> list[str]:
    """Replies to commands that are sent one after another; those without one are left out."""
    replies = [
        instrument.answer(command)
        for text in commands
        for command in instrument.take(text.encode() + b"\n")
    ]
    return [reply.decode().rstrip("\n") for reply in replies if reply]


def errors_of(instrument: SimulatedInstrument) -> list[tuple[int, str]]:
    found = []
    while (reply := said(instrument, "SYST:ERR?")[0]) != '+0,"No error"':
        code, _, text = reply.partition(",")
        found.append((int(code), text.strip('"')))
    return found


# the voltmeter


def test_a_measurement_is_configured_counted_and_read() -> None:
    levels = iter([0.001, 0.002, None])
    meter = SimulatedInstrument(lambda: next(levels))
    assert said(meter, "*IDN?")[0].count(",") == 3  # four fields: IEEE 488.2, 10.14
    assert said(meter, "CONF:VOLT:AC", "SAMP:COUN 3", "READ?") == [
        "+1.00000000E-03,+2.00000000E-03,+9.90000000E+37"  # overload: SCPI-99 vol. 1, 7.2.1.4
    ]
    assert meter.function is Function.AC
    said(meter, "CONF:FRES")
    assert meter.function is Function.OHM
    said(meter, "*RST")
    assert meter.function is Function.DC
    assert errors_of(meter) == []


@pytest.mark.parametrize("text", ["0", "-1", "1001", "many", "1.5"])
def test_a_count_out_of_range_is_the_standard_error(text: str) -> None:
    meter = SimulatedInstrument(lambda: 0.5)
    said(meter, f"SAMP:COUN {text}")
    assert errors_of(meter) == [(-222, STANDARD[-222])]
    assert said(meter, "READ?")[0].count(",") == 0  # one sample, as before


def test_several_commands_come_in_one_message_and_one_in_several_pieces() -> None:
    meter = SimulatedInstrument(lambda: 0.5)
    assert meter.take(b"*CLS;*ID") == []
    assert meter.take(b"N?\r\nREAD?\n") == ["*CLS", "*IDN?", "READ?"]


def test_what_it_does_not_know_is_an_undefined_header() -> None:
    supply = SimulatedInstrument(lambda: 0.5, voltmeter=False)
    assert said(supply, "READ?") == []
    assert errors_of(supply) == [(-113, STANDARD[-113])]
    without = SimulatedInstrument(lambda: 0.5, refused=("DET:BAND",))
    said(without, "DET:BAND 20")
    assert errors_of(without) == [(-113, STANDARD[-113])]


def test_the_queue_of_errors_overflows_and_is_cleared() -> None:
    meter = SimulatedInstrument(lambda: 0.5)
    said(meter, *["NONSENSE"] * 30)
    found = errors_of(meter)
    assert len(found) == 10
    assert found[-1] == (-350, STANDARD[-350])
    said(meter, "NONSENSE", "*CLS")
    assert errors_of(meter) == []


@given(st.binary(max_size=300))
def test_any_bytes_are_taken_and_only_standard_errors_come_of_them(data: bytes) -> None:
    meter = SimulatedInstrument(lambda: 0.5)
    for command in meter.take(data + b"\n"):
        meter.answer(command)
    assert all(STANDARD[code] == text for code, text in errors_of(meter))


# the supply


@given(st.floats(0.01, 100), st.floats(0, 30), st.floats(0, 20))
def test_a_supply_gives_its_current_until_its_voltage_holds_it(
    ohms: float, volts: float, amps: float
) -> None:
    """Ohm's law: constant current while ``I R`` is below the limit, else ``U / R``."""
    supply = SimulatedSupply(ohms=ohms)
    said(supply, f"VOLT {volts!r}", f"CURR {amps!r}", "OUTP ON")
    expected = min(amps, volts / ohms)
    assert supply.flow() == pytest.approx(expected)
    current, voltage = (float(text) for text in said(supply, "MEAS:CURR?", "MEAS:VOLT?"))
    assert current == pytest.approx(expected, abs=1e-5)
    if expected > 0:
        assert voltage == pytest.approx(expected * ohms, abs=1e-5 + 1e-9 * volts)
        assert voltage <= volts + 1e-5


def test_an_open_circuit_takes_no_current_and_has_the_whole_voltage() -> None:
    supply = SimulatedSupply(ohms=math.inf)
    said(supply, "VOLT 12", "CURR 5", "OUTP ON")
    assert supply.flow() == 0.0
    assert float(said(supply, "MEAS:VOLT?")[0]) == 12.0
    said(supply, "OUTP OFF")
    assert float(said(supply, "MEAS:VOLT?")[0]) == 0.0


def test_a_relay_turns_the_current_and_a_supply_without_one_refuses() -> None:
    relay = SimulatedSupply()
    said(relay, "VOLT 12", "CURR 5", "OUTP ON", "OUTP:REL:POL REV")
    assert relay.flow() == -5.0
    said(relay, "OUTP:REL:POL NORM")
    assert relay.flow() == 5.0
    none = SimulatedSupply(reversal="")
    said(none, "OUTP:REL:POL REV", "CURR -5")
    assert errors_of(none) == [(-113, STANDARD[-113]), (-222, STANDARD[-222])]
    negative = SimulatedSupply(reversal="negative")
    said(negative, "VOLT 12", "CURR -5", "OUTP ON")
    assert negative.flow() == -5.0
    assert errors_of(negative) == []


def test_an_output_that_is_stuck_stays_on_and_says_so() -> None:
    stuck = SimulatedSupply(stuck=True)
    assert said(stuck, "OUTP?") == ["0"]
    said(stuck, "OUTP ON", "OUTP OFF")
    assert said(stuck, "OUTP?") == ["1"]
    sound = SimulatedSupply()
    said(sound, "OUTP ON", "*RST")
    assert said(sound, "OUTP?") == ["0"]


def test_what_is_no_number_is_a_data_type_error() -> None:
    supply = SimulatedSupply()
    said(supply, "VOLT much")
    assert errors_of(supply) == [(-104, STANDARD[-104])]
    assert said(supply, "VOLT?") == ["0.0000"]


# displays


@given(st.floats(-599.9, 599.9))
def test_a_display_shows_what_it_says_to_its_last_digit(volts: float) -> None:
    found = shown(volts)
    assert found is not None
    digits, unit = found
    step = 10.0 ** -len(digits.partition(".")[2]) * (1e-3 if unit == "mV" else 1.0)
    value = float(digits) * (1e-3 if unit == "mV" else 1.0)
    assert value == pytest.approx(volts, abs=0.51 * step)


def test_beyond_the_last_range_there_is_nothing_to_show() -> None:
    assert shown(1e6) is None
    assert range_of(0.0) == 0
    assert range_of(0.001) <= range_of(10.0) <= range_of(1e6)
    assert shown_ohms(0.14) == ("0.1", "ohm")
    assert shown_ohms(4700.0)[1] == "kohm"
    assert shown_ohms(4.7e6)[1] == "Mohm"


@pytest.mark.parametrize(("driver", "made"), [("lines", lines_text), ("segments", segment_frame)])
@given(volts=st.one_of(st.none(), st.floats(0.0001, 599)), hold=st.booleans())
def test_what_a_simulated_meter_sends_its_driver_reads(driver: str, made, volts, hold) -> None:
    decoder = make_decoder(driver, {})
    found = decoder.feed(made(volts, Function.AC, hold=hold), 1.0)
    found += decoder.feed(made(0.5), 2.0)  # a frame may need the next one's start
    reading = found[0]
    assert (reading.overload, reading.hold) == (volts is None, hold)
    if volts is None:
        assert reading.volts is None
    else:
        digits, unit = shown(volts) or ("", "")
        assert reading.volts == pytest.approx(float(digits) * (1e-3 if unit == "mV" else 1.0))
