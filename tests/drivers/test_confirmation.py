"""A line that leaves what the meter has shown waits until the next one bears it out."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.confirmation import Confirmation
from drivers.lines import LineDecoder
from drivers.readings import Function, Reading
from drivers.simulated_bytes import lines_text

IDLE = [b"   6.10  mV AC", b"   6.31  mV AC", b"   5.92  mV AC", b"   6.05  mV AC"]
ON = [b"  100.4  mV AC", b"  100.5  mV AC", b"  100.3  mV AC", b"  100.4  mV AC"]


def passed(*lines: bytes) -> list[tuple[float, bytes]]:
    """Times (the number of the line) and texts of the readings that the lines give."""
    decoder = LineDecoder()
    return [
        (reading.t_s, reading.raw)
        for at, line in enumerate(lines)
        for reading in decoder.feed(line + b"\r\n", float(at))
    ]


@pytest.mark.parametrize(
    "damaged",
    [
        b"  100.4  V AC",  # the m is lost
        b"  10.4  mV AC",  # a digit is lost
        b"  1004  mV AC",  # the point is lost
        b"  100.4  kV AC",
        b"  100.4",
        b"  9100.4  mV AC",  # a digit too many
        b"-100.4  mV AC",
    ],
)
def test_a_damaged_line_among_sound_ones_is_dropped(damaged: bytes) -> None:
    assert [raw for _, raw in passed(*IDLE, *ON, damaged, *ON)] == [*IDLE, *ON, *ON]


def test_a_jump_and_a_change_of_range_lose_nothing_and_keep_their_times() -> None:
    lines = [*IDLE, *ON, b"  0.815  V AC", b"  0.816  V AC", *IDLE]
    assert passed(*lines) == [(float(at), line) for at, line in enumerate(lines)]


def test_a_new_form_waits_for_one_line() -> None:
    decoder = LineDecoder()
    for line in IDLE:
        assert len(decoder.feed(line + b"\r\n", 0.0)) == 1
    assert decoder.feed(ON[0] + b"\r\n", 1.0) == []
    assert [reading.t_s for reading in decoder.feed(ON[1] + b"\r\n", 2.0)] == [1.0, 2.0]


def test_a_display_that_settles_through_its_ranges_is_read_whole() -> None:
    settling = [b"  120.1  V AC", b"  55.40  V AC", b"  5.710  V AC", b"  1.218  V AC"]
    settling += [b"  271.9  mV AC", b"  58.20  mV AC", b"  15.40  mV AC"]
    lines = [b"  120.0  V AC"] * 3 + settling + IDLE
    assert [raw for _, raw in passed(*lines)] == lines


def test_the_first_line_of_all_passes_but_is_no_measure_for_others() -> None:
    assert [raw for _, raw in passed(b"  100.4  V AC", *ON, b"  100.4  V AC", *ON)] == [
        b"  100.4  V AC",
        *ON,
        *ON,
    ]


def test_overload_and_other_functions_are_told_though_a_line_waits() -> None:
    lines = [*IDLE, ON[0], b"     OL  mV AC", b"     OL  mV AC"]
    assert [raw for _, raw in passed(*lines)] == [*IDLE, lines[-1], lines[-1]]
    assert [raw for _, raw in passed(*IDLE, ON[0], b"     OL  mV AC", ON[1])][-3:] == [
        ON[0],
        b"     OL  mV AC",
        ON[1],
    ]


def test_a_line_of_another_function_waits_and_passes_once_borne_out() -> None:
    direct = [b"   0.10  mV DC", b"   0.12  mV DC"]
    assert [raw for _, raw in passed(*IDLE, direct[0], *IDLE)] == [*IDLE, *IDLE]
    assert [raw for _, raw in passed(*IDLE, *direct)] == [*IDLE, *direct]


def test_what_waits_is_dropped_when_the_link_is_opened_again() -> None:
    decoder = LineDecoder()
    decoder.feed(b"\r\n".join([*IDLE, ON[0], b""]), 0.0)
    decoder.resync(1.0)
    assert [reading.raw for reading in decoder.feed(IDLE[0] + b"\r\n", 9.0)] == [IDLE[0]]
    assert decoder.dropped_bytes == len(ON[0])


readings = st.builds(
    lambda volts, digits, function: Reading(
        0.0, volts, function, 10.0**-digits, raw=f"{volts:.{digits}f} V".encode()
    ),
    st.floats(-1e6, 1e6),
    st.integers(0, 6),
    st.sampled_from([Function.AC, Function.DC]),
) | st.just(Reading(0.0, None, Function.AC, overload=True, raw=b"OL"))


@settings(max_examples=100)
@given(st.lists(readings, max_size=60))
def test_readings_pass_in_order_or_are_counted_and_few_wait(many: list[Reading]) -> None:
    confirmation = Confirmation()
    given_ = [reading._replace(t_s=float(at)) for at, reading in enumerate(many)]
    times = []
    for reading in given_:
        times += [passed.t_s for passed in confirmation.take(reading)]
    assert times == sorted(set(times))
    confirmation.forget()
    lost = [reading for reading in given_ if reading.t_s not in times]
    assert confirmation.dropped == sum(len(reading.raw) for reading in lost)
    assert not given_ or times[0] == 0.0


def test_of_damaged_lines_few_pass_as_a_wrong_reading_and_no_sound_one_is_lost() -> None:
    chance = random.Random(3)
    decoder, wrong, hit, missing = LineDecoder(), 0, 0, 0
    for at in range(4000):
        volts = (0.815 if at % 80 > 40 else 0.0062) * (1 + chance.gauss(0, 0.02))
        line, is_hit = lines_text(volts), chance.random() < 0.03
        if is_hit:
            place = chance.randrange(len(line) - 2)
            extra = bytes([chance.randrange(33, 127)])
            line = line[:place] + chance.choice([b"", extra, extra]) + line[place + 1 :]
        found = [r.volts or 0.0 for r in decoder.feed(line, float(at))]
        hit += is_hit
        level = found[-1] if found else 0.0
        missing += not found and not is_hit and at % 40 > 3
        wrong += bool(found) and is_hit and abs(level - volts) > 0.1 * volts
    assert hit > 100
    assert wrong <= 0.04 * hit
    assert missing == 0
