"""The load against breaker and extension lead: the 80 % rule of the reference table."""

import csv
from pathlib import Path

import pytest

from meterlink.circuit.checks import CONTINUOUS_SHARE, amps_of, check_load, usual_load_amps
from meterlink.visit.cautions import CAUTIONS

PRACTICE = Path(__file__).parents[2] / "fixtures" / "reference" / "safety_practice.csv"


def facts() -> dict[str, str]:
    with PRACTICE.open(encoding="utf-8") as stream:
        rows = csv.DictReader(line for line in stream if not line.startswith("#"))
        return {f"{row['topic']}: {row['fact']}": row["standard_and_article"] for row in rows}


def test_the_rule_is_that_of_the_reference_table() -> None:
    (rule,) = [fact for fact in facts() if "not over 80 % of rating" in fact]
    assert facts()[rule] == "NEC 210.23(A)(1)"
    assert CONTINUOUS_SHARE == 0.8


@pytest.mark.parametrize(("breaker", "receptacle"), [(15.0, 12.0), (20.0, 16.0)])
def test_the_offered_load_is_what_a_receptacle_may_carry(breaker: float, receptacle: float) -> None:
    """NEC Table 210.21(B)(2): 12 A on a 15 A receptacle, 16 A on a 20 A one (reference table)."""
    (rule,) = [fact for fact in facts() if "12 A on a 15 A receptacle" in fact]
    assert f"{receptacle:g} A" in rule
    assert usual_load_amps(breaker) == receptacle
    assert check_load(receptacle, breaker_amps=breaker).warnings == ()


@pytest.mark.parametrize(
    ("load", "breaker", "lead", "refused", "warned"),
    [
        (12.0, 15.0, None, 0, 0),
        (12.5, 15.0, None, 0, 1),
        (15.0, 15.0, None, 0, 1),
        (15.1, 15.0, None, 1, 0),
        (12.0, 15.0, 13.0, 0, 1),
        (12.0, 15.0, 10.0, 1, 0),
        (40.0, None, None, 0, 0),
    ],
)
def test_a_load_is_compared_with_what_carries_it(
    load: float, breaker: float | None, lead: float | None, refused: int, warned: int
) -> None:
    found = check_load(load, breaker_amps=breaker, lead_amps=lead)
    assert (len(found.refusals), len(found.warnings)) == (refused, warned)


def test_watts_become_amperes_at_nominal_volts() -> None:
    assert amps_of(1500.0, 120.0) == 12.5


def test_articles_in_the_cautions_are_in_the_reference_table() -> None:
    known = " ".join(facts().values())
    for article in (
        "1910.333(c)(2)", "61010-1", "61010-2-030", "61010-031", "210.23(A)(1)", "210.21(B)(2)",
        "UL 943",
    ):  # fmt: skip
        assert any(article in caution for caution in CAUTIONS)
        assert article in known
