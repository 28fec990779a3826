"""When a fault makes a running test void, and when it does not."""

import pytest

from drivers.readings import Function, Mark, Reading
from meterlink.visit.notices import LONGEST_BREAK_S, Notice, NoticeKind, TestValidity


class Run:
    """A test with readings twice a second, and spans in which something else comes."""

    def __init__(self, *, every_s: float = 0.5) -> None:
        self.guard = TestValidity(0.0)
        self.every_s = every_s
        self.now_s = 0.0

    def readings(self, until_s: float, **changes: object) -> None:
        while self.now_s < until_s:
            self.now_s += self.every_s
            reading = Reading(self.now_s, 0.004, Function.AC)._replace(**changes)
            self.guard.take(reading)

    def nothing(self, until_s: float) -> None:
        while self.now_s < until_s:
            self.now_s += 0.2
            self.guard.time_passed(self.now_s)

    def mark(self, kind: str) -> None:
        self.guard.take(Mark(self.now_s, kind))


def test_an_undisturbed_test_is_not_void() -> None:
    run = Run()
    run.readings(10.0)
    run.mark("load-on")
    run.readings(20.0)
    run.mark("load-off")
    run.readings(30.0)
    assert run.guard.reason is None


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"hold": True}, "held"),
        ({"function": Function.OTHER, "quantity": "ohm", "volts": None}, "ohm"),
        ({"function": Function.DC}, "DC volts"),
    ],
)
def test_unusable_readings_while_the_load_is_on_make_it_void(
    changes: dict[str, object], words: str
) -> None:
    run = Run()
    run.readings(10.0)
    run.mark("load-on")
    run.readings(12.0)
    run.readings(12.0 + LONGEST_BREAK_S, **changes)
    assert run.guard.reason is None
    run.readings(13.0 + LONGEST_BREAK_S, **changes)
    assert run.guard.reason is not None
    assert words in run.guard.reason
    assert "start this test again" in run.guard.reason


def test_silence_while_the_load_is_on_makes_it_void() -> None:
    run = Run()
    run.mark("load-on")
    run.nothing(LONGEST_BREAK_S - 0.2)
    assert run.guard.reason is None
    run.nothing(LONGEST_BREAK_S + 0.5)
    assert run.guard.reason is not None


def test_a_lost_link_is_named_as_the_reason() -> None:
    run = Run()
    run.readings(10.0)
    run.mark("load-on")
    run.mark("link-lost")
    run.nothing(16.0)
    assert "link" in (run.guard.reason or "")


def test_a_break_before_the_load_or_after_it_is_waited_for() -> None:
    run = Run()
    run.nothing(60.0)
    run.readings(70.0)
    run.mark("load-on")
    run.readings(80.0)
    run.mark("load-off")
    run.nothing(140.0)
    assert run.guard.reason is None


def test_a_jump_of_time_over_the_load_is_seen_at_the_next_event() -> None:
    run = Run()
    run.readings(10.0)
    run.mark("load-on")
    run.readings(12.0)
    run.now_s = 100.0
    run.mark("load-off")
    assert run.guard.reason is not None


def test_a_meter_of_one_reading_in_five_seconds_is_slow_but_not_void() -> None:
    run = Run(every_s=5.0)
    run.readings(20.0)
    run.mark("load-on")
    run.readings(50.0)
    run.mark("load-off")
    assert run.guard.reason is None


def test_overload_is_no_break() -> None:
    run = Run()
    run.mark("load-on")
    run.readings(30.0, overload=True, volts=None)
    assert run.guard.reason is None


@pytest.mark.parametrize("kind", [NoticeKind.BEHIND, NoticeKind.RECORDING])
def test_what_is_not_recorded_is_not_a_test(kind: NoticeKind) -> None:
    run = Run()
    run.guard.take(Notice(1.0, kind, "It stopped."))
    assert run.guard.reason == "It stopped."


def test_the_first_reason_stays() -> None:
    run = Run()
    run.mark("load-on")
    run.nothing(10.0)
    first = run.guard.reason
    run.readings(20.0)
    run.guard.take(Notice(21.0, NoticeKind.BEHIND, "later"))
    assert run.guard.reason == first
