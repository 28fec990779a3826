"""Serial and VISA links on ports that are played: what is set, what is read, what goes wrong."""

import errno
import socket
import sys
from collections.abc import Callable
from types import SimpleNamespace

import pytest
import pyvisa
import serial

from drivers import serial_link
from drivers.address import parse_address
from drivers.errors import OpeningError, OperatingError, UnavailableError
from drivers.serial_link import SerialLink, opening_message
from drivers.visa_link import VisaLink, open_library


class PlayedPort:
    """A serial port of pyserial: gives chunks; an exception in their place is raised."""

    def __init__(self, *chunks: bytes | Exception, refuses: Exception | None = None) -> None:
        self.chunks = list(chunks)
        self.refuses = refuses
        self.waiting = b""
        self.sent: list[bytes] = []
        self.events: list[str] = []
        self.timeout: float | None = None

    def __setattr__(self, name: str, value: object) -> None:
        if name in ("dtr", "rts"):
            self.events.append(f"{name}={value}")
        object.__setattr__(self, name, value)

    def open(self) -> None:
        self.events.append("open")
        if self.refuses is not None:
            raise self.refuses

    def reset_input_buffer(self) -> None:
        self.events.append("emptied")

    @property
    def in_waiting(self) -> int:
        return len(self.waiting)

    def read(self, count: int) -> bytes:
        if not self.waiting and self.chunks:
            chunk = self.chunks.pop(0)
            if isinstance(chunk, Exception):
                raise chunk
            self.waiting = chunk
        data, self.waiting = self.waiting[:count], self.waiting[count:]
        return data

    def write(self, data: bytes) -> None:
        if self.chunks and isinstance(self.chunks[0], Exception):
            raise self.chunks.pop(0)
        self.sent.append(data)

    def close(self) -> None:
        self.events.append("close")
        raise OSError("it was gone already")


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[SerialLink, dict]]:
    """A link to a played port, and what the port was opened with."""

    def open_it(address: str, port: PlayedPort) -> tuple[SerialLink, dict]:
        given: dict = {}

        def for_url(name: str, **settings: object) -> PlayedPort:
            given.update(settings, port=name)
            return port

        monkeypatch.setattr(serial, "serial_for_url", for_url)
        return SerialLink(parse_address(address)), given

    return open_it


# serial


@pytest.mark.parametrize(
    ("address", "expected"),
    [
        ("lines:COM5", {"baudrate": 9600, "bytesize": 8, "parity": "N", "stopbits": 1}),
        ("lines:COM5,2400,7E2", {"baudrate": 2400, "bytesize": 7, "parity": "E", "stopbits": 2}),
        ("lines:COM5,1200,5O1.5", {"baudrate": 1200, "parity": "O", "stopbits": 1.5}),
    ],
)
def test_speed_and_framing_of_the_address_are_those_of_the_port(
    opened, address: str, expected: dict
) -> None:
    _, given = opened(address, PlayedPort())
    assert given | expected == given
    assert given["port"] == "COM5"
    assert given["do_not_open"] is True


def test_a_cable_that_is_fed_from_the_lines_has_power_before_the_port_is_opened(opened) -> None:
    port = PlayedPort()
    opened("lines:COM5,dtr=on,rts=off", port)
    assert port.events == ["dtr=True", "rts=False", "open", "emptied"]
    port = PlayedPort()
    opened("lines:COM5", port)
    assert port.events == ["open", "emptied"]


def test_a_port_is_for_this_program_alone_and_a_network_port_need_not_be(opened) -> None:
    alone = opened("lines:COM5", PlayedPort())[1]["exclusive"]
    assert alone is (None if sys.platform == "win32" else True)
    assert opened("lines:socket://10.0.0.1:4000", PlayedPort())[1]["exclusive"] is None


def test_what_is_there_is_read_at_once_and_nothing_is_waited_for_in_slices(opened) -> None:
    link, _ = opened("lines:COM5", PlayedPort(b"", b"1.5 mV\r\n"))
    assert link.read(1.0) == b"1.5 mV\r\n"  # the first slice was empty, the time not up
    link, _ = opened("lines:COM5", PlayedPort(b"", b"late"))
    assert link.read(0.2) == b""
    assert link.read(1.0) == b"late"


def test_a_network_port_gives_what_it_has_without_saying_how_much(opened) -> None:
    port = PlayedPort(b"1.5 mV\r\n")
    link, _ = opened("lines:socket://10.0.0.1:4000", port)
    assert link.read(0.7) == b"1.5 mV\r\n"
    assert port.timeout == 0
    assert link.read(0.7) == b""
    assert port.timeout == 0.7


