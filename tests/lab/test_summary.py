"""Sources: NIST StRD univariate sets (certified); JCGM 100:2008 4.4.3; SciPy."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lab.reference import facts
from scipy import stats

from meterlink.lab.summary import summarise
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


@given(st.integers(0, 10**6), st.integers(2, 50))
def test_the_interval_is_students(seed, n):
    values = np.random.default_rng(seed).normal(100, 3, n)
    found = summarise(values, confidence=0.9)
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
    assert found.expanded is not None
    assert found.expanded.expanded == 0
    assert found.drift is not None
    assert not found.drift.significant


def test_calibration_adds_to_the_uncertainty_of_the_mean():
    values = np.array([99.0, 100.0, 101.0])
    calibration = [Component(0.01, relative=True, dof=math.inf), Component(0.5, False, 8)]
    found = summarise(values, components=calibration).expanded
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
    assert found.drift.line.slope == pytest.approx(4, abs=3 * found.drift.line.u_slope)
    assert found.drift.change == pytest.approx(4 * 39 / 60, abs=0.2)
    assert found.dependent


@pytest.mark.parametrize("time_s", [None, np.full(5, 7.0), np.array([0, 1, np.nan, 3, 4])])
def test_without_usable_times_trials_count_as_equally_far_apart(time_s):
    found = summarise(np.array([1.0, 2.1, 2.9, 4.0, 5.1]), time_s=time_s)
    assert found.drift is not None
    assert not found.drift.per_hour
    assert found.drift.change == pytest.approx(4.04)  # slope (-2*1 - 2.1 + 4 + 2*5.1) / 10 by hand
