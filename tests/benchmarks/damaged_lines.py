"""How many damaged lines of a meter that prints its readings pass as a reading that is wrong.

``python tests/benchmarks/damaged_lines.py [LINES] [SEED]``; default 40,000 lines a meter and rate.
Made-up visits (idle 4 to 9 mV, load 100 to 815 mV, sometimes the supply) in four forms of line; of
the lines, a share has one byte dropped, one bit flipped, or one byte put in. Counted: damaged lines
whose reading is more than 10 % (and more than 20 counts) off, and sound lines that give none.
"""

import random
import sys
from collections.abc import Callable, Iterator
from itertools import pairwise

from drivers.lines import LineDecoder
from drivers.simulated_bytes import lines_text, nr3_text

Form = Callable[[float], bytes]
RATES = (0.01, 0.05, 0.2)
OFF = 0.10


def unpadded(volts: float) -> bytes:
    """A meter that pads nothing."""
    return lines_text(volts).lstrip()


def fixed(volts: float) -> bytes:
    """Millivolts with two decimals, whatever the size."""
    return f"{1e3 * volts:9.2f} mV AC\r\n".encode()


FORMS: dict[str, Form] = {
    "padded, ranges": lines_text,
    "unpadded, ranges": unpadded,
    "fixed mV": fixed,
    "NR3, no unit": nr3_text,
}


def true_volts(count: int, rng: random.Random) -> Iterator[float]:
    """Levels of some seconds each, with wander."""
    levels = [0.0062]
    for at in range(count):
        if at % 60 == 0:
            level = rng.choice([0.0062, 0.1005, 0.35, 0.815, 120.3 if rng.random() < 0.1 else 0.6])
            levels.append(level if at // 60 % 2 else 0.0062)
        yield levels[-1] * (1 + rng.gauss(0, 0.01)) + rng.gauss(0, 0.0007)


def damaged(line: bytes, rng: random.Random) -> bytes:
    """One byte dropped, one bit flipped, or one byte put in, anywhere in it."""
    place = rng.randrange(len(line))
    match rng.randrange(3):
        case 0:
            return line[:place] + line[place + 1 :]
        case 1:
            flipped = line[place] ^ 1 << rng.randrange(8)
            return line[:place] + bytes([flipped]) + line[place + 1 :]
    extra = rng.choice(b" 0123456789.-mVAC\r\n") if rng.random() < 0.5 else rng.randrange(256)
    return line[:place] + bytes([extra]) + line[place:]


def trial(form: Form, count: int, rate: float, seed: int) -> tuple[int, int, int, int]:
    """Damaged lines, those that pass wrong, sound lines, those that give nothing."""
    rng = random.Random(seed)
    truth = list(true_volts(count, rng))
    is_damaged = [rng.random() < rate for _ in truth]
    decoder = LineDecoder()
    readings: dict[float, list[float]] = {}
    for at, volts in enumerate(truth):
        line = form(volts)
        for reading in decoder.feed(damaged(line, rng) if is_damaged[at] else line, float(at)):
            if reading.volts is not None:
                readings.setdefault(reading.t_s, []).append(reading.volts)
    wrong = 0
    for before, at in pairwise(range(count)):
        if not (is_damaged[at] or is_damaged[before]):
            continue
        near = [truth[at], truth[before]]  # a lost line end joins two lines
        wrong += sum(all(is_off(volts, true) for true in near) for volts in readings.get(at, []))
    sound = [at for at in range(count) if not is_damaged[at] and not is_damaged[max(at - 1, 0)]]
    lost = sum(at not in readings for at in sound)
    return sum(is_damaged), wrong, len(sound), lost


def is_off(volts: float, true: float) -> bool:
    """Whether a reading is more than a tenth, and 0.2 mV, off."""
    return abs(volts - true) > max(OFF * abs(true), 2e-4)


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    print(f"{'form of line':<20}{'damaged':>9}{'lines':>8}{'wrong':>8}{'share':>9}{'lost':>9}")
    for name, form in FORMS.items():
        for rate in (0.0, *RATES):
            bad, wrong, sound, lost = trial(form, count, rate, seed)
            share = wrong / bad if bad else 0.0
            print(f"{name:<20}{rate:>9.0%}{bad:>8}{wrong:>8}{share:>9.2%}{lost / sound:>9.3%}")


if __name__ == "__main__":
    main()