@pytest.mark.parametrize("error", [OSError("gone"), serial.SerialException("x"), TypeError("shut")])
@pytest.mark.parametrize("address", ["lines:COM5", "lines:socket://10.0.0.1:4000"])
def test_a_port_that_goes_away_while_it_is_read_or_written_is_said_to_be_gone(
    opened, address: str, error: Exception
) -> None:
    for use in (lambda link: link.read(1.0), lambda link: link.write(b"*IDN?\n")):
        link, _ = opened(address, PlayedPort(error))
        with pytest.raises(OperatingError, match="is gone: the cable was pulled"):
            use(link)
        link.close()  # is no error either


def test_a_port_that_takes_nothing_points_to_the_link_switch(opened) -> None:
    link, _ = opened("lines:COM5", PlayedPort(serial.SerialTimeoutException("full")))
    with pytest.raises(OperatingError, match="takes no bytes"):
        link.write(b"R")
    link, _ = opened("lines:COM5", port := PlayedPort())
    link.write(b"R")
    assert port.sent == [b"R"]


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (OSError(errno.EACCES, "Permission denied"), "may not be opened by this user"),
        (serial.SerialException("[Errno 13] Permission denied"), "may not be opened"),
        (OSError(errno.EBUSY, "busy"), "in use by another program"),
        (serial.SerialException("Could not exclusively lock port"), "in use by another program"),
        (OSError(errno.ECONNREFUSED, "no"), "nothing listens there"),
        (serial.SerialException("Could not open: refused"), "nothing listens there"),
        (OSError(errno.ENOENT, "none"), "is not there"),
        (serial.SerialException("FileNotFoundError(2)"), "is not there"),
        (OSError(errno.EINVAL, "?"), "does not do this speed or framing"),
        (OSError(errno.ENOTTY, "?"), "is no serial port"),
        (serial.SerialException("Inappropriate ioctl for device"), "is no serial port"),
        (ValueError("what else"), "cannot be opened: what else"),
    ],
)
def test_each_refusal_is_told_apart_with_what_to_do(opened, error: Exception, words: str) -> None:
    with pytest.raises(OpeningError) as refused:
        opened("lines:COM5", PlayedPort(refuses=error))
    assert words in str(refused.value)
    assert str(refused.value).startswith("COM5 ")


def test_on_windows_a_port_that_is_denied_is_in_use(monkeypatch) -> None:
    monkeypatch.setattr(serial_link, "sys", SimpleNamespace(platform="win32"))
    assert "in use" in opening_message("COM5", serial.SerialException("Access is denied."))


# VISA


class PlayedResource:
    """A VISA resource; replies are bytes, or what is raised in their place."""

    def __init__(self, *replies: bytes | Exception) -> None:
        self.replies = list(replies)
        self.sent: list[bytes] = []
        self.timeout = 0
        self.closed = 0
        self.attributes: dict = {}
        self.session = 1
        self.visalib = SimpleNamespace(sessions={})

    def read_raw(self) -> bytes:
        reply = self.replies.pop(0)
        if isinstance(reply, Exception):
            raise reply
        return reply

    def write_raw(self, data: bytes) -> None:
        if self.replies and isinstance(self.replies[0], Exception):
            raise self.replies.pop(0)
        self.sent.append(data)

    def set_visa_attribute(self, name: object, value: object) -> None:
        self.attributes[name] = value

    def close(self) -> None:
        self.closed += 1
        raise OSError("it was gone already")


TIMEOUT = pyvisa.VisaIOError(pyvisa.constants.StatusCode.error_timeout)
LOST = pyvisa.VisaIOError(pyvisa.constants.StatusCode.error_connection_lost)
SOCKET = "scpi:TCPIP::10.0.0.1::5025::SOCKET"
USB = "scpi:USB0::0x1234::0x5678::SN1::INSTR"


@pytest.fixture
def visa(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, object], VisaLink]:
    """A link to a played resource, or to one that refuses."""

    def link_to(address: str, resource: object) -> VisaLink:
        def open_resource(name: str, **how: object) -> object:
            if isinstance(resource, Exception):
                raise resource
            return resource

        manager = SimpleNamespace(open_resource=open_resource)
        monkeypatch.setattr(pyvisa, "ResourceManager", lambda library: manager)
        return VisaLink(parse_address(address))

    return link_to


def test_a_reply_on_a_socket_is_given_as_it_comes_and_a_message_gets_its_line_end(visa) -> None:
    assert visa(SOCKET, PlayedResource(b"+1.5E")).read(0.5) == b"+1.5E"
    assert visa(USB, PlayedResource(b"+1.5E-3")).read(0.5) == b"+1.5E-3\n"
    assert visa(USB, PlayedResource(b"+1.5E-3\n")).read(0.5) == b"+1.5E-3\n"


