"""Which driver and framing make sense of bytes, and what the wrong ones make of them. Pure.

A line is worked out bit by bit: a start bit (0), data bits with the least significant first, a
parity bit where there is one, a stop bit (1); idle is 1 (asynchronous framing of EIA-232). The
receiver waits for a falling edge and looks at the middle of each bit of its own.
"""

from typing import NamedTuple

from drivers.readings import Reading, make_decoder

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


_READ_BITS = 8  # that the receiver expects; it checks no parity
_SAMPLES = 16  # fineness of the line in samples a bit of the faster side


def as_read_at(data: bytes, *, sent_baud: int, read_baud: int, sent_parity: str = "N") -> bytes:
    """Bytes sent at one speed as a port at another speed reads them.

    Args:
        data: Bytes sent back to back; with a parity, their low 7 bits.
        sent_baud: Speed of the sender.
        read_baud: Speed of the receiver.
        sent_parity: "N" (8 data bits), "E" or "O" (7 data bits and parity).

    Returns:
        What the receiver hands over; bytes with a wrong stop bit are handed over too, as common
        drivers do.

    >>> as_read_at(b"4.34 mV", sent_baud=9600, read_baud=9600)
    b'4.34 mV'
    """
    rate = _SAMPLES * max(sent_baud, read_baud)
    line = _line(data, rate / sent_baud, sent_parity)
    step = rate / read_baud
    found = bytearray()
    at = 0
    while True:
        at = line.find(0, at)
        if at < 0:
            return bytes(found)
        bits = [_level(line, at + (1.5 + bit) * step) for bit in range(_READ_BITS)]
        found.append(sum(bit << place for place, bit in enumerate(bits)))
        # The stop bit ends the frame; a line still low is waited out before the next edge counts.
        at = int(at + (_READ_BITS + 1.5) * step)
        high = line.find(1, at)
        if high < 0:
            return bytes(found)
        at = high


def _line(data: bytes, samples_a_bit: float, parity: str) -> bytearray:
    levels: list[int] = [1] * 10
    for byte in data:
        bits = [byte >> place & 1 for place in range(8 if parity == "N" else 7)]
        if parity != "N":
            bits.append((sum(bits) + (parity == "O")) % 2)
        levels += [0, *bits, 1]
    levels += [1] * 10
    line = bytearray()
    for place, level in enumerate(levels):
        line += bytes([level]) * (round((place + 1) * samples_a_bit) - len(line))
    return line


def _level(line: bytearray, at: float) -> int:
    place = int(at)
    return line[place] if place < len(line) else 1
