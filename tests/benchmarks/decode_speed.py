"""Readings a second of each driver, as a ratio to a bare scan over the same bytes in the same run.

The bare scan is one compiled regular expression that finds the fields of each reading (what stands
before the number, the number, what stands after; or the signs and the four digits of a frame) and
makes no readings. For segments a second scan, with ``struct``, only cuts frames into bytes.

A line that leaves what was shown before waits for the next to confirm it, and is dropped where that
one does not: the table has the share of readings that came out.

Run: ``python tests/benchmarks/decode_speed.py``
"""

import random
import re
import struct
import time
from collections.abc import Callable
from functools import partial

from drivers.readings import make_decoder
from drivers.simulated_bytes import lines_text, nr3_text, segment_frame

READINGS = 20_000
CHUNK = 4096
ROUNDS = 9
NUMBER = re.compile(rb"([^0-9+.-]*)([+-]?\d+\.?\d*(?:[eE][+-]?\d+)?)([^\r\n]*)")
WRITERS = {"lines": lines_text, "segments": segment_frame, "scpi": partial(nr3_text, decimals=8)}
FIELDS = re.compile(
    b"([\x10-\x1f])([\x20-\x2f].)([\x40-\x4f].)([\x60-\x6f].)([\x80-\x8f].)([\xa0-\xaf].{3}[\xe0-\xef])",
    re.DOTALL,
)
FRAME = struct.Struct("14B")
SCANS: dict[str, list[tuple[str, Callable[[bytes], int]]]] = {
    "lines": [("regex", lambda data: len(NUMBER.findall(data)))],
    "scpi": [("regex", lambda data: len(NUMBER.findall(data)))],
    "segments": [
        ("regex", lambda data: len(FIELDS.findall(data))),
        ("struct", lambda data: sum(1 for _ in FRAME.iter_unpack(data))),
    ],
}


def best_s(work: Callable[[], int]) -> tuple[float, int]:
    """Shortest of several runs, and how many readings each found."""
    times, found = [], 0
    for _ in range(ROUNDS):
        begin = time.perf_counter()
        found = work()
        times.append(time.perf_counter() - begin)
    return min(times), found


def decode(name: str, data: bytes) -> int:
    """Feed all bytes in chunks of a serial buffer's size."""
    decoder = make_decoder(name, {})
    return sum(
        len(decoder.feed(data[start : start + CHUNK], 0.0)) for start in range(0, len(data), CHUNK)
    )


def main() -> None:
    """Print the table."""
    rng = random.Random(1)
    # Idle, on and after levels of some 80 tests with 1 mV of jitter; then every count equally.
    visit = [abs(rng.gauss((0.008, 0.15, 0.008)[i // 80 % 3], 1e-3)) for i in range(READINGS)]
    counts = [rng.uniform(0.0, 0.6) for _ in range(READINGS)]
    streams = {
        f"{driver}, {label}": b"".join(write(volts) for volts in levels)
        for driver, write in WRITERS.items()
        for label, levels in (("a visit", visit), ("any count", counts))
    }
    heads = f"{'readings/s':>12} {'bare scan/s':>12} {'ratio':>6} {'came out':>9}"
    print(f"{'driver, signal':20} {'scan':>7} {heads}")
    for title, data in streams.items():
        name = title.partition(",")[0]
        ours, came = best_s(partial(decode, name, data))
        for scan, work in SCANS[name]:
            bare, seen = best_s(partial(work, data))
            if seen != READINGS:
                raise SystemExit(f"{title}: {seen} readings instead of {READINGS} in a bare scan")
            rates = f"{READINGS / ours:12,.0f} {READINGS / bare:12,.0f} {ours / bare:6.2f}"
            print(f"{title:20} {scan:>7} {rates} {came / READINGS:9.1%}")


if __name__ == "__main__":
    main()
