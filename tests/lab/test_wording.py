"""What the statistics say in words: each sentence where it is true, and only there."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from meterlink.lab.series import Agreement, Bias, Drift, Estimate, StatedCheck, Terms
from meterlink.lab.study import trials
from meterlink.lab.uncertainty import certificate, combine, dof_text, figure, p_text, rounded
from meterlink.lab.wording import bias_text, drift_text, stated_text

RNG = np.random.default_rng(11)
QUIET = RNG.normal(150.0, 1.0, 24)


def said(values, by=None, **options: object) -> str:
    """The evaluation of a series in words, one line."""
    return " ".join(str(trials(values, by, **options)).split())


# single sentences


@pytest.mark.parametrize(
    ("drift", "text"),
    [
        (Drift(Estimate(2.0, 0.1, 20), True, 0.5, 1.0), "drifts +2.000 mV/h, +0.500 mV over the"),
        (Drift(Estimate(-2.0, 0.1, 20), False, -40.0, 1.0), "drifts -2.000 mV/trial, -40.00 mV"),
        (Drift(Estimate(0.1, 0.1, 20), True, 0.5, 1.0), "no drift seen (+0.100 mV/h, p 0.329)"),
    ],
)
def test_a_drift_is_said_where_chance_does_not_explain_it(drift: Drift, text: str) -> None:
    assert drift_text(drift, "mV").startswith(text)


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (0.52, 0.10, "bias against 150 mV: +0.52 ± 0.21 mV (95 %, p < 0.001)"),
        (-0.52, 0.10, "bias against 150 mV: -0.52 ± 0.21 mV (95 %, p < 0.001)"),
        (0.05, 0.10, "bias against 150 mV: +0.05 ± 0.21 mV (95 %, p 0.623): chance explains it"),
    ],
)
def test_a_bias_has_its_sign_and_says_where_chance_explains_it(
    value: float, u: float, text: str
) -> None:
    assert bias_text(Bias(150.0, 0.0, Estimate(value, u, 20), 2.09 * u), "mV", "95 %") == text


def test_a_spread_that_is_not_the_stated_one_says_what_to_do() -> None:
    check = StatedCheck(20, 19.0, 19.0, 0.9, 1.0, Agreement.AGREES, 0.0)
    assert stated_text(check, "mV").endswith("they agree (chi-square 19.00 on 19, p 0.900)")
    small = replace(check, ratio=2.5, agreement=Agreement.TOO_SMALL, p=1e-5)
    assert "drop_u_mV is too small" in stated_text(small, "mV")
    assert "p < 0.001" in stated_text(small, "mV")
    large = replace(check, ratio=0.2, agreement=Agreement.TOO_LARGE, common=0.98)
    assert "about 0.980 mV of it is common to all trials" in stated_text(large, "mV")
    assert "--also 0.98 counts it" in stated_text(large, "mV")


# figures


@pytest.mark.parametrize(
    ("value", "u", "shown"),
    [
        (150.1234, 1.234, ("150.1", "1.2")),
        (150.1234, 0.0999, ("150.12", "0.10")),
        (1234567.0, 8900.0, ("1234600", "8900")),
        (5.0, 0.0, ("5", "0")),
        (9.99996, 0.00123, ("10.0000", "0.0012")),
        (2.0, 0.0104, ("2.000", "0.010")),
        (2.0, 0.01060, ("2.000", "0.011")),
    ],
)
def test_value_and_uncertainty_end_at_the_same_place(value, u, shown) -> None:
    """JCGM 100:2008, 7.2.6: two digits, the value to the same place."""
    assert rounded(value, u) == shown


@given(st.floats(-1e8, 1e8), st.floats(1e-6, 1e6))
def test_rounding_never_makes_an_uncertainty_smaller_by_more_than_a_twentieth(value, u) -> None:
    stated, shown = (float(text) for text in rounded(value, u))
    assert 0.95 * u <= shown <= 1.1 * u
    assert abs(stated - value) <= 0.06 * u + 1e-9 * abs(value)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "-"),
        (math.nan, "-"),
        (0.0, "0.000"),
        (0.00123, "0.00123"),
        (1.23456, "1.235"),
        (12.3456, "12.35"),
        (12345.67, "12345.7"),
        (2e9, "2e+09"),
        (-1.5, "-1.500"),
    ],
)
def test_a_figure_has_four_digits_or_a_thousandth(value: float | None, text: str) -> None:
    assert figure(value) == text
    if value is not None and value > 0:
        assert figure(value, signed=True) == f"+{text}"


@pytest.mark.parametrize(
    ("p", "text"), [(0.0004, "< 0.001"), (0.001, "0.001"), (0.5, "0.500"), (math.nan, "-")]
)
def test_a_probability_is_said_as_tests_give_it(p: float, text: str) -> None:
    assert p_text(p) == text


@pytest.mark.parametrize(("dof", "text"), [(19.0, "19"), (7.46, "7.5"), (math.inf, "unlimited")])
def test_degrees_of_freedom(dof: float, text: str) -> None:
    assert dof_text(dof) == text


def test_a_certificate_has_the_factor_and_what_it_rests_on() -> None:
    """JCGM 100:2008, table G.2: k is 2.26 for 95 % and 9 degrees of freedom."""
    expanded = combine([(0.5, 9.0)], 0.95)
    text = certificate(150.03, expanded, "mV", 0.95)
    assert text == (
        "result: (150.0 ± 1.1) mV, expanded uncertainty with k = 2.26, 95 % (9 degrees of freedom)"
    )
    assert "result: (150.0 ± 1.1)," in certificate(150.03, expanded, "", 0.95)


# a whole series


def test_a_quiet_series_says_mean_spread_interval_and_result_and_nothing_else() -> None:
    text = said(QUIET)
    for part in ("24 trials", "repeatability standard deviation", "repeating alone", "result: ("):
        assert part in text
    for part in ("drifts", "suspected", "not independent", "not counted", "volts typed"):
        assert part not in text


def test_one_trial_has_a_mean_alone() -> None:
    text = said([150.0])
    assert "1 trial: no spread can be given" in text
    assert "standard deviation" not in text
    assert "result" not in text


def test_trials_that_hang_together_count_as_fewer() -> None:
    rng = np.random.default_rng(3)
    walk = [0.0]
    for _ in range(79):
        walk.append(0.8 * walk[-1] + rng.normal())
    text = said(150.0 + np.array(walk))
    assert "neighbouring trials are alike (correlation 0." in text
    assert "80 of them say as much of the mean as" in text
    assert "neighbouring trials are not independent (autocorrelation +0." in text


def test_trials_that_swing_about_each_other_say_that_the_uncertainty_is_too_large() -> None:
    swing = 150.0 + 2.0 * (-1.0) ** np.arange(30) + RNG.normal(0, 0.3, 30)
    text = said(swing)
    assert "they swing about each other" in text
    assert "rather too large" in text


def test_a_series_that_drifts_says_so_and_what_its_mean_is() -> None:
    text = said(150.0 + 0.5 * np.arange(24) + RNG.normal(0, 0.3, 24))
    assert "drifts +0.4" in text or "drifts +0.5" in text
    assert "mV/trial" in text or "/trial" in text
    assert "the mean is that of a series that drifts" in text
    assert "the drift is part of it" in text


def test_equal_trials_are_below_the_display_unless_its_step_is_given() -> None:
    text = said([7.0] * 12)
    assert (
        "the spread is below the display's resolution (the step of the last digit is taken)" in text
    )
    assert "the step of the last digit is taken" not in said(
        [7.0] * 12, terms=Terms(resolution=0.1)
    )


def test_a_value_a_thousand_times_off_may_be_volts() -> None:
    values = QUIET.copy()
    values[5] /= 1000
    text = said(values)
    assert "suspected outlier: test 6" in text
    assert "volts typed for millivolts?" in text
    assert "without what is suspected: mean 1" in text
    many = QUIET.copy()
    many[::3] /= 1000
    assert "8 of 24 values are about a thousand times smaller" in said(many)


def test_an_outlier_about_a_drift_says_about_what() -> None:
    values = 150.0 + 2.0 * np.arange(30) + np.random.default_rng(4).normal(0, 0.3, 30)
    values[10] += 12
    text = said(values)
    assert "suspected outlier: test 11" in text
    assert "about the drift" in text


# levels


def levelled(shift: float, spread: float = 1.0, count: int = 12) -> tuple[np.ndarray, list[str]]:
    by = ["Ann", "Ben", "Cem"] * count
    even = stats.norm.ppf((np.arange(count) + 0.5) / count)  # without a wild one
    each = np.random.default_rng(6).permuted(np.tile(even, (3, 1)), axis=1)
    noise = each.T.ravel() * [spread if who == "Cem" else 1.0 for who in by]
    return 100.0 + noise + [shift * (who == "Ben") for who in by], by


def test_levels_that_differ_and_that_do_not_are_told_apart() -> None:
    assert "levels do not differ beyond repeatability" in said(*levelled(0.0))
    text = said(*levelled(5.0))
    assert "levels differ (F " in text
    assert "two trials differ by more once in twenty:" in text
    for name in ("Ann: 12 trials", "Ben: 12 trials", "Cem: 12 trials"):
        assert name in text


def test_levels_that_scatter_unequally_say_which_and_give_no_limit() -> None:
    text = said(*levelled(0.0, spread=3.0))
    assert "Cem scatters more than the others: Cochran's C" in text
    assert "(1 %): outlier" in text
    assert "is not said: levels scatter unequally" in text
    assert re.search(r"Cem: .*Mandel's k 1\.\d\d: outlier", text)
    assert "Mandel's h" not in text  # all three means are equal but for rounding


def test_means_that_differ_by_the_rounding_of_their_sums_alone_are_equal() -> None:
    """The same readings in another order: nobody is an outlier among them."""
    readings = [5.0, 5.1, 5.2, 5.4]
    by = ["Ann"] * 4 + ["Ben"] * 4 + ["Cem"] * 4
    text = said([*readings, *readings[::-1], *readings[2:], *readings[:2]], by)
    assert "Mandel's h" not in text
    assert "Mandel's h" in said([*readings, *readings, *(x + 0.5 for x in readings)], by)


def test_where_nothing_scatters_or_outliers_are_there_no_limit_is_given() -> None:
    same = said([5.0, 5.0, 6.0, 6.0], ["a", "a", "b", "b"])
    assert "is not said: nothing scatters" in same
    values, by = levelled(0.0)
    values[4] += 30
    assert "is not said: there are suspected outliers" in said(values, by)


def test_of_very_many_levels_the_first_are_said_and_the_rest_counted() -> None:
    names = [f"L{k // 2}" for k in range(90)]
    text = said(RNG.normal(0, 1, 90), names)
    assert "and 15 levels more (all are in --json)" in text
    assert text.count(": 2 trials") == 30
    assert "L9: 2 trials" not in text  # the last of them by name


def test_a_known_value_is_compared_with_the_mean_of_levels() -> None:
    text = said(*levelled(0.0), terms=Terms(known=(99.0, 0.0)))
    assert "mean of levels" in text
    assert "bias against 99" in text


# crossed


def crossed(repeat: int, *, gaps: int = 0, interact: float = 0.0) -> str:
    rng = np.random.default_rng(8)
    parts, people, _ = (x.ravel() for x in np.indices((6, 3, repeat)))
    values = 10.0 * parts + people + rng.normal(0, 1, parts.size)
    values = values + interact * ((parts + people) % 3)
    keep = slice(gaps, None)
    return said(values[keep], (parts[keep].astype(str), people[keep].astype(str)))


def test_a_crossed_study_says_what_it_pools_and_what_it_lacks() -> None:
    assert "the interaction is not significant at 25 % and counts as repeatability" in crossed(3)
    assert "counts as repeatability" not in crossed(3, interact=8.0)
    assert "one trial each: nothing tells the interaction from repeatability" in crossed(1)
    assert "repeated unequally often: components" in crossed(3, gaps=1)
    assert "repeated unequally often, 1 of them without any" in crossed(3, gaps=3)
    assert "distinct categories:" in crossed(3)


def test_factors_that_nothing_connects_say_why_there_is_no_analysis() -> None:
    text = said([1.0, 2.0, 3.0, 4.0], (["a", "a", "b", "b"], ["x", "x", "y", "y"]))
    assert "cannot be compared" in text
