"""What a serial port makes of bytes that come at another speed or framing than it expects.

The line is worked out bit by bit: a start bit (0), data bits with the least significant first, a
parity bit where there is one, a stop bit (1); idle is 1 (asynchronous framing of EIA-232). The
receiver waits for a falling edge and looks at the middle of each bit of its own.
"""

_SAMPLES = 16  # fineness of the line in samples a bit of the faster side


def as_read_at(
    data: bytes, *, sent_baud: int, read_baud: int, sent_parity: str = "N", read_bits: int = 8
) -> bytes:
    """Bytes sent at one speed as a port at another speed reads them.

    Args:
        data: Bytes sent back to back; with a parity, their low 7 bits.
        sent_baud: Speed of the sender.
        read_baud: Speed of the receiver.
        sent_parity: "N" (8 data bits), "E" or "O" (7 data bits and parity).
        read_bits: Data bits that the receiver expects; it checks no parity.

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
        bits = [_level(line, at + (1.5 + bit) * step) for bit in range(read_bits)]
        found.append(sum(bit << place for place, bit in enumerate(bits)))
        # The stop bit ends the frame; a line still low is waited out before the next edge counts.
        at = int(at + (read_bits + 1.5) * step)
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
