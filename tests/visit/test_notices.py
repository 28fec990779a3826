"""What a person is told about a running meter."""

import pytest

from drivers.readings import Function, Reading, as_read_at
from drivers.simulated_bytes import lines_text, segment_frame
from meterlink.visit.notices import SILENT_S, Notice, NoticeKind, Watch, not_understood, printable


def ac(t_s: float, **changes: object) -> Reading:
    return Reading(t_s, 0.004, Function.AC)._replace(**changes)


def kinds(notices: list[Notice]) -> list[NoticeKind]:
    return [notice.kind for notice in notices]


def running(until_s: float, every_s: float = 0.5) -> Watch:
    watch = Watch()
    t_s = 0.0
    while t_s <= until_s:
        assert watch.reading_came(ac(t_s)) == []
        t_s += every_s
    return watch


def test_silence_is_told_once_and_its_end_too() -> None:
    watch = running(5.0)
    assert watch.time_passed(5.0 + SILENT_S - 0.1) == []
    assert kinds(watch.time_passed(5.0 + SILENT_S + 0.1)) == [NoticeKind.SILENT]
    assert watch.time_passed(30.0) == []
    [back] = watch.reading_came(ac(35.0))
    assert back.kind is NoticeKind.BACK
    assert "after 30.0 s" in back.text


def test_a_slow_meter_is_not_taken_for_a_silent_one() -> None:
    watch = running(20.0, every_s=5.0)
    assert watch.time_passed(29.0) == []
    assert kinds(watch.time_passed(33.0)) == [NoticeKind.SILENT]


def test_a_meter_that_never_says_anything_is_told_about() -> None:
    watch = Watch()
    assert watch.time_passed(0.1) == []
    [notice] = watch.time_passed(8.0)
    assert "Nothing has come" in notice.text


def test_bytes_that_make_no_readings_are_shown_once() -> None:
    watch = Watch()
    told = [watch.bytes_came(b"\x1b[2J\xff", t / 10, readings=0) for t in range(40)]
    [notice] = [notice for notices in told for notice in notices]
    assert notice.kind is NoticeKind.NOT_UNDERSTOOD
    assert r"\x1b[2J\xff" in notice.text
    assert notice.text.isprintable()
    assert watch.time_passed(3.95) == []


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (segment_frame(0.004) * 3, "look like segments, 8N1"),
        (
            as_read_at(lines_text(0.004) * 3, sent_baud=9600, read_baud=9600, sent_parity="E"),
            "look like lines, 7E1",
        ),
        (b"temp=21;hum=40\n" * 3, "'temp=21;hum=40"),
    ],
)
def test_bytes_of_another_kind_of_meter_are_recognised(data: bytes, words: str) -> None:
    assert words in not_understood(data)


def test_some_rubbish_between_readings_is_not_worth_a_word() -> None:
    watch = Watch()
    for t in range(100):
        assert watch.bytes_came(b"\xff\n", t / 10, readings=0) == []
        assert watch.bytes_came(b"4 mV\n", t / 10, readings=1) == []


@pytest.mark.parametrize(
    ("changes", "shown"),
    [
        ({"function": Function.OTHER, "quantity": "ohm", "volts": None}, "ohm"),
        ({"function": Function.DC}, "DC volts"),
    ],
)
def test_a_wrong_function_is_told_once_until_it_is_right(
    changes: dict[str, object], shown: str
) -> None:
    watch = running(1.0)
    [notice] = watch.reading_came(ac(1.5, **changes))
    assert (notice.kind, shown in notice.text) == (NoticeKind.WRONG_FUNCTION, True)
    assert "Turn it to AC volts" in notice.text
    assert watch.reading_came(ac(2.0, **changes)) == []
    assert watch.reading_came(ac(2.5)) == []
    assert kinds(watch.reading_came(ac(3.0, **changes))) == [NoticeKind.WRONG_FUNCTION]


def test_a_function_that_is_not_known_is_not_held_against_the_meter() -> None:
    assert Watch().reading_came(ac(0.0, function=Function.UNKNOWN)) == []


def test_hold_is_told_once() -> None:
    watch = running(1.0)
    assert kinds(watch.reading_came(ac(1.5, hold=True))) == [NoticeKind.HOLD]
    assert watch.reading_came(ac(2.0, hold=True)) == []


def test_a_lost_link_is_not_told_again_as_silence() -> None:
    watch = running(5.0)
    assert kinds(watch.lost(5.5, "The port is gone.")) == [NoticeKind.LOST]
    assert watch.time_passed(60.0) == []
    assert kinds(watch.reading_came(ac(61.0))) == [NoticeKind.BACK]


def test_bytes_are_shown_without_doing_anything_to_the_terminal() -> None:
    assert printable(bytes(range(256))).isprintable()
