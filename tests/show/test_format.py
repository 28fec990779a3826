import math
from dataclasses import replace

import pytest

import meterlink as ml
from meterlink.show.format import (
    certainty,
    counted,
    length,
    listed,
    percent,
    says,
    table_lines,
    with_uncertainty,
)


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (1.0, "confirmed > 99.9 %"),
        (0.99996, "confirmed > 99.9 %"),
        (0.9993, "confirmed 99.9 %"),
        (0.9967, "confirmed 99.7 %"),
        (0.99, "confirmed 99.0 %"),
        (0.9876, "likely 98.8 %"),
        (0.95, "likely 95 %"),
        (0.9499, "likely 95 %"),
        (0.8, "likely 80 %"),
        (0.5, "possible 50 %"),
        (0.4, "unknown 40 %"),
        (0.004, "unknown 0.4 %"),
        (0.0, "unknown < 0.1 %"),
        (math.nan, "unknown ? %"),
    ],
)
def test_a_probability_has_a_word_and_a_figure_that_does_not_boast(
    probability: float, words: str
) -> None:
    assert plain(f"{certainty(probability)} {percent(probability)}") == words


@pytest.mark.parametrize(
    ("value", "uncertainty", "shown"),
    [
        (137.62, 0.91, "137.6 ± 0.9"),
        (137.62, 0.05, "137.62 ± 0.05"),
        (137.62, 14.2, "138 ± 14"),
        (30.0, 0.0, "30.00 ± 0.00"),
        (30.0, math.inf, "30.0 ± ?"),
        (math.nan, 1.0, "?"),
    ],
)
def test_a_value_has_the_decimals_of_its_uncertainty(
    value: float, uncertainty: float, shown: str
) -> None:
    assert plain(with_uncertainty(value, uncertainty)) == shown


@pytest.mark.parametrize(
    ("names", "shown"),
    [([], ""), (["A"], "A"), (["A", "B"], "A and B"), (["A", "B", "C"], "A, B and C")],
)
def test_names_are_listed_as_in_a_sentence(names: list[str], shown: str) -> None:
    assert listed(names) == shown


def test_one_of_a_thing_is_singular() -> None:
    assert (counted(0, "test"), counted(1, "test"), counted(2, "test")) == (
        "0 tests",
        "1 test",
        "2 tests",
    )


@pytest.mark.parametrize(
    ("run_m", "run_mohm", "run_u_mohm", "shown"),
    [(3.44, 30.0, 1.0, "3.4 m"), (None, 30.0, 1.0, ""), (13.4, 101.0, 94.0, "")],
)
def test_a_length_is_given_only_where_it_is_known(
    run_m: float | None, run_mohm: float, run_u_mohm: float, shown: str
) -> None:
    assert plain(length(run_m, run_mohm, run_u_mohm)) == shown


def test_flags_are_words_where_a_person_reads_them() -> None:
    row = ml.Test("neutral-ground", "Desk", load="Desk", drop_mv=815, u_mv=5).row(1)
    flagged = replace(row, flags=("few-readings", "no-after"))
    assert says(flagged).endswith("(few readings, no after)")
    table = "\n".join(table_lines([flagged], 80))
    assert "few readings (test" in table
    assert "few-readings" not in table
