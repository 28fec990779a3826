"""Sources: NIST StRD univariate sets (certified); JCGM 100:2008 4.4.3; SciPy."""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from lab.reference import facts
from scipy import stats

from meterlink.lab.series import Agreement, Terms, check_stated, summarise
from meterlink.lab.uncertainty import Component

SETS = {one["name"]: one for one in facts("nist_strd_univariate.json")["datasets"]}


def values_of(one):
    if "data" in one:
        return np.array(one["data"], dtype=float)
    rule = one["data_rule"]
    values = np.full(rule["count"], float(rule["first"]))
    values[1::2], values[2::2] = (float(text) for text in rule["then_alternating"])
    return values


@pytest.mark.parametrize("name", SETS)
def test_certified_figures_come_back(name):
    one = SETS[name]
    found = summarise(values_of(one))
    # NumAcc3 and NumAcc4 lose digits in the data themselves: 1e6 + 0.1 and 1e7 + 0.1 are rounded.
    digits = {"NumAcc3": 1e-9, "NumAcc4": 1e-7}.get(name, 1e-10)
    assert found.mean == pytest.approx(float(one["mean"]), rel=1e-13)
    assert found.sd == pytest.approx(float(one["standard_deviation_n_minus_1"]), rel=digits)
    lag1 = float(one["lag1_autocorrelation"])
    if found.lag1 is not None:  # NumAcc1 has three values
        assert found.lag1 == pytest.approx(lag1, rel=1e-8 if digits > 1e-10 else 1e-10)


def test_the_guides_twenty_temperatures_4_4_3():
    example = facts("gum_examples.json")["4.4.3"]
    found = summarise(np.array(example["data"]))
    assert found.mean == pytest.approx(example["full"]["mean"], abs=5e-4)
    assert found.sd == pytest.approx(example["full"]["s"], abs=5e-7)
    assert found.u_mean == pytest.approx(example["full"]["u_mean"], abs=5e-7)


@given(st.integers(0, 10**6), st.integers(2, 14))
def test_the_interval_of_few_trials_that_do_not_drift_is_students(seed, n):
    values = np.random.default_rng(seed).normal(100, 3, n)
    found = summarise(values, terms=Terms(confidence=0.9))
    assume(found.drift is None or not found.drift.significant)
    low, high = stats.t.interval(0.9, n - 1, values.mean(), stats.sem(values))
    assert found.interval == pytest.approx((low, high), rel=1e-9)


def test_nineteen_intervals_of_twenty_hold_the_true_mean():
    rng = np.random.default_rng(4)
    inside = 0
    for _ in range(1000):
        interval = summarise(rng.normal(5, 1, 6)).interval
        assert interval is not None
        inside += interval[0] <= 5 <= interval[1]
    assert 929 <= inside <= 971  # 950 expected, binomial sd 6.9


def test_one_trial_has_a_level_and_nothing_else():
    found = summarise(np.array([12.5]))
    assert (found.n, found.mean, found.lowest, found.highest) == (1, 12.5, 12.5, 12.5)
    assert (found.sd, found.u_mean, found.interval, found.expanded) == (None, None, None, None)
    assert (found.drift, found.stated, found.lag1) == (None, None, None)


def test_zero_spread_divides_by_nothing():
    found = summarise(np.full(20, 3.3), np.full(20, 0.1), np.arange(20.0))
    assert (found.sd, found.u_mean) == (0.0, 0.0)
    assert found.lag1 is None
    assert found.drift is not None
    assert not found.drift.significant


def test_calibration_adds_to_the_uncertainty_of_the_mean():
    values = np.array([99.0, 100.0, 101.0])
    calibration = [Component(0.01, relative=True, dof=math.inf), Component(0.5, False, 8)]
    found = summarise(values, terms=Terms(calibration)).expanded
    assert found is not None
    assert found.u == pytest.approx(math.sqrt(1 / 3 + 1 + 0.25))
    assert found.dof > 2


def test_a_drift_is_told_per_hour_with_its_significance():
    rng = np.random.default_rng(6)
    time_s = 60.0 * np.arange(40)
    found = summarise(100 + 4 * time_s / 3600 + rng.normal(0, 0.1, 40), time_s=time_s)
    assert found.drift is not None
    assert found.drift.per_hour
    assert found.drift.significant
    assert found.drift.slope.value == pytest.approx(4, abs=3 * found.drift.slope.u)
    assert found.drift.change == pytest.approx(4 * 39 / 60, abs=0.2)
    assert found.dependent


@pytest.mark.parametrize(
    "time_s", [None, np.full(5, 7.0), np.array([np.nan, 1, np.nan, 3, np.nan])]
)
def test_without_usable_times_trials_count_as_equally_far_apart(time_s):
    found = summarise(np.array([1.0, 2.1, 2.9, 4.0, 5.1]), time_s=time_s)
    assert found.drift is not None
    assert not found.drift.per_hour
    assert found.drift.change == pytest.approx(4.04)  # slope (-2*1 - 2.1 + 4 + 2*5.1) / 10 by hand


def test_chi_square_is_that_of_the_weighted_mean():
    values, u = np.array([10.0, 12.0, 11.0, 13.0]), np.array([1.0, 2.0, 0.5, 1.0])
    found = check_stated(values, u)
    centre = np.average(values, weights=u**-2)
    expected = float(np.sum(((values - centre) / u) ** 2))
    assert found is not None
    assert found.chi_square == pytest.approx(expected)
    assert found.p == pytest.approx(
        2 * min(stats.chi2.cdf(expected, 3), stats.chi2.sf(expected, 3))
    )


