"""Without a cable: the same loop with typed readings."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.answers.protection import protect
from meterlink.answers.wirings import Wirings
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.commands.guided_surfaces import ScreenSurface
from meterlink.errors import UsageError
from meterlink.live.terminal import Keys
from meterlink.testlog.columns import TestRow
from meterlink.tree.infer import infer
from meterlink.tree.resolve import resolve
from meterlink.tree.wiring import PoorJoint
from meterlink.visit.keyboard import Keyboard, Typed, typed_line
from meterlink.visit.loop import Visit
from meterlink.visit.planning import Outlook, answer_of, look_ahead
from meterlink.visit.state import LogTest, Request, Think, TypedTest, Withdraw
from meterlink.visit.typed_levels import odd_value, typed_levels, typed_row
from meterlink.visit.view import Command, Key, Sign

CIRCUIT = Circuit("Three", ("A", "B", "C"), volts=120, hertz=60, load_amps=12.0)
AT_A = Setup(Hookup.NEUTRAL_GROUND, "A", None, "A")
A_TO_B = Setup(Hookup.NEUTRAL_NEUTRAL, "A", "B", "C")
LINE_A = Setup(Hookup.LINE_DROP, "A", None, "A")
PATH = Setup(Hookup.PATH_RESISTANCE, "A", "B", "", "neutral")
NOW = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)


class Typing:
    """A typed visit, with a log in memory."""

    def __init__(self, *plan: Setup, expected: tuple[float, float] | None = None) -> None:
        self.plan, self.expected = list(plan), expected
        self.rows: list[TestRow] = []
        self.visit = Visit(CIRCUIT, number=1, is_typed=True)
        self.keyboard = Keyboard()
        self.now_s = 0.0
        self.advance()

    def advance(self) -> None:
        self.now_s += 2.0
        for _ in range(10):
            requests = self.visit.advance(self.now_s)
            for request in requests:
                self.carry_out(request)
            if not requests:
                return

    def carry_out(self, request: Request) -> None:
        if isinstance(request, Think):
            setup = self.plan[0] if self.plan else None
            self.visit.planned(Outlook(settled=setup is None, setup=setup, expected=self.expected))
        elif isinstance(request, LogTest):
            assert isinstance(request.done, TypedTest)
            row = typed_row(request.done, CIRCUIT, NOW)
            self.rows.append(row)
            self.plan.pop(0)
            self.visit.logged(row)
        elif isinstance(request, Withdraw):
            self.visit.withdrawn(request.test)

    def type(self, characters: str) -> None:
        """As ``live.visiting`` does it."""
        for typed in self.keyboard.press(characters, self.visit.view):
            if isinstance(typed.what, Key):
                assert self.visit.press(typed.what, typed.text)
            else:
                assert self.visit.setup is not None
                values = typed_levels(typed.text, self.visit.setup.hookup)
                idle, on = values if len(values) == 2 else (None, values[0])
                if (
                    self.visit.view.typed
                    and self.visit.view.typed.word is Command.IDLE
                    and idle is None
                ):
                    idle, on = on, None
                assert self.visit.type_levels(idle, on)
            self.advance()


@pytest.mark.parametrize(
    "keys", ["6 815\r", "6mV 0.815V\r", "6\r815\r", "6 ,815 V\r", "0.006V 815\r"]
)
def test_a_test_is_a_handful_of_keys(keys: str) -> None:
    typing = Typing(AT_A)
    assert typing.visit.view.sign is Sign.SET_UP
    typing.type(keys)
    (row,) = typing.rows
    assert (row.idle_mv, row.on_mv, row.verdict) == (
        pytest.approx(6.0),
        pytest.approx(815.0),
        Verdict.IN_PATH,
    )
    assert typing.visit.view.sign is Sign.SETTLED


def test_on_the_screen_a_result_stands_once_and_no_switch_is_called_out(
    capsys: pytest.CaptureFixture[str],
) -> None:
    typing = Typing(AT_A, A_TO_B)
    typing.type("6 815\r")
    screen = ScreenSurface(Keys(), CIRCUIT.receptacles, lambda _: None)
    screen.show(typing.visit)
    said = " ".join(capsys.readouterr().err.split())
    assert "type reading without load (mV), or both" in said
    assert "Undo test" in said
    assert "815" not in said
    assert "call out" not in said


def test_only_a_jump_or_none_is_one_key_or_two() -> None:
    typing = Typing(AT_A, A_TO_B)
    typing.advance()
    typing.type("j")
    typing.advance()
    typing.type("nj")
    assert [row.verdict for row in typing.rows] == [Verdict.IN_PATH, Verdict.NOT_IN_PATH]


def test_the_load_is_asked_for_between_the_two_readings() -> None:
    typing = Typing(A_TO_B)
    assert typing.visit.view.typed is not None
    assert (typing.visit.view.typed.word, typing.visit.view.typed.unit) == (Command.IDLE, "mV")
    typing.type("6\r")
    assert typing.visit.view.sign is Sign.SWITCH_ON
    assert typing.visit.view.typed.word is Command.ON
    assert "at C" in typing.visit.view.instruction


def test_hot_to_neutral_is_typed_in_volts_and_a_path_in_ohms() -> None:
    typing = Typing(LINE_A, PATH)
    typing.type("120.4 117.9\r")
    assert typing.rows[0].drop_mv == pytest.approx(2500, abs=400)
    typing.type("0.143\r")
    assert typing.rows[1].path_mohm == pytest.approx(143)


@pytest.mark.parametrize(
    ("text", "hookup", "words"),
    [
        ("6 ohm", Hookup.NEUTRAL_GROUND, "volts or millivolts"),
        ("6 V", Hookup.PATH_RESISTANCE, "ohms"),
        ("6 815 900", Hookup.NEUTRAL_GROUND, "two"),
        ("", Hookup.NEUTRAL_GROUND, "6 815"),
        ("six", Hookup.NEUTRAL_GROUND, "no number"),
        ("6 4000 V", Hookup.NEUTRAL_GROUND, "more than"),
        ("6 1,048", Hookup.NEUTRAL_GROUND, "write 1048, or 1.048"),
    ],
)
def test_what_is_no_reading_is_refused_with_how_to_type_one(
    text: str, hookup: Hookup, words: str
) -> None:
    with pytest.raises(UsageError, match=words):
        typed_levels(text, hookup)


def test_a_decimal_comma_is_taken_where_it_can_be_nothing_else() -> None:
    assert typed_levels("6,2 0,815 V", Hookup.NEUTRAL_GROUND) == [6.2, 815.0]
    assert typed_levels("1,048V", Hookup.NEUTRAL_GROUND) == [1048.0]
    assert typed_levels("0,143", Hookup.PATH_RESISTANCE) == [0.143]


@given(st.text(max_size=40), st.sampled_from(Hookup))
def test_any_text_is_levels_or_refused(text: str, hookup: Hookup) -> None:
    try:
        values = typed_levels(text, hookup)
    except UsageError:
        return
    assert 1 <= len(values) <= 2
    assert all(abs(value) <= 1e6 for value in values)


def test_a_value_that_other_tests_make_absurd_is_asked_about_and_corrected() -> None:
    typing = Typing(AT_A, A_TO_B, expected=(750.0, 880.0))
    typing.type("6 0.815\r")
    view = typing.visit.view
    assert view.sign is Sign.TROUBLE
    assert view.instruction == "0.815 mV, or 815 mV?"
    assert "750 to 880 mV" in view.detail
    assert typing.rows == []
    typing.advance()
    typing.type("\r")  # the likely answer
    assert typing.rows[0].on_mv == pytest.approx(815)


def test_an_odd_value_can_be_kept_or_typed_again() -> None:
    typing = Typing(AT_A, A_TO_B, expected=(750.0, 880.0))
    typing.type("6 0.815\r")
    typing.advance()
    typing.type("v")
    assert typing.visit.view.typed is not None
    typing.type("6 0.815\r")
    typing.advance()
    typing.type("k")
    assert typing.rows[0].on_mv == pytest.approx(0.815)


@pytest.mark.parametrize(
    ("setup", "idle", "on", "expected", "meant"),
    [
        (AT_A, 6.0, 0.815, None, 815.0),  # all of the current comes this way
        (AT_A, 6.0, 815000.0, None, 815.0),
        (A_TO_B, 6.0, 0.815, None, None),  # no jump can be
        (A_TO_B, 6.0, 6.2, (0.0, 900.0), None),
        (LINE_A, 120.4, 117.9, None, 117900.0),
        (LINE_A, 120400.0, 117900.0, None, None),
        (AT_A, 6.0, 400.0, (750.0, 880.0), None),  # odd, but no slip explains it
    ],
)
def test_slips_of_the_unit_are_found_where_a_value_can_be_nothing_else(
    setup: Setup, idle: float, on: float, expected: tuple[float, float] | None, meant: float | None
) -> None:
    found = odd_value(TypedTest(setup, idle, on), expected, CIRCUIT)
    assert (found[0].on if found else None) == (meant if meant is None else pytest.approx(meant))


def test_what_the_log_expects_of_a_test_holds_what_the_test_then_shows() -> None:
    rows = [
        typed_row(TypedTest(Setup(Hookup.NEUTRAL_GROUND, n, None, n), 6.0, on), CIRCUIT, NOW)
        for n, on in (("A", 500.0), ("B", 900.0), ("C", 1300.0))
    ]
    outlook = look_ahead(CIRCUIT, rows, last=rows[-1].setup, is_typed=True)
    assert outlook.expected is not None
    low, high = outlook.expected
    assert low < 400.0 < high
    assert high < 3000.0


@pytest.mark.parametrize(
    ("line", "typed"),
    [
        ("idle 6", Typed(Command.IDLE, "6", blind=True)),
        ("on 0.815 V", Typed(Command.ON, "0.815 V", blind=True)),
        ("jump", Typed(Key.JUMP, blind=True)),
        ("no-jump", Typed(Key.NO_JUMP, blind=True)),
        ("undo 8", Typed(Command.UNDO, "8", blind=True)),
    ],
)
def test_scripts_have_words_for_typed_readings(line: str, typed: Typed) -> None:
    assert typed_line(line) == typed


def test_a_test_is_undone_by_its_number() -> None:
    typing = Typing(AT_A, A_TO_B)
    typing.type("6 815\r")
    number = typing.rows[0].test
    assert [past.removable for past in typing.visit.view.history] == [True]
    assert typing.visit.undo(number)
    typing.advance()
    assert typing.visit.view.history[0].removed
    assert not typing.visit.undo(number)


def test_what_is_less_probable_than_not_is_told_apart_in_the_answer() -> None:
    wiring_map = resolve(CIRCUIT, [])
    joints = tuple(PoorJoint(n, "neutral", p, 9, 1, 2) for n, p in (("A", 0.9), ("B", 0.2)))
    wirings = Wirings.of(infer(CIRCUIT, []), wiring_map)
    answer = answer_of(replace(wiring_map, poor_joints=joints), wirings, protect(wirings))
    assert len(answer.joints) == 2
    assert answer.unlikely == (answer.joints[1],)