def test_a_whole_message_is_never_given_up_in_its_middle(visa) -> None:
    resource = PlayedResource(b"1\n", b"2\n")
    visa(USB, resource).read(0.1)
    assert resource.timeout == 2000
    resource = PlayedResource(b"1\n")
    visa(SOCKET, resource).read(0.001)
    assert resource.timeout == 10


def test_pieces_of_a_reply_are_let_through_on_a_socket_only(visa) -> None:
    visa(SOCKET, socket_resource := PlayedResource())
    assert socket_resource.read_termination == "\n"
    assert list(socket_resource.attributes.values()) == [False]
    visa(USB, usb := PlayedResource())
    assert usb.attributes == {}


def test_a_timeout_is_nothing_and_anything_else_is_the_end(visa) -> None:
    assert visa(USB, PlayedResource(TIMEOUT)).read(0.1) == b""
    for error in (LOST, OSError("pulled")):
        with pytest.raises(OperatingError, match="is gone"):
            visa(USB, PlayedResource(error)).read(0.1)


def test_a_socket_whose_far_end_hung_up_is_gone_although_it_only_times_out(visa) -> None:
    here, there = socket.socketpair()
    resource = PlayedResource(TIMEOUT, TIMEOUT, TIMEOUT)
    resource.visalib = SimpleNamespace(sessions={1: SimpleNamespace(interface=here)})
    link = visa(SOCKET, resource)
    assert link.read(0.01) == b""
    there.send(b"x")
    assert link.read(0.01) == b""  # something waits: it is not gone
    here.recv(1)
    there.close()
    with pytest.raises(OperatingError, match="is gone"):
        link.read(0.01)
    here.close()
    resource.replies.append(TIMEOUT)
    with pytest.raises(OperatingError, match="is gone"):
        link.read(0.01)


def test_what_is_sent_is_sent_whole_and_a_refusal_found_out_late_is_a_refusal(visa) -> None:
    resource = PlayedResource()
    visa(USB, resource).write(b"*IDN?\n")
    assert resource.sent == [b"*IDN?\n"]
    with pytest.raises(OperatingError, match="nothing listens there"):
        visa(SOCKET, PlayedResource(OSError("Connection refused"))).write(b"x")
    with pytest.raises(OperatingError, match="Check power and cable"):
        visa(USB, PlayedResource(LOST)).write(b"x")


def test_a_closed_resource_is_said_to_be_closed(visa) -> None:
    resource = PlayedResource()
    link = visa(USB, resource)
    link.close()
    link.close()
    assert resource.closed == 1
    for use in (lambda: link.read(0.1), lambda: link.write(b"x")):
        with pytest.raises(OperatingError, match="is closed"):
            use()


def test_a_serial_instrument_is_set_to_the_line_of_its_address(visa) -> None:
    resource = PlayedResource()
    visa("scpi:ASRL3::INSTR,2400,7E2", resource)
    assert (resource.baud_rate, resource.data_bits) == (2400, 7)
    assert resource.parity is pyvisa.constants.Parity.even
    assert resource.stop_bits is pyvisa.constants.StopBits.two


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (OSError("Connection refused"), "nothing listens there"),
        (OSError("Access denied (insufficient permissions)"), "udev rule"),
        (RuntimeError("a backend's own"), "cannot be opened: a backend's own"),
    ],
)
def test_an_instrument_that_cannot_be_opened_says_what_to_do(
    visa, error: Exception, words: str
) -> None:
    with pytest.raises(OpeningError) as refused:
        visa(USB, error)
    assert words in str(refused.value)


def test_a_resource_that_does_not_take_its_settings_is_closed_again(visa) -> None:
    class Stubborn(PlayedResource):
        @property
        def baud_rate(self) -> int:
            return 0

        @baud_rate.setter
        def baud_rate(self, value: int) -> None:
            raise ValueError(f"not {value}")

    resource = Stubborn()
    with pytest.raises(OpeningError, match="cannot be opened"):
        visa("scpi:ASRL3::INSTR,2400", resource)
    assert resource.closed == 1


def test_without_the_packages_or_the_library_visa_says_how_to_get_them(monkeypatch) -> None:
    with pytest.raises(UnavailableError, match="Without the word visa the pure-Python one is used"):
        open_library("/no/such/library.so")
    monkeypatch.setitem(sys.modules, "pyvisa", None)
    with pytest.raises(UnavailableError, match="pip install pyvisa-py"):
        open_library("@py")
