"""Levels and their spread, against certified data sets."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from meterlink.levels.statistics import (
    below,
    below_all,
    blocks,
    covariance,
    difference_sd,
    display_sd,
    fit,
    inliers,
    lag1_autocorrelation,
    level,
    magnitude_cdf,
    magnitude_likelihood,
    magnitude_within,
    mean,
    normal,
    rayleigh,
    rms,
    robust_center,
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


# distributions, against scipy.stats


@given(st.floats(-50, 50), st.floats(0.01, 30))
def test_densities_are_those_of_the_distributions_that_they_are_named_after(x, scale):
    assert normal(x, scale) == pytest.approx(stats.norm.pdf(x, scale=scale), rel=1e-9, abs=1e-300)
    far = abs(x) >= 30 * scale
    expected = 0.0 if far else stats.rayleigh.pdf(abs(x), scale=scale)
    assert rayleigh(abs(x), scale) == pytest.approx(expected, rel=1e-9, abs=1e-300)
    assert below(x) == pytest.approx(stats.norm.cdf(x), rel=1e-9, abs=1e-300)


def test_far_out_a_normal_density_stays_above_zero():
    assert normal(1e6, 1.0) > 0.0
    assert rayleigh(1e6, 1.0) == 0.0


def test_the_quick_normal_distribution_is_within_what_it_says():
    x = np.linspace(-12, 12, 4001)
    assert np.abs(below_all(x) - stats.norm.cdf(x)).max() < 0.00015
    assert (np.diff(below_all(x)) >= 0).all()


@pytest.mark.parametrize(("d", "a"), [(12.0, 5.0), (5.0, 12.0), (7.0, 7.0), (3.0, 0.0), (0.0, 4.0)])
def test_a_magnitude_under_pickup_of_random_phase_has_that_distribution(d, a):
    phase = np.linspace(0.0, 2.0 * np.pi, 20_000, endpoint=False)
    shown = np.abs(d + a * np.exp(1j * phase))
    for m in (0.5, 2.9, 3.1, 6.0, 8.0, 13.0, 20.0):
        cdf = magnitude_cdf(np.array([m]), np.array([d]), a)[0]
        assert cdf == pytest.approx((shown <= m).mean(), abs=1e-3)
    assert magnitude_cdf(np.array([-1.0]), np.array([d]), a)[0] == 0.0


# covariance and fits


@pytest.mark.parametrize(("correlation_s", "lag_s"), [(20.0, 0.5), (2.0, 1.0), (0.5, 3.0)])
def test_wander_through_a_lag_has_the_covariance_that_its_spectrum_gives(correlation_s, lag_s):
    """Inverse transform of ``2 T s^2 / ((1 + (wT)^2) (1 + (wL)^2))`` by quadrature."""
    t_s, sd = np.array([0.0, 0.3, 4.0]), 2.0
    found = covariance(t_s, np.zeros(3), sd, correlation_s, lag_s)

    def spectrum(w):
        return 2 * correlation_s / ((1 + (w * correlation_s) ** 2) * (1 + (w * lag_s) ** 2))

    for i, apart in enumerate(t_s):
        if apart:
            area = integrate.quad(spectrum, 0, np.inf, weight="cos", wvar=apart)[0]
        else:
            area = integrate.quad(spectrum, 0, np.inf)[0]
        assert found[0, i] == pytest.approx(sd**2 * area / np.pi, rel=1e-4)


@given(
    st.lists(st.floats(0, 100), min_size=2, max_size=12, unique=True),
    st.floats(0.1, 5),
    st.floats(0.5, 30),
)
def test_a_covariance_can_always_be_factored(times, wander_sd, correlation_s):
    t_s = np.sort(np.array(times))
    matrix = covariance(t_s, np.full(t_s.size, 0.05), wander_sd, correlation_s, 0.3)
    assert matrix == pytest.approx(matrix.T)
    np.linalg.cholesky(matrix)


def one_fit(values, design, noise, curve=None, prior=(0.0, 1.0)):
    c = 0 if curve is None else 1
    curves = [np.zeros((values.size, 0))] if curve is None else [curve[:, np.newaxis]]
    return fit(
        values,
        design,
        (np.zeros(1), noise[np.newaxis]),
        (np.zeros(1), curves),
        np.full(c, prior[0]),
        np.full(c, prior[1]),
    )


def test_a_fit_under_correlated_noise_is_generalised_least_squares():
    rng = np.random.default_rng(5)
    t_s = np.arange(12.0)
    design = np.stack([np.ones(12), t_s > 5], axis=1).astype(float)
    noise = covariance(t_s, np.full(12, 0.3), 1.0, 5.0, 0.5)
    values = design @ [3.0, 2.0] + rng.multivariate_normal(np.zeros(12), noise)
    inverse = np.linalg.inv(noise)
    cov = np.linalg.inv(design.T @ inverse @ design)
    found = one_fit(values, design, noise)
    assert found.coefficients[0] == pytest.approx(cov @ design.T @ inverse @ values)
    assert found.variances[0] == pytest.approx(np.diag(cov))
    assert found.of(1) == pytest.approx((found.coefficients[0, 1], np.sqrt(cov[1, 1])))


def test_a_curve_of_a_sure_prior_is_taken_off_and_one_of_a_wide_prior_is_fitted():
    t_s = np.arange(20.0)
    curve = np.exp(-t_s / 4)
    values = 5.0 + 3.0 * curve
    noise = np.eye(20) * 0.01
    sure = one_fit(values, np.ones((20, 1)), noise, curve, (1.0, 1e-6))
    assert sure.coefficients[0, 1] == pytest.approx(1.0, abs=1e-3)
    wide = one_fit(values, np.ones((20, 1)), noise, curve, (1.0, 1e3))
    assert wide.coefficients[0] == pytest.approx([5.0, 3.0], abs=1e-3)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_noise_models_are_weighed_by_their_evidence(seed):
    """The evidence of each is that of a normal density with the flat column integrated out."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(15.0)
    noises = np.stack([np.eye(15), covariance(t_s, np.full(15, 0.8), 0.9, 8.0, 0.5)])
    values = 3.0 + rng.multivariate_normal(np.zeros(15), noises[seed % 2])
    design = np.ones((15, 1))
    log_prior = np.log([0.3, 0.7])
    none = [np.zeros((15, 0))]
    found = fit(values, design, (log_prior, noises), (np.zeros(1), none), *np.zeros((2, 0)))
    logs = []
    for prior, noise in zip(log_prior, noises, strict=True):
        wide = noise + 1e5 * design @ design.T
        logs.append(prior + stats.multivariate_normal.logpdf(values, np.zeros(15), wide))
    expected = np.exp(logs - np.logaddexp.reduce(logs))
    assert found.weights == pytest.approx(expected, rel=2e-3)
    assert 0.01 < found.weights[0] < 0.99  # both have a say
    mean, sd = found.of(0)
    means, variances = found.coefficients[:, 0], found.variances[:, 0]
    assert mean == pytest.approx(found.weights @ means)
    second = found.weights @ (variances + means**2)
    assert sd == pytest.approx(np.sqrt(second - mean**2))


