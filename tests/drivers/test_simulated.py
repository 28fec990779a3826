"""The simulated meter's display, and what ports say when they cannot be opened. No device."""

import errno
import random
import termios

import pytest
import serial

from drivers.readings import Function
from drivers.segments import SegmentDecoder
from drivers.serial_link import opening_message
from drivers.simulated import Display
from drivers.simulated_bytes import lines_text, segment_frame
from drivers.simulated_script import ACTIONS, parse_script


def show(display: Display, levels: list[float], every_s: float = 0.25) -> list[float | None]:
    rng = random.Random(1)
    return [display.show(volts, place * every_s, rng) for place, volts in enumerate(levels)]


def test_a_display_without_lag_or_noise_shows_its_input() -> None:
    assert show(Display(), [0.008, 0.009, 0.01]) == [0.008, 0.009, 0.01]


def test_a_display_follows_its_input_with_its_time_constant() -> None:
    display = Display(lag_s=1.0)
    shown = show(display, [0.01] + [0.05] * 8, every_s=0.5)
    assert shown[2] == pytest.approx(0.05 - 0.04 * 0.36788, rel=1e-4)  # exp(-1) after 1 s
    assert shown[8] == pytest.approx(0.05, rel=0.02)


def test_a_change_of_range_shows_overload_for_a_moment() -> None:
    assert show(Display(overloads=2), [0.008, 0.158, 0.158, 0.158]) == [0.008, None, None, 0.158]


def test_alternating_volts_are_shown_without_sign() -> None:
    assert show(Display(), [-0.008]) == [0.008]
    assert show(Display(function=Function.DC), [-0.008]) == [-0.008]


def test_hold_keeps_the_display_as_it_was() -> None:
    display = Display()
    show(display, [0.008])
    display.held = True
    assert show(display, [0.02, 0.03]) == [0.008, 0.008]


@pytest.mark.parametrize("write", [lines_text, segment_frame])
def test_beyond_the_last_range_is_overload(write: object) -> None:
    assert write(700.0) == write(None)


def test_a_frame_written_with_hold_and_another_function_is_read_so() -> None:
    frames = segment_frame(0.5, hold=True) + segment_frame(0.5, quantity="ohm")
    held, ohm = SegmentDecoder().feed(frames, 0.0)
    assert held.hold
    assert (ohm.function, ohm.ohms) == (Function.OHM, 0.5)


def test_a_script_is_sorted_by_time() -> None:
    assert parse_script(["12.5:off", "5:on"]) == [(5.0, "on"), (12.5, "off")]


@pytest.mark.parametrize("word", ["", "5", "on", ":on", "nan:on", "-1:on", "inf:on", "5:dance"])
def test_a_script_that_makes_no_sense_is_refused_with_what_is_known(word: str) -> None:
    with pytest.raises(ValueError, match="unplug") as refused:
        parse_script([word])
    assert all(action in str(refused.value) for action in ACTIONS)


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (serial.SerialException(errno.ENOENT, "No such file"), "is not there"),
        (serial.SerialException(errno.EACCES, "Permission denied"), "may not be opened"),
        (serial.SerialException(errno.EBUSY, "Device or resource busy"), "in use by another"),
        (
            serial.SerialException(errno.EAGAIN, "Could not exclusively lock port"),
            "in use by another",
        ),
        (serial.SerialException("could not open port 'COM3': FileNotFoundError(2)"), "not there"),
        (ConnectionRefusedError(errno.ECONNREFUSED, "Connection refused"), "refused"),
        (serial.SerialException(errno.ENOTTY, "Inappropriate ioctl for device"), "no serial port"),
        (termios.error(errno.EINVAL, "Invalid argument"), "does not do this speed or framing"),
        (ValueError("invalid URL"), "cannot be opened: invalid URL"),
    ],
)
def test_each_reason_for_not_opening_is_told_apart(error: Exception, words: str) -> None:
    assert words in opening_message("COM3", error)
