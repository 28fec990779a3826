"""Which driver and framing make sense of bytes. Pure."""

from typing import NamedTuple

from drivers.readings import Reading
from drivers.registry import make_decoder

#: Readings that must be found, and the share of the bytes that must belong to them.
_LEAST_READINGS = 2
_LEAST_SHARE = 0.6


class Guess(NamedTuple):
    """A driver that makes sense of bytes.

    Attributes:
        driver: Its name.
        framing: "8N1", or a framing of 7 bits where the eighth turned out to be a parity bit.
        readings: Readings found.
        example: One of them.
        share: Share of the bytes that belong to readings.
    """

    driver: str
    framing: str
    readings: int
    example: Reading
    share: float


def guess(data: bytes) -> Guess | None:
    """Find the driver that makes most of the bytes, taken with 8 data bits and no parity.

    Returns:
        The best guess, ``None`` where no driver makes sense of them.
    """
    found = [_tried(data, driver, "8N1") for driver in ("segments", "lines")]
    parity = _parity(data)
    if parity is not None:
        bare = bytes(byte & 0x7F for byte in data)
        found.append(_tried(bare, "lines", f"7{parity}1"))
    sound = [one for one in found if one is not None]
    return max(sound, key=lambda one: one.share, default=None)


def _tried(data: bytes, driver: str, framing: str) -> Guess | None:
    decoder = make_decoder(driver, {})
    readings = decoder.feed(data, 0.0)
    if len(readings) < _LEAST_READINGS:
        return None
    used = sum(len(reading.raw) for reading in readings)
    # The first and the last reading may be cut; they are not held against the driver.
    lost = max(0, decoder.dropped_bytes - 2 * len(readings[0].raw))
    share = used / (used + lost)
    if share < _LEAST_SHARE:
        return None
    with_volts = [reading for reading in readings if reading.volts is not None]
    return Guess(driver, framing, len(readings), (with_volts or readings)[-1], share)


def _parity(data: bytes) -> str | None:
    """Parity that all bytes have when their eighth bit is counted, if some have that bit set."""
    if not any(byte & 0x80 for byte in data):
        return None
    ones = {byte.bit_count() % 2 for byte in data}
    if len(ones) > 1:
        return None
    return "E" if ones == {0} else "O"