# small things


@given(st.integers(1, 400), st.integers(1, 60))
def test_blocks_keep_the_mean_the_span_and_every_reading(n, most):
    values = np.random.default_rng(n).normal(0, 1, n)
    t_s = np.arange(n, dtype=float)
    times, means, sizes = blocks(t_s, values, most)
    assert len(times) == len(means) == len(sizes) == min(n, most)
    assert sizes.sum() == n
    assert sizes.max() - sizes.min() <= 1
    assert (sizes @ means) / n == pytest.approx(values.mean(), abs=1e-9)
    assert (np.diff(times) > 0).all()


def test_the_spread_of_a_display_is_that_of_a_rectangle():
    """JCGM 100:2008, F.2.2.1: half the width of one digit over root 3."""
    assert display_sd(0.1) == pytest.approx(0.05 / np.sqrt(3))
    assert display_sd(None) == 0.0


def test_the_robust_spread_is_that_of_a_normal_and_blind_to_half_of_the_readings():
    rng = np.random.default_rng(7)
    values = rng.normal(3.0, 2.0, 20_000)
    assert robust_center(values) == pytest.approx((3.0, 2.0), abs=0.05)
    spoilt = np.array([1.0, 2.0, 3.0, 1e9, 1e9])
    assert robust_center(spoilt)[0] == 3.0
    assert inliers(spoilt, 0.1).tolist() == [True, True, True, False, False]
    assert inliers(np.array([5.0, 5.0, 5.0, 5.3]), 0.1).all()
    assert not inliers(np.array([5.0, 5.0, 5.0, 5.5]), 0.1).all()


@pytest.mark.parametrize("function", [standard_deviation, lag1_autocorrelation])
def test_one_reading_has_no_spread(function):
    with pytest.raises(ValueError, match="two values"):
        function(np.array([1.0]))


def test_a_series_that_rests_has_no_autocorrelation():
    assert lag1_autocorrelation(np.full(9, 4.2)) == 0.0
    assert rms([3.0, -4.0]) == pytest.approx(np.sqrt(12.5))
