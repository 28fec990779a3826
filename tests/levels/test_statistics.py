"""Levels and their spread, against certified data sets."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate

from meterlink.levels.statistics import (
    difference_sd,
    lag1_autocorrelation,
    level,
    magnitude_likelihood,
    magnitude_within,
    mean,
    standard_deviation,
)

# NIST Statistical Reference Datasets, univariate; certified to 15 digits.
STRD = json.loads(
    (Path(__file__).parents[2] / "fixtures/reference/nist_strd_univariate.json").read_text()
)["datasets"]
# NumAcc3 and NumAcc4 are ill-conditioned on purpose: their values differ in the 8th digit.
DIGITS_OF_SPREAD = {"NumAcc3": 1e-9, "NumAcc4": 1e-7}


def series_of(data):
    if "data" in data:
        return np.array(data["data"], dtype=float)
    rule = data["data_rule"]
    pair = [float(value) for value in rule["then_alternating"]]
    return np.array([float(rule["first"]), *(pair * (rule["count"] // 2))])


@pytest.mark.parametrize("data", STRD, ids=lambda data: data["name"])
def test_the_mean_has_the_certified_digits(data):
    assert mean(series_of(data)) == pytest.approx(float(data["mean"]), rel=1e-14)


@pytest.mark.parametrize("data", STRD, ids=lambda data: data["name"])
def test_the_standard_deviation_has_the_certified_digits(data):
    rel = DIGITS_OF_SPREAD.get(data["name"], 1e-12)
    sd = standard_deviation(series_of(data))
    assert sd == pytest.approx(float(data["standard_deviation_n_minus_1"]), rel=rel)


@pytest.mark.parametrize("data", STRD, ids=lambda data: data["name"])
def test_the_lag_1_autocorrelation_has_the_certified_digits(data):
    rel = DIGITS_OF_SPREAD.get(data["name"], 1e-12)
    r = lag1_autocorrelation(series_of(data))
    assert r == pytest.approx(float(data["lag1_autocorrelation"]), rel=rel)


def first_order(rng, n, r):
    noise = rng.normal(0.0, np.sqrt(1 - r * r), n)
    series = np.empty(n)
    series[0] = rng.normal()
    for i in range(1, n):
        series[i] = r * series[i - 1] + noise[i]
    return series


@pytest.mark.parametrize("r", [0.0, 0.5, 0.8])
def test_the_standard_error_counts_that_neighbours_are_not_independent(r):
    rng = np.random.default_rng(3)
    levels = [level(first_order(rng, 120, r)) for _ in range(300)]
    spread = np.std([one.value for one in levels])
    assert np.median([one.se for one in levels]) == pytest.approx(spread, rel=0.25)


def test_a_wild_reading_does_not_move_the_level():
    values = np.array([5.0, 5.1, 4.9, 5.0, 5.1, 120_000.0, 4.9, 5.0, 5.0, 5.1])
    assert level(values).value == pytest.approx(5.0, abs=0.05)
    assert level(values).n == 9


def test_a_display_resting_on_one_digit_is_known_no_better_than_its_digit():
    still = level(np.full(50, 7.2), resolution=0.1)
    assert still.sd == still.se == pytest.approx(0.1 / np.sqrt(12))


def test_one_reading_is_a_level_too():
    assert level(np.array([3.0])).value == 3.0


@pytest.mark.parametrize("function", [mean, level])
def test_no_readings_have_no_level(function):
    with pytest.raises(ValueError, match="no"):
        function(np.array([]))


def test_steps_and_slow_wander_do_not_count_as_noise_of_the_differences():
    rng = np.random.default_rng(1)
    values = rng.normal(0.0, 1.0, 400) + np.linspace(0, 30, 400)
    values[200:] += 50.0
    assert difference_sd(values) == pytest.approx(1.0, rel=0.15)
    assert difference_sd(values[:1]) == 0.0


@pytest.mark.parametrize(("a", "band", "u"), [(8.0, 1.5, 0.5), (3.0, 4.0, 1.0)])
def test_the_chance_to_stay_near_the_idle_level_is_that_of_random_phases(a, band, u):
    rng = np.random.default_rng(9)
    d = np.array([1.0, 5.0, 12.0, 30.0])
    phase = rng.uniform(0.0, 2.0 * np.pi, (60_000, 1))
    shown = np.abs(d + a * np.exp(1j * phase)) + rng.normal(0.0, u, phase.shape)
    expected = (np.abs(shown - a) <= band).mean(axis=0)
    # nine nodes reach this across the cusp of the distribution
    assert magnitude_within(a, band, d, u) == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize(("b", "a", "u"), [(20.0, 7.0, 0.5), (4.0, 6.0, 1.0)])
def test_the_likelihood_of_a_level_has_area_one_over_levels(b, a, u):
    levels = np.linspace(-10.0, 60.0, 14_001)
    density = [magnitude_likelihood(one, np.array([b]), a, u)[0] for one in levels[::7]]
    assert integrate.trapezoid(density, levels[::7]) == pytest.approx(1.0, abs=0.005)
