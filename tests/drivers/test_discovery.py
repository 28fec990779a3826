"""Finding meters at ports that are played by the test."""

import sys

import pytest
import pyvisa
from serial.tools.list_ports_common import ListPortInfo

from drivers.address import Address
from drivers.discovery import Port, examine, serial_ports, visa_resources
from drivers.errors import OpeningError, OperatingError, UnavailableError
from drivers.readings import as_read_at
from drivers.simulated_bytes import lines_text, segment_frame


class Cable:
    """A port with a streaming meter at some speed, an instrument, or nothing."""

    def __init__(
        self, stream: bytes = b"", baud: int = 9600, parity: str = "N", identity: bytes = b""
    ) -> None:
        self.stream, self.baud, self.parity, self.identity = stream, baud, parity, identity
        self.sent: list[bytes] = []
        self.opened: list[Address] = []
        self.now_s = 0.0

    def open(self, address: Address) -> "Cable":
        self.opened.append(address)
        seen = as_read_at(
            self.stream, sent_baud=self.baud, read_baud=address.baud, sent_parity=self.parity
        )
        self.waiting = seen if self.stream else b""
        return self

    def read(self, timeout_s: float) -> bytes:
        self.now_s += timeout_s
        data, self.waiting = self.waiting[:100], self.waiting[100:]
        return data

    def write(self, data: bytes) -> None:
        self.sent.append(data)
        if self.opened[-1].baud == self.baud:
            self.waiting += self.identity

    def close(self) -> None:
        pass

    def clock(self) -> float:
        return self.now_s


LINES = b"".join(lines_text(0.004 + 0.0001 * k) for k in range(30))
FRAMES = b"".join(segment_frame(0.004 + 0.0001 * k) for k in range(30))


def look(cable: Cable, *, ask: bool = False) -> tuple[str | None, str]:
    finding = examine(Port("COM7", ""), ask=ask, opener=cable.open, clock=cable.clock)
    return (str(finding.address) if finding.address else None, finding.text)


def test_a_streaming_meter_is_found_at_its_speed() -> None:
    address, text = look(Cable(LINES, 2400))
    assert address == "lines:COM7,2400,8N1"
    assert "mV AC" in text


def test_a_meter_with_parity_is_found_with_its_framing() -> None:
    assert look(Cable(LINES, 1200, "O"))[0] == "lines:COM7,1200,7O1"


def test_a_display_mirroring_meter_is_found() -> None:
    assert look(Cable(FRAMES, 2400))[0] == "segments:COM7,2400,8N1"


def test_listening_sends_nothing() -> None:
    for cable in (Cable(LINES, 19_200), Cable(), Cable(b"\x00\xff" * 300)):
        look(cable)
        assert cable.sent == []


def test_silence_is_listened_to_with_each_handshake_level_and_asking_is_offered() -> None:
    cable = Cable()
    address, text = look(cable)
    assert address is None
    levels = [(one.dtr, one.rts) for one in cable.opened]
    assert levels == [(None, None), (True, False), (False, True)]
    assert "--ask" in text


def test_a_cable_that_is_powered_by_its_handshake_lines_is_found() -> None:
    class Isolated(Cable):
        def open(self, address: Address) -> Cable:
            super().open(address)
            if address.rts is not False:
                self.waiting = b""
            return self

    assert look(Isolated(FRAMES, 2400))[0] == "segments:COM7,2400,8N1,dtr=on,rts=off"


def test_an_instrument_is_asked_only_when_allowed() -> None:
    cable = Cable(identity=b"SIMULATED,VOLTMETER,0,1\n", baud=19_200)
    assert look(cable)[0] is None
    assert cable.sent == []
    address, text = look(cable, ask=True)
    assert address == "scpi:COM7,19200,8N1"
    assert "SIMULATED,VOLTMETER,0,1" in text
    assert set(cable.sent) == {b"*IDN?\n"}


def test_bytes_that_nobody_foresaw_are_shown() -> None:
    address, text = look(Cable(b"hello\x1b[2J world\r\n" * 30))
    assert address is None
    assert r"hello\x1b[2J" in text
    assert text.isprintable()


def test_a_port_that_cannot_be_opened_says_why() -> None:
    def refuse(address: Address) -> Cable:
        raise OpeningError(f"{address.port} is in use by another program.")

    finding = examine(Port("COM7", ""), opener=refuse)
    assert finding.text == "COM7 is in use by another program."


def test_a_port_that_goes_away_while_listened_to_says_so() -> None:
    class Pulled(Cable):
        def read(self, timeout_s: float) -> bytes:
            raise OperatingError("COM7 is gone.")

    assert "COM7 is gone" in look(Pulled())[1]


def test_visa_resources_are_not_asked_unless_allowed() -> None:
    cable = Cable(identity=b"SIMULATED,VOLTMETER,0,1\n")
    port = Port("TCPIP::10.0.0.1::5025::SOCKET", "VISA")
    finding = examine(port, opener=cable.open, clock=cable.clock)
    assert (str(finding.address), cable.sent) == ("scpi:TCPIP::10.0.0.1::5025::SOCKET", [])
    finding = examine(port, ask=True, opener=cable.open, clock=cable.clock)
    assert "SIMULATED" in finding.text


def test_ports_are_listed_with_what_the_system_says(monkeypatch: pytest.MonkeyPatch) -> None:
    known = [ListPortInfo("COM7"), ListPortInfo("COM3")]
    known[1].description = "Adapter"
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: known)
    assert serial_ports() == [Port("COM3", "Adapter"), Port("COM7", "")]


class Manager:
    """A VISA library that finds two resources, or fails."""

    def __init__(self, library: str) -> None:
        if library == "broken":
            raise ValueError("no such library")

    def list_resources(self) -> tuple[str, ...]:
        return ("ASRL/dev/ttyS0::INSTR", "USB0::1::2::3::INSTR")


def test_visa_resources_are_those_that_are_no_serial_ports(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(pyvisa, "ResourceManager", Manager)
    assert visa_resources() == [Port("USB0::1::2::3::INSTR", "VISA")]
    with pytest.raises(UnavailableError, match="no such library"):
        visa_resources("broken")
    monkeypatch.setitem(sys.modules, "pyvisa", None)
    with pytest.raises(UnavailableError, match="pip install pyvisa-py"):
        visa_resources()


def test_an_instrument_that_cannot_be_opened_or_does_not_answer_is_said() -> None:
    def refuse(address: Address) -> Cable:
        raise OpeningError(f"{address.port} refused.")

    port = Port("TCPIP::10.0.0.1::5025::SOCKET", "VISA")
    assert examine(port, ask=True, opener=refuse).text == f"{port.name} refused."
    cable = Cable(identity=b"")
    finding = examine(port, ask=True, opener=cable.open, clock=cable.clock)
    assert (finding.address, "is not answered" in finding.text) == (None, True)


def test_a_port_that_answers_nothing_when_asked_is_said() -> None:
    address, text = look(Cable(identity=b""), ask=True)
    assert address is None
    assert "*IDN? is not answered" in text


def test_overload_and_other_quantities_are_shown_in_words() -> None:
    assert "reads overload" in look(Cable(lines_text(None) * 30))[1]
    assert "no volts but A" in look(Cable(lines_text(1.5, quantity="A") * 30))[1]
