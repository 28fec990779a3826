"""What a person states of a circuit: what is taken, what is refused and in which words."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.assumptions import MAX_RECEPTACLES
from meterlink.circuit.checks import (
    FIGURES,
    MAX_NAME_LENGTH,
    amps_of,
    check_load,
    checked_circuit,
    checked_figure,
    checked_name,
    checked_names,
    lengths_of,
    meant,
    names_of,
    pairs_of,
    told_apart,
    unknown_name,
    usual_breaker_amps,
    usual_conductor,
    usual_hertz,
    usual_load_amps,
)
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Setup, made_setup
from meterlink.errors import JobError, UsageError

UPSTAIRS = Circuit("Upstairs", ("Door", "Desk", "Bed"))


@pytest.mark.parametrize(
    ("volts", "hertz", "breaker", "wire"),
    [
        (120.0, 60.0, 15.0, "14 AWG copper"),
        (100.0, 60.0, 15.0, "14 AWG copper"),
        (230.0, 50.0, 16.0, "2.5 mm2 copper"),
    ],
)
def test_what_goes_with_a_supply(volts: float, hertz: float, breaker: float, wire: str) -> None:
    assert usual_hertz(volts) == hertz
    assert usual_breaker_amps(volts) == breaker
    assert usual_conductor(volts, breaker) == wire


@pytest.mark.parametrize(("amps", "gauge"), [(15, 14), (15.5, 12), (20, 12), (20.1, 10), (30, 10)])
def test_the_wire_is_thick_enough_for_its_breaker(amps: float, gauge: int) -> None:
    """NEC 240.4(D): 14 AWG copper up to 15 A, 12 up to 20, 10 up to 30 (from memory)."""
    assert usual_conductor(120.0, amps) == f"{gauge} AWG copper"


def test_the_usual_load_is_four_fifths_of_the_breaker() -> None:
    assert usual_load_amps(15.0) == 12.0
    assert usual_load_amps(16.0) == 12.8
    assert amps_of(1500.0, 120.0) == 12.5
    assert amps_of(2000.0, 230.0) == 8.7


@given(
    st.floats(0.1, 60),
    st.one_of(st.none(), st.floats(1, 60)),
    st.one_of(st.none(), st.floats(1, 60)),
)
def test_a_load_is_refused_above_a_rating_and_told_above_four_fifths(
    amps: float, breaker: float | None, lead: float | None
) -> None:
    found = check_load(amps, breaker_amps=breaker, lead_amps=lead)
    ratings = [r for r in (breaker, lead) if r is not None]
    assert len(found.refusals) == sum(amps > r for r in ratings)
    assert len(found.warnings) == sum(0.8 * r + 1e-9 < amps <= r for r in ratings)
    assert all(f"{amps:g} A" in text for text in (*found.refusals, *found.warnings))


def test_a_load_that_is_refused_is_told_what_would_do() -> None:
    [text] = check_load(13.0, breaker_amps=20.0, lead_amps=10.0).refusals
    assert "extension lead's 10 A" in text
    assert "at most 8 A" in text
    [text] = check_load(13.0, breaker_amps=15.0).warnings
    assert "87%" in text
    assert "NEC 210.23(A)(1)" in text


# names


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (None, "is missing; list the names"),
        ([], "list the names"),
        ("Door, Desk", "list the names"),
        (b"Door", "list the names"),
        (["Door", "Door"], "'Door' twice"),
        (["e\u0301", "\u00e9"], "twice"),  # the same letter, composed and not
        (["Door", 7], "7, which is no text"),
        (["Door", ""], "an empty name"),
        (["Door", "  "], "an empty name"),
        (["Door", " Desk"], "blanks at its ends"),
        (["Door", "D" * (MAX_NAME_LENGTH + 1)], "201 characters"),
        (["Do\tor"], "control characters"),
        (["Do\u202eor"], "control characters"),
        (["Do\u2028or"], "control characters"),
        (["Panel"], "mean parts of the map"),
        (["splice 1"], "mean parts of the map"),
        ([f"R{k}" for k in range(MAX_RECEPTACLES + 1)], "Split the list by breaker"),
    ],
)
def test_names_that_cannot_be_told_apart_or_printed_are_refused(value: object, words: str) -> None:
    with pytest.raises(JobError) as refused:
        checked_names(value, "receptacles")
    assert words in str(refused.value)
    assert str(refused.value).startswith("receptacles ")


def test_a_receptacle_may_be_called_almost_anything() -> None:
    names = ("Bath 台所", "Splice", "1", "a=b", "Door, left", "🛏")
    assert checked_names(list(names), "receptacles") == names


def test_the_names_of_a_new_job_differ_by_more_than_capitals() -> None:
    assert told_apart(["Door", "Desk"], "receptacles") == ("Door", "Desk")
    with pytest.raises(JobError, match="'Door' and 'DOOR', which are told apart by capitals only"):
        told_apart(["Door", "Desk", "DOOR"], "receptacles")


@pytest.mark.parametrize(
    ("typed", "names"),
    [
        ("caf\u00e9", ["Caf\u00e9"]),
        ("Cafe\u0301", ["Caf\u00e9"]),  # e and an accent, as file names on some systems have it
        ("CAFE\u0301", ["Caf\u00e9"]),
        ("desk", ["desk"]),
        ("DESK", ["Desk", "desk"]),
        ("Cafe", []),
    ],
)
def test_a_typed_name_means_those_that_differ_in_case_or_in_how_an_accent_is_written(
    typed: str, names: list[str]
) -> None:
    assert meant(typed, ("Caf\u00e9", "Desk", "desk")) == names


def test_names_are_read_from_a_line_and_a_number_is_not_a_name() -> None:
    assert names_of("Door, Desk ,Bed") == ("Door", "Desk", "Bed")
    with pytest.raises(UsageError, match="5 is a number: name them"):
        names_of(" 5 ")
    with pytest.raises(JobError, match="empty name"):
        names_of("Door,,Bed")


@given(st.text(max_size=80))
def test_any_text_is_a_name_or_the_one_error(text: str) -> None:
    said = ""
    try:
        assert checked_name(text, "name") == text
    except JobError as error:
        said = str(error)
    assert said.isprintable()


# figures


@pytest.mark.parametrize("key", FIGURES)
def test_figures_at_the_bounds_are_taken_and_beyond_them_refused(key: str) -> None:
    low, high, unit = FIGURES[key]
    assert checked_figure(low, key, "x") == low
    assert checked_figure(high, key, "x") == high
    assert checked_figure(None, key, "x") is None
    for value in (low - 0.001 * (1 + abs(low)), high * 1.001 + 0.001, math.nan, math.inf, 10**400):
        with pytest.raises(JobError, match="expected") as refused:
            checked_figure(value, key, "x")
        assert unit in str(refused.value)


@pytest.mark.parametrize("value", [True, "12", [12], 1j])
def test_what_is_no_number_is_refused_with_the_unit(value: object) -> None:
    with pytest.raises(JobError, match="write a number in"):
        checked_figure(value, next(iter(FIGURES)), "x")


# pairs


def test_pairs_are_split_at_their_last_equals_sign() -> None:
    assert pairs_of(["Desk=3.5", "a=b = 4 "], "--length") == {"Desk": "3.5", "a=b": "4"}


@pytest.mark.parametrize("value", ["Desk", "=3", "Desk=", " = "])
def test_what_is_no_pair_is_refused_with_an_example(value: str) -> None:
    with pytest.raises(UsageError, match="write NAME=VALUE, such as"):
        pairs_of([value], "--length")


def test_lengths_may_have_their_unit() -> None:
    assert lengths_of({"Desk": "3.5", "Bed": "4 m"}, "--length") == {"Desk": 3.5, "Bed": 4.0}


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        ("far", UsageError, "'far' is no length in metres"),
        ("-1", JobError, "--length Desk is -1.0; expected"),
        ("1e9", JobError, "expected"),
        ("nan", JobError, "expected"),
    ],
)
def test_lengths_that_are_none_are_refused(text: str, kind: type[Exception], words: str) -> None:
    with pytest.raises(kind) as refused:
        lengths_of({"Desk": text}, "--length")
    assert words in str(refused.value)


# setups


@pytest.mark.parametrize(
    ("setup", "words"),
    [
        (Setup(Hookup.NEUTRAL_GROUND, "Door", None, "Dsek"), "the load is at 'Dsek'"),
        (Setup(Hookup.NEUTRAL_GROUND, "Beds", None, "Desk"), "the lead is at 'Beds'"),
        (Setup(Hookup.NEUTRAL_NEUTRAL, "Door", "DESK", "Bed"), "the lead is at 'DESK'"),
    ],
)
def test_a_name_that_is_not_there_is_told_with_the_one_that_was_meant(
    setup: Setup, words: str
) -> None:
    text = unknown_name(setup, UPSTAIRS)
    assert text is not None
    assert words in text
    assert "Did you mean" in text
    assert text.endswith("Known: Door, Desk, Bed.")


def test_a_name_like_no_other_gets_no_guess_and_known_ones_no_remark() -> None:
    far = unknown_name(Setup(Hookup.NEUTRAL_GROUND, "Xylophone", None, "Desk"), UPSTAIRS)
    assert far is not None
    assert "Did you mean" not in far
    assert unknown_name(Setup(Hookup.NEUTRAL_GROUND, "Door", None, "Desk"), UPSTAIRS) is None


def test_the_way_back_of_a_source_has_to_be_a_receptacle_too() -> None:
    setup = Setup(Hookup.NEUTRAL_NEUTRAL, "Door", "Desk", "Bed", "neutral", "Shed")
    text = unknown_name(setup, UPSTAIRS)
    assert text is not None
    assert "the way back is at 'Shed'" in text


@pytest.mark.parametrize(
    ("setup", "words"),
    [
        ((Hookup.NEUTRAL_NEUTRAL, "Door", None, "Bed"), "needs two receptacles"),
        ((Hookup.NEUTRAL_GROUND, "Door", "Desk", "Bed"), "'Desk' is one too many"),
        ((Hookup.NEUTRAL_NEUTRAL, "Door", "Door", "Bed"), "Both leads are at 'Door'"),
        ((Hookup.NEUTRAL_GROUND, "Door", None, ""), "needs a load"),
        ((Hookup.PATH_RESISTANCE, "Door", "Desk", "Bed", "neutral"), "there is no load"),
    ],
)
def test_a_setup_that_shows_nothing_is_refused_with_the_option_that_mends_it(
    setup: tuple, words: str
) -> None:
    with pytest.raises(UsageError) as refused:
        Setup(*setup)
    assert words in str(refused.value)


def test_leads_and_places_of_a_setup_are_what_is_given() -> None:
    setup = Setup(Hookup.NEUTRAL_NEUTRAL, "Door", "Desk", "Bed")
    assert setup.leads == ("Door", "Desk")
    assert set(setup.places) == {"Door", "Desk", "Bed"}
    assert not setup.dead
    ohms = Setup(Hookup.PATH_RESISTANCE, "Door", None, "", "neutral")
    assert ohms.dead
    assert ohms.leads == ("Door",)
    assert ohms.places == ("Door",)


@pytest.mark.parametrize(
    ("given", "side"),
    [
        ((Hookup.PATH_RESISTANCE, "Door", None, None), "neutral"),
        ((Hookup.PATH_RESISTANCE, "Door", "Bed", None, "Hot"), "hot"),
        ((Hookup.LOOP_RESISTANCE, "Door", None, None, "ground + hot"), "hot+ground"),
    ],
)
def test_the_conductors_of_a_dead_test_are_read_in_one_order(given: tuple, side: str) -> None:
    assert made_setup(*given[:4], side=given[4] if len(given) > 4 else None).side == side


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ((Hookup.LOOP_RESISTANCE, "Door", None, None), "two conductors, of hot, neutral, ground"),
        ((Hookup.LOOP_RESISTANCE, "Door", None, None, "hot+hot"), "name them, such as hot+ground"),
        ((Hookup.PATH_RESISTANCE, "Door", None, None, "earth"), "name it, such as neutral"),
        ((Hookup.NEUTRAL_GROUND, "Door", None, "Bed", "neutral"), "on the dead circuit only"),
    ],
)
def test_conductors_that_make_no_sense_are_refused(given: tuple, words: str) -> None:
    with pytest.raises(UsageError) as refused:
        made_setup(*given[:4], side=given[4] if len(given) > 4 else None)
    assert words in str(refused.value)


def test_on_the_dead_circuit_nothing_sags_and_a_current_has_two_ends() -> None:
    with pytest.raises(UsageError, match="line-drop needs the supply"):
        made_setup(Hookup.LINE_DROP, "Door", None, "Bed", direct=True)
    with pytest.raises(UsageError, match="goes in and comes out at 'Bed'"):
        made_setup(Hookup.NEUTRAL_NEUTRAL, "Door", "Desk", "Bed", return_at="Bed", direct=True)
    with pytest.raises(UsageError, match="only on the dead circuit"):
        made_setup(Hookup.NEUTRAL_GROUND, "Door", None, "Bed", return_at="Desk")


# a circuit as it was written


def circuit_of(**values: object):
    named = {"receptacles": ["Door", "Desk", "Bed"]} | values
    return checked_circuit(named, lambda attribute: f"[x] {attribute}")


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"grounded": "yes"}, "[x] grounded is 'yes'; write true or false"),
        ({"no_ground": ["Shed"]}, "[x] no_ground names 'Shed', which is no receptacle"),
        ({"no_ground": "Door"}, "list the names of the receptacles"),
        ({"load_kind": "kettle"}, "expected one of heater"),
        ({"amps_low": 12.0, "load_amps": 8.0}, "not below the 8 A of the full setting"),
        ({"rooms": ["Door"]}, "write a table, one receptacle a line"),
        ({"rooms": {"Shed": "Garden"}}, "[x] rooms names 'Shed'"),
        ({"rooms": {"Door": 5}}, "[x] rooms is 5; write text in quotes"),
        ({"place": "x" * 300}, "use at most 200 characters"),
        ({"place": "a\nb"}, "no control characters"),
        ({"run_lengths_m": {"Door": 0.0}}, "expected 0.01 to 1000 m"),
        ({"volts": 10**5000}, "a number of thousands of digits"),
    ],
)
def test_what_a_job_may_not_say_is_refused_with_its_place(values: dict, words: str) -> None:
    with pytest.raises(JobError) as refused:
        circuit_of(**values)
    assert words in str(refused.value)


def test_what_a_job_does_not_say_has_its_usual_value() -> None:
    circuit, remarks = circuit_of(no_ground=[], rooms={"Door": None, "Desk": "Study"})
    assert (circuit.name, circuit.grounded, circuit.no_ground) == ("Circuit", True, ())
    assert circuit.rooms == {"Desk": "Study"}
    assert not circuit.ring_usual
    assert remarks == []


def test_a_conductor_that_is_not_known_is_a_remark_and_no_refusal() -> None:
    circuit, [remark] = circuit_of(conductor="string", no_ground=["Bed"])
    assert "Lengths are left out until it is known" in remark
    assert circuit.ohm_per_m() is None
    assert circuit.no_ground == ("Bed",)
