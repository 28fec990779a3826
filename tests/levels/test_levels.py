"""Levels under correlated noise, against SciPy's multivariate normal."""

import numpy as np
import pytest
from scipy import stats

from meterlink.assumptions import USUAL
from meterlink.levels.levels import on_level
from meterlink.levels.statistics import blocks, covariance, fit

LAG_S = USUAL.levels.rms_lag_s


def test_the_evidence_is_that_of_the_normal_distribution_with_the_coefficients_integrated_out():
    # scipy.stats.multivariate_normal with the design's coefficients folded into the covariance; a
    # flat prior is the limit of a wide one, whose width cancels between two noise models.
    rng = np.random.default_rng(4)
    t = np.sort(rng.uniform(0, 10, 12))
    values = 50.0 + rng.normal(0, 1, 12)
    curve = np.exp(-t / 3.0)
    noises = np.stack([covariance(t, np.full(12, 0.5), sd, 4.0, LAG_S) for sd in (0.5, 2.0)])
    found = fit(
        values,
        np.ones((12, 1)),
        (np.zeros(2), noises),
        (np.zeros(1), [curve[:, np.newaxis]]),
        np.array([2.0]),
        np.array([1.0]),
    )
    wide = 1e3
    expected = [
        stats.multivariate_normal.logpdf(
            values, 2.0 * curve, noise + wide**2 * np.ones((12, 12)) + np.outer(curve, curve)
        )
        for noise in noises
    ]
    odds = np.log(found.weights[0] / found.weights[1])
    assert odds == pytest.approx(expected[0] - expected[1], abs=1e-3)


def test_the_fit_is_that_of_generalised_least_squares():
    # scipy: the same normal equations solved with the inverse covariance, the prior as a row.
    rng = np.random.default_rng(6)
    t = np.linspace(0, 10, 20)
    values = rng.normal(100, 1, 20)
    noise = covariance(t, np.full(20, 0.3), 1.0, 5.0, LAG_S)
    curve = np.exp(-t / 3.0)
    found = fit(
        values,
        np.ones((20, 1)),
        (np.zeros(1), noise[np.newaxis]),
        (np.zeros(1), [curve[:, np.newaxis]]),
        np.array([3.0]),
        np.array([2.0]),
    )
    design = np.column_stack([np.ones(20), curve])
    inverse = np.linalg.inv(noise)
    normal = design.T @ inverse @ design + np.diag([0.0, 0.25])
    expected = np.linalg.solve(normal, design.T @ inverse @ values + [0.0, 0.75])
    assert found.coefficients[0] == pytest.approx(expected)
    assert found.variances[0] == pytest.approx(np.diag(np.linalg.inv(normal)))


def test_the_covariance_is_that_of_a_slow_process_behind_a_lag():
    rng = np.random.default_rng(8)
    step, slow = 0.05, 4.0
    keep, share = np.exp(-step / slow), 1 - np.exp(-step / LAG_S)
    state, shown, series = 0.0, 0.0, []
    for shock in rng.normal(0, np.sqrt(1 - keep * keep), 400_000):
        state = keep * state + shock
        shown += share * (state - shown)
        series.append(shown)
    x = np.array(series[2000:])
    matrix = covariance(np.array([0.0, 0.5, 2.0]), np.zeros(3), 1.0, slow, LAG_S)
    for lag_s, expected in zip((0.0, 0.5, 2.0), matrix[0], strict=True):
        k = round(lag_s / step)
        assert np.mean(x[k:] * x[: x.size - k]) == pytest.approx(expected, abs=0.06)


@pytest.mark.parametrize(("n", "most"), [(10, 48), (48, 48), (49, 48), (5000, 48)])
def test_blocks_keep_every_reading_and_their_mean(n, most):
    t = np.linspace(0.0, 20.0, n)
    v = np.sin(t)
    times, values, sizes = blocks(t, v, most)
    assert times.size == values.size == sizes.size <= most
    assert sizes.sum() == n
    assert (values * sizes).sum() / n == pytest.approx(v.mean())


@pytest.mark.parametrize(
    ("share", "tau_s"), [(0.0, 3.0), (0.035, 3.0), (0.045, 2.5), (0.03, 4.0), (0.06, 2.0)]
)
def test_a_heaters_sag_leaves_no_bias(share, tau_s):
    rng = np.random.default_rng(2)
    since = np.arange(3.0, 14.0, 0.34)
    errors, us = [], []
    for _ in range(60):
        mv = 1500.0 * (1 + share * np.exp(-since / tau_s)) + rng.normal(0, 0.5, since.size)
        found = on_level(since, mv, np.ones(since.size), 0.1)
        errors.append(found.value - 1500.0)
        us.append(found.se)
    assert abs(np.mean(errors)) < np.mean(us)
    assert np.max(np.abs(errors)) < 3 * np.mean(us)


def test_one_reading_gives_a_level():
    found = on_level(np.array([4.0]), np.array([200.0]), np.ones(1), 0.1)
    assert found.value == pytest.approx(200.0, abs=3 * found.se)
