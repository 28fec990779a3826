"""Addresses of meters."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.address import Address, parse_address
from drivers.errors import AddressError


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("lines:/dev/ttyUSB0", Address("lines", "/dev/ttyUSB0", 9600)),
        (
            "segments:/dev/ttyUSB1,2400,8N1,dtr=on,rts=off",
            Address("segments", "/dev/ttyUSB1", 2400, "8N1", dtr=True, rts=False),
        ),
        (
            "lines:COM5,1200,7o1,ask=44,every=0.5",
            Address("lines", "COM5", 1200, "7O1", ask=b"D", every_s=0.5),
        ),
        ("lines:socket://127.0.0.1:4000", Address("lines", "socket://127.0.0.1:4000")),
        (
            "scpi:TCPIP::192.168.1.7::5025::SOCKET,range=1,function=DC,nplc=2",
            Address(
                "scpi",
                "TCPIP::192.168.1.7::5025::SOCKET",
                range_v=1.0,
                cycles=2.0,
                settings={"function": "DC"},
            ),
        ),
        (
            "scpi:USB0::1::2::SN::INSTR,visa=@ivi",
            Address("scpi", "USB0::1::2::SN::INSTR", visa="@ivi"),
        ),
        (
            "lines:/dev/ttyS0, 19200, unit=mV",
            Address("lines", "/dev/ttyS0", 19200, settings={"unit": "mV"}),
        ),
    ],
)
def test_an_address_holds_all_that_is_needed_and_can_be_written_again(
    text: str, address: Address
) -> None:
    assert parse_address(text) == address
    assert parse_address(str(address)) == address


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "begins with none of the drivers"),
        ("/dev/ttyUSB0", "begins with none of the drivers"),
        ("morse:/dev/ttyUSB0", "begins with none of the drivers"),
        ("lines:", "names no port"),
        ("lines:,9600", "names no port"),
        ("lines:COM1,fast", "'fast' is not understood"),
        ("lines:COM1,9N1", "is no speed|not understood"),
        ("lines:COM1,9600,2400", "baud twice"),
        ("lines:COM1,3", "no speed"),
        ("lines:COM1,99999999999", "no speed"),
        ("lines:COM1,dtr=maybe", "dtr must be on or off"),
        ("lines:COM1,ask=5", "hex"),
        ("lines:COM1,every=-1", "every must be"),
        ("lines:COM1,every=nan", "every must be"),
        ("lines:COM1,unit=A", "Unit 'A'"),
        ("lines:COM1,function=ohm", "function must be"),
        ("lines:COM1\x1b[2J", "no address"),
        ("lines:" + "x" * 1000, "no address"),
    ],
)
def test_what_is_no_address_is_refused_in_words(text: str, words: str) -> None:
    with pytest.raises(AddressError, match=words):
        parse_address(text)


address_text = st.text("lines:scpi,=019NEO/dtr.", max_size=40).map("lines:".__add__)


@given(text=st.text(max_size=40) | address_text)
@settings(max_examples=150, deadline=None)
def test_any_text_is_an_address_or_refused(text: str) -> None:
    try:
        address = parse_address(text)
    except AddressError:
        return
    assert parse_address(str(address)) == address


def test_a_capture_is_told_how_the_meter_was_asked() -> None:
    address = parse_address("lines:COM5,ask=520a,every=0.5,unit=mV")
    assert address.capture_settings == {"unit": "mV", "ask_hex": "520a", "every_s": 0.5}
    assert parse_address("scpi:COM5").capture_settings == {"function": "AC"}
