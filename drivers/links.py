"""What a link to a meter can do. A link moves bytes and tells faults apart; it parses nothing."""

from typing import NamedTuple, Protocol

from drivers.address import Address


class Link(Protocol):
    """An open way to a meter."""

    def read(self, timeout_s: float) -> bytes:
        """Bytes as soon as there are some, or nothing once the time is up.

        Raises:
            OperatingError: The far end is gone.
        """

    def write(self, data: bytes) -> None:
        """Send bytes.

        Raises:
            OperatingError: The far end is gone or does not take them.
        """

    def close(self) -> None:
        """Let go of the port. Calling it again does nothing."""


class Begun(NamedTuple):
    """A meter that is set up.

    Attributes:
        identity: What it says it is; empty where it says nothing.
        settings: What a capture must say so that its bytes can be read again.
    """

    identity: str
    settings: dict[str, object]


def open_link(address: Address) -> Link:
    """Open the way to a meter; the library that is needed is imported here.

    Raises:
        OpeningError: Absent, busy, forbidden or refused; the message says which.
        UnavailableError: The library for it is not installed.
    """
    if address.is_visa:
        from drivers.visa_link import VisaLink

        return VisaLink(address)
    from drivers.serial_link import SerialLink

    return SerialLink(address)