@pytest.mark.parametrize(
    ("stated", "agreement"),
    [(1.0, Agreement.AGREES), (0.3, Agreement.TOO_SMALL), (3.0, Agreement.TOO_LARGE)],
)
def test_stated_uncertainty_is_judged_by_the_spread(stated, agreement):
    values = np.random.default_rng(2).normal(150, 1, 40)
    found = check_stated(values, np.full(40, stated))
    assert found is not None
    assert found.agreement is agreement
    assert found.ratio == pytest.approx(values.std(ddof=1) / stated)


def test_true_uncertainties_are_called_wrong_about_once_in_twenty():
    rng = np.random.default_rng(8)
    found = [check_stated(rng.normal(0, 2, 15), np.full(15, 2.0)) for _ in range(1000)]
    wrong = sum(one is not None and one.agreement is not Agreement.AGREES for one in found)
    assert 30 <= wrong <= 72  # 50 expected, binomial sd 6.9


@pytest.mark.parametrize("u", [[], [1.0], [np.nan, 1.0], [0.0, 0.0, 1.0]])
def test_fewer_than_two_stated_uncertainties_are_not_judged(u):
    assert check_stated(np.arange(float(len(u))), np.array(u)) is None


def test_equal_values_say_that_the_stated_uncertainty_is_large():
    found = check_stated(np.full(10, 7.0), np.full(10, 1e-3))
    assert found is not None
    assert found.chi_square == 0
    assert found.agreement is Agreement.TOO_LARGE


def test_what_repeating_does_not_show_is_what_is_left_of_the_stated():
    values = np.array([157.9, 157.4, 157.9])
    found = check_stated(values, np.array([6.8, 6.8, 6.9]))
    assert found is not None
    assert found.agreement is Agreement.TOO_LARGE
    assert found.common == pytest.approx(6.83, abs=0.01)  # spread of 0.3 is next to nothing
    small = check_stated(values, np.full(3, 1e-3))
    assert small is not None
    assert small.common == 0


def test_stated_uncertainty_is_called_wrong_once_in_twenty_also_where_trials_hang_together():
    rng = np.random.default_rng(9)
    wrong = 0
    for _ in range(300):
        values = rng.standard_normal(100)
        for place in range(1, 100):
            values[place] = 0.8 * values[place - 1] + 0.6 * values[place]
        found = summarise(values, np.ones(100)).stated
        wrong += found is not None and found.agreement is not Agreement.AGREES
    assert wrong / 300 < 0.11  # 0.39 with independence taken for granted


def test_what_is_common_is_weighted_as_the_ratio_is():
    # One trial of fifty states a thousand times more: it says nothing of the others.
    values = np.random.default_rng(3).normal(150, 0.1, 50)
    u = np.full(50, 1.0)
    u[7] = 1000.0
    found = check_stated(values, u)
    assert found is not None
    assert found.common == pytest.approx(1.0, rel=0.02)


def test_one_unreadable_time_is_put_between_its_neighbours():
    time_s = 60.0 * np.arange(40)
    values = 100 + 4 * time_s / 3600 + np.random.default_rng(6).normal(0, 0.1, 40)
    time_s[17] = np.nan
    found = summarise(values, time_s=time_s)
    assert found.times_filled == 1
    assert found.drift is not None
    assert found.drift.per_hour
    assert found.drift.significant


def test_the_mean_of_a_drifting_series_does_not_count_the_drift_as_spread():
    values = np.linspace(100, 110, 50) + np.random.default_rng(1).normal(0, 0.1, 50)
    found = summarise(values)
    assert found.u_repeat == pytest.approx(0.1 / math.sqrt(50), rel=0.5)
    assert found.u_mean is not None
    assert found.u_mean > 20 * found.u_repeat


@pytest.mark.parametrize(
    ("value", "given", "step"),
    [(7.0, None, 1.0), (7.25, None, 0.01), (1200.0, None, 1), (7.0, 0.5, 0.5)],
)
def test_zero_spread_is_as_uncertain_as_the_displays_step(value, given, step):
    found = summarise(np.full(12, value), terms=Terms(resolution=given))
    assert found.expanded is not None
    assert found.expanded.u == pytest.approx(step / math.sqrt(12))  # JCGM 100, F.2.2.1
    assert found.resolution_inferred is (given is None)


def test_resolution_adds_to_spread():
    values = np.array([99.0, 100.0, 101.0])
    found = summarise(values, terms=Terms(resolution=1.0)).expanded
    assert found is not None
    assert found.u == pytest.approx(math.sqrt(1 / 3 + 1 / 12))


def test_a_bias_is_judged_with_the_uncertainty_of_both():
    values = np.random.default_rng(2).normal(150.5, 0.1, 12)
    found = summarise(values, terms=Terms(known=(150.0, 0.02))).bias
    assert found is not None
    assert found.bias.value == pytest.approx(values.mean() - 150)
    assert found.bias.u == pytest.approx(math.hypot(values.std(ddof=1) / math.sqrt(12), 0.02))
    assert found.significant
    unknown = summarise(values, terms=Terms(known=(150.0, 5.0))).bias
    assert unknown is not None
    assert not unknown.significant
