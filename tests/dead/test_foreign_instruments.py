"""Instruments that nobody here wrote: a simulator of the registries as meter and as supply."""

from itertools import count
from pathlib import Path

import pytest

from drivers.address import open_link, parse_address
from drivers.capture import decode
from drivers.errors import DriverError
from drivers.readings import Event, Function, Mark, make_decoder
from drivers.scpi import ScpiTalk
from drivers.scpi_source import Limits, ScpiSource, SourceError

pytest.importorskip("pyvisa_sim")
BENCH = Path(__file__).parents[2] / "fixtures" / "instruments" / "bench.yaml"
METERS = (
    "ASRL1::INSTR",
    "TCPIP0::localhost::5025::SOCKET",
    "USB0::0x1234::0x0001::1::0::INSTR",
)
SUPPLIES = (
    "ASRL3::INSTR",
    "TCPIP0::localhost::5026::SOCKET",
    "USB0::0x1234::0x0003::1::0::INSTR",
)


def address(resource: str, *words: str):
    return parse_address(",".join([f"scpi:{resource}", *words, f"visa={BENCH}@sim"]))


@pytest.mark.parametrize("resource", METERS)
@pytest.mark.parametrize("function", ["AC", "DC", "OHM"])
def test_a_meter_is_set_up_and_read(resource: str, function: str) -> None:
    where = address(resource, f"function={function}")
    events: list[Event] = []
    ticks = count()
    talk = ScpiTalk(where, events.append, lambda: next(ticks) * 0.01)
    link = open_link(where)
    try:
        begun = talk.begin(link)
        for _ in range(4):
            talk.step(link)
    finally:
        link.close()
    wires = {"wires": 4} if function == "OHM" else {}
    assert begun == ("SIMULATED,MULTIMETER,1,1", {"function": function} | wires)
    decoder = make_decoder("scpi", begun.settings)
    readings = [e for e in decode(events, decoder) if not isinstance(e, Mark)]
    assert readings
    value = readings[-1].ohms if function == "OHM" else readings[-1].volts
    assert (readings[-1].function, value) == (Function(function), 0.14321)
    assert not [e for e in events if isinstance(e, Mark)]  # it refused nothing


def test_a_meter_without_four_wires_is_read_with_two() -> None:
    where = address("ASRL2::INSTR", "function=OHM")
    ticks = count()
    talk = ScpiTalk(where, lambda _: None, lambda: next(ticks) * 0.01)
    link = open_link(where)
    try:
        assert talk.begin(link).settings["wires"] == 2
    finally:
        link.close()


class Flowing(ScpiSource):
    """The simulator's supply has no circuit: what flows is told to it beside."""

    def flows(self, amps: float) -> None:
        self._talk.send(f"TEST:FLOW {amps:.3f}")


@pytest.mark.parametrize("resource", SUPPLIES)
def test_a_supply_is_limited_let_on_turned_and_off_in_the_end(resource: str) -> None:
    ticks = count()
    with Flowing(
        address(resource),
        Limits(12.0, 2.0),
        clock=lambda: next(ticks) * 0.01,
        pause=lambda _: supply.flows(2.0 if supply.is_on else 0.0),
    ) as supply:
        assert supply.reverses
        assert supply.on().amps == 2.0
        assert supply._number("VOLT?") == 12.0
        assert supply._talk.ask("OUTP?") == "ON"
        supply.flows(0.0)
        supply.off()
        assert supply.on(-1).amps == -2.0
        supply.flows(1.0)
        with pytest.raises((SourceError, DriverError), match=r"fell|still"):
            supply.output()
        supply.flows(0.0)
    link = open_link(address(resource))
    try:
        link.write(b"OUTP?\n")
        assert link.read(1.0).strip() == b"OFF"
    finally:
        link.close()
