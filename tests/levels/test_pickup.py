"""The drop behind two magnitudes, against numerical integration and simulation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from meterlink.levels.pickup import (
    PRIOR_NO_DROP,
    WIDEST_DROP_MV,
    band_in_u,
    drop_from_difference,
    drop_from_magnitudes,
    limit_for_difference,
    limit_for_magnitudes,
    magnitude_cdf,
)

CASES = [
    (10.0, 200.0, 0.5),
    (10.0, 60.0, 2.0),
    (10.0, 14.0, 0.8),
    (10.0, 6.0, 0.8),
    (10.0, 10.5, 0.8),
    (5.0, 1500.0, 3.0),
    (0.3, 40.0, 0.5),
    (14.0, 20.0, 1.0),
]


def moments_by_quadrature(a, b, u):
    """Probability of a drop, mean and mean square, by SciPy's Simpson rule in both variables."""
    d = np.linspace(max(0.0, abs(b - a) - 8 * u), a + b + 8 * u, 801)[:, np.newaxis]
    phase = np.linspace(0.0, np.pi, 4001)
    shown = np.sqrt(d * d + a * a + 2 * a * d * np.cos(phase))
    density = integrate.simpson(stats.norm.pdf(b, shown, u), x=phase, axis=1) / np.pi
    d = d[:, 0]
    mass = integrate.simpson(density, x=d)
    mean = integrate.simpson(density * d, x=d) / mass
    square = integrate.simpson(density * d * d, x=d) / mass
    some = (1 - PRIOR_NO_DROP) * mass / WIDEST_DROP_MV
    none = PRIOR_NO_DROP * stats.norm.pdf(b, a, u)
    return some / (some + none), mean, square


@pytest.mark.parametrize(("a", "b", "u"), CASES)
def test_the_posterior_is_that_of_numerical_integration(a, b, u):
    p, mean, square = moments_by_quadrature(a, b, u)
    estimate = drop_from_magnitudes(a, b, u)
    sd = np.sqrt(p * square - (p * mean) ** 2)
    assert estimate.drop_mv == pytest.approx(p * mean, abs=0.02 * max(sd, u))
    assert estimate.p_drop == pytest.approx(p, abs=0.02)
    assert estimate.drop_u_mv >= 0.97 * min(sd, max(sd, u))


@settings(max_examples=60, deadline=None)
@given(st.floats(0.1, 30), st.floats(0.0, 3000), st.floats(0.05, 5))
def test_the_drop_lies_between_the_difference_and_the_sum_of_the_levels(a, b, u):
    estimate = drop_from_magnitudes(a, b, u)
    assert -1e-9 <= estimate.drop_mv <= a + b + 6 * u
    if estimate.p_drop > 0.999:
        assert estimate.drop_mv >= abs(b - a) - 6 * u
    assert estimate.drop_u_mv >= u


def test_far_above_the_pickup_one_uncertainty_covers_68_percent_of_all_phases():
    # arcsine distribution: P(|a cos(phi)| <= x) = 2/pi asin(x/a)
    estimate = drop_from_magnitudes(10.0, 1000.0, 0.05)
    assert estimate.drop_u_mv == pytest.approx(10.0 * np.sin(0.6827 * np.pi / 2), rel=0.02)
    assert estimate.drop_mv == pytest.approx(np.sqrt(1000.0**2 - 10.0**2), abs=0.2)


def test_equal_levels_say_no_drop():
    estimate = drop_from_magnitudes(10.0, 10.0, 0.3)
    assert estimate.p_drop < 0.01
    assert estimate.drop_mv < 0.1


def test_a_reading_that_falls_says_drop():
    assert drop_from_magnitudes(10.0, 4.0, 0.3).p_drop > 0.999


@pytest.mark.parametrize(("d", "a"), [(5.0, 10.0), (10.0, 5.0), (200.0, 10.0), (0.5, 12.0)])
def test_the_closed_distribution_is_that_of_random_phases(d, a):
    rng = np.random.default_rng(5)
    shown = np.abs(d + a * np.exp(1j * rng.uniform(0, 2 * np.pi, 40_000)))
    at = np.linspace(abs(d - a), d + a, 9)
    expected = [(shown <= m).mean() for m in at]
    assert magnitude_cdf(at, np.full(9, d), a) == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(("a", "u"), [(5.0, 0.3), (12.0, 1.0), (0.5, 0.5), (8.0, 0.02)])
def test_a_drop_at_the_limit_shows_in_95_of_100_tests(a, u):
    rng = np.random.default_rng(11)
    limit = limit_for_magnitudes(a, u)

    def shows(d):
        phase = rng.uniform(0, 2 * np.pi, 20_000)
        b = np.abs(d + a * np.exp(1j * phase)) + rng.normal(0.0, u, phase.size)
        return (np.abs(b - a) > band_in_u(u) * u).mean()

    assert shows(limit) == pytest.approx(0.95, abs=0.012) or limit < 0.1 * u
    assert shows(1.3 * limit) >= 0.95
    assert shows(0.7 * limit) < 0.95


def test_a_signed_difference_at_its_limit_shows_in_95_of_100_tests():
    u = 2.0
    limit = limit_for_difference(u)
    assert stats.norm.sf(band_in_u(u) * u, limit, u) == pytest.approx(0.95, abs=0.001)


def test_the_band_is_where_the_verdict_turns():
    for u in (0.1, 1.0, 5.0):
        band = band_in_u(u) * u
        assert drop_from_difference(1.001 * band, u).p_drop > 0.99
        assert drop_from_difference(0.999 * band, u).p_drop < 0.99
