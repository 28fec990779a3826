"""The drop behind levels, against numerical integration, phasors and simulation."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from meterlink.assumptions import USUAL
from meterlink.circuit.setup import Hookup, Verdict
from meterlink.levels.drop import band_in_u, drop_modes, evaluate
from meterlink.levels.statistics import below_all, magnitude_cdf
from meterlink.levels.two_settings import LowSetting

NEUTRALS, GROUND, LINE = Hookup.NEUTRAL_NEUTRAL, Hookup.NEUTRAL_GROUND, Hookup.LINE_DROP
ASSUMED = USUAL.levels
PICKUP = replace(ASSUMED, background=0.0)  # nothing else runs: the phase is uniform
CASES = [
    (10.0, 200.0, 0.5),
    (10.0, 60.0, 2.0),
    (10.0, 14.0, 0.8),
    (10.0, 6.0, 0.8),
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
    some = (1 - ASSUMED.no_drop) * mass / ASSUMED.widest_drop_mv
    none = ASSUMED.no_drop * stats.norm.pdf(b, a, u)
    return some / (some + none), mean, square


@pytest.mark.parametrize(("a", "b", "u"), CASES)
def test_under_pickup_the_posterior_is_that_of_numerical_integration(a, b, u):
    p, mean, square = moments_by_quadrature(a, b, u)
    found = evaluate(NEUTRALS, a, b, u, assumed=PICKUP)
    sd = np.sqrt(p * square - (p * mean) ** 2)
    assert found.drop_mv == pytest.approx(p * mean, abs=0.02 * max(sd, u))
    assert found.p_drop == pytest.approx(p, abs=0.02)
    assert found.drop_u_mv >= 0.97 * min(sd, max(sd, u))


@settings(max_examples=80, deadline=None)
@given(
    st.sampled_from([NEUTRALS, GROUND]),
    st.floats(0.1, 900),
    st.floats(0.0, 3000),
    st.floats(0.05, 5),
)
def test_modes_lie_where_phases_allow_and_the_row_covers_them(hookup, a, b, u):
    found = evaluate(hookup, a, b, u)
    width = 6 * np.hypot(u, ASSUMED.sag_sd * a) + ASSUMED.sag * a
    assert sum(mode.weight for mode in found.modes) == pytest.approx(1.0)
    for mode in found.modes:
        assert -1e-9 <= mode.drop_mv <= a + b + width
        if mode.weight > 0.05 and found.p_drop > 0.99:
            assert abs(mode.drop_mv - found.drop_mv) <= 2.0 * found.drop_u_mv + 1e-9
    assert found.drop_u_mv >= u


def test_far_above_the_pickup_one_uncertainty_covers_68_percent_of_all_phases():
    # arcsine distribution: P(|a cos(phi)| <= x) = 2/pi asin(x/a)
    found = evaluate(NEUTRALS, 10.0, 1000.0, 0.05, assumed=PICKUP)
    assert found.drop_u_mv == pytest.approx(10.0 * np.sin(0.6827 * np.pi / 2), rel=0.02)
    assert found.drop_mv == pytest.approx(np.sqrt(1000.0**2 - 10.0**2), abs=0.2)


@pytest.mark.parametrize(("hookup", "truth_mv"), [(GROUND, (700.0,)), (NEUTRALS, (700.0, 1300.0))])
def test_a_large_idle_reading_is_a_current_that_adds_or_opposes(hookup, truth_mv):
    modes = evaluate(hookup, 300.0, 1000.0, 0.5).modes
    sag_mv = ASSUMED.sag * 300.0
    for true in truth_mv:
        sign = 1.0 if true < 1000.0 else -1.0
        near = [m for m in modes if abs(m.drop_mv - (true + sign * sag_mv)) < 2.0]
        assert sum(mode.weight for mode in near) > 0.3
        assert all(mode.u_mv < 10.0 for mode in near)
    heavy = sorted(modes, key=lambda mode: -mode.weight)[: len(truth_mv)]
    assert {round(mode.drop_mv / 100) for mode in heavy} == {round(d / 100) for d in truth_mv}


def test_a_small_idle_reading_is_pickup():
    (heaviest, *_) = evaluate(GROUND, 6.0, 500.0, 0.3).modes
    assert heaviest.weight > 0.85
    assert heaviest.drop_mv == pytest.approx(500.0, abs=0.2)


def test_no_jump_beside_a_current_from_neutral_to_ground_is_never_stated():
    found = evaluate(GROUND, 470.0, 470.0 * (1 - ASSUMED.sag), 1.0, smallest_drop_mv=1e4)
    assert found.verdict is Verdict.UNCLEAR
    assert any(abs(mode.drop_mv - 2 * 470.0) < 60.0 for mode in found.modes)


def test_equal_levels_say_no_drop():
    found = evaluate(NEUTRALS, 10.0, 10.0, 0.3, smallest_drop_mv=80.0)
    assert found.p_drop < 0.01
    assert found.verdict is Verdict.NOT_IN_PATH
    assert found.drop_u_mv >= found.limit_mv / 2.5


def test_a_reading_that_falls_says_drop():
    assert evaluate(NEUTRALS, 10.0, 4.0, 0.3).p_drop > 0.999


@settings(max_examples=80, deadline=None)
@given(
    st.floats(1.0, 600.0),
    st.floats(60.0, 1500.0),
    st.floats(0.0, np.pi),
    st.sampled_from([1.5, 2.0, 3.0]),
)
def test_two_settings_give_the_drop_at_any_phase(a, d_high, phase, ratio):
    shown = [abs(d + a * np.exp(1j * phase)) for d in (d_high / ratio, d_high)]
    still = replace(ASSUMED, sag=0.0, sag_sd=0.0)
    low = LowSetting(shown[0], 0.05, ratio)
    found = evaluate(NEUTRALS, a, shown[1], 0.05, low=low, assumed=still)
    assert abs(found.drop_mv - d_high) <= 3.5 * found.drop_u_mv + 0.02 * d_high
    if d_high > 2 * a:
        assert found.drop_u_mv < 0.12 * d_high


def test_two_settings_are_far_sharper_than_one_beside_a_current():
    shown = [abs(d + 300.0 * np.exp(0.4j)) for d in (400.0, 800.0)]
    one = evaluate(NEUTRALS, 300.0, shown[1], 1.0)
    two = evaluate(NEUTRALS, 300.0, shown[1], 1.0, low=LowSetting(shown[0], 1.0, 2.0))
    assert two.drop_u_mv < 0.1 * one.drop_u_mv
    assert abs(two.drop_mv - 800.0) < 3 * two.drop_u_mv


@pytest.mark.parametrize(("d", "a"), [(5.0, 10.0), (10.0, 5.0), (200.0, 10.0), (0.5, 12.0)])
def test_the_closed_distribution_is_that_of_random_phases(d, a):
    rng = np.random.default_rng(5)
    shown = np.abs(d + a * np.exp(1j * rng.uniform(0, 2 * np.pi, 40_000)))
    at = np.linspace(abs(d - a), d + a, 9)
    expected = [(shown <= m).mean() for m in at]
    assert magnitude_cdf(at, np.full(9, d), a) == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(("a", "u"), [(5.0, 0.3), (12.0, 1.0), (0.5, 0.5), (8.0, 0.02)])
def test_under_pickup_a_drop_at_the_limit_shows_in_95_of_100_tests(a, u):
    rng = np.random.default_rng(11)
    limit = evaluate(NEUTRALS, a, a, u, assumed=PICKUP).limit_mv

    def shows(d):
        phase = rng.uniform(0, 2 * np.pi, 20_000)
        b = np.abs(d + a * np.exp(1j * phase)) + rng.normal(0.0, u, phase.size)
        return (np.abs(b - a) > band_in_u(u) * u).mean()

    assert shows(limit) == pytest.approx(0.95, abs=0.02) or limit < 0.1 * u
    assert shows(1.3 * limit) >= 0.95
    assert shows(0.7 * limit) < 0.95


def test_a_signed_difference_at_its_limit_shows_in_95_of_100_tests():
    u = 2.0
    limit = evaluate(NEUTRALS, 0.0, 0.0, u, signed=True).limit_mv
    assert stats.norm.sf(band_in_u(u) * u, limit, u) == pytest.approx(0.95, abs=0.001)


@pytest.mark.parametrize("u", [0.1, 1.0, 5.0])
def test_the_band_is_where_the_verdict_turns(u):
    band = band_in_u(u) * u
    assert evaluate(NEUTRALS, 0.0, 1.001 * band, u, signed=True).p_drop > 0.99
    assert evaluate(NEUTRALS, 0.0, 0.999 * band, u, signed=True).p_drop < 0.99


@pytest.mark.parametrize(
    ("hookup", "idle", "on", "more", "drop"),
    [
        (LINE, 120_000.0, 115_000.0, {}, 5000.0),
        (LINE, 0.2, -40.0, {"signed": True}, 40.2),  # DC range: the supply's half waves sag
        (GROUND, -2.0, -90.0, {"signed": True}, 88.0),
        (GROUND, -2.0, -90.0, {"signed": True, "directed": True}, -88.0),
    ],
)
def test_levels_that_add_give_their_difference(hookup, idle, on, more, drop):
    found = evaluate(hookup, idle, on, 1.0, **more)
    assert found.drop_mv == pytest.approx(drop)
    assert found.verdict is Verdict.IN_PATH
    assert len(found.modes) == 1


def test_a_half_wave_load_beside_unseen_appliances_is_known_less_well():
    plain = evaluate(GROUND, 0.2, 400.0, 0.3, signed=True)
    beside = evaluate(GROUND, 0.2, 400.0, 0.3, signed=True, others=True)
    assert beside.drop_u_mv > 5 * plain.drop_u_mv
    assert evaluate(GROUND, 0.2, 6.0, 0.3, signed=True, others=True).verdict is not Verdict.IN_PATH


def test_modes_of_a_row_are_those_of_its_test():
    test = evaluate(NEUTRALS, 250.0, 900.0, 1.2)
    assert drop_modes(NEUTRALS, 250.0, 900.0, level_u_mv=1.2) == test.modes
    old_row = drop_modes(NEUTRALS, 250.0, 900.0)
    assert {round(mode.drop_mv, -1) for mode in old_row[:2]} == {
        round(mode.drop_mv, -1) for mode in test.modes[:2]
    }


def test_a_row_without_uncertainty_has_the_one_that_the_caller_assumes():
    loose = replace(USUAL, meter=replace(USUAL.meter, floor_u_mv=8.0))
    (usual,), (wide,) = (
        drop_modes(NEUTRALS, 0.5, 900.0, assumptions=one)[:1] for one in (USUAL, loose)
    )
    assert usual.u_mv < 4.0
    assert wide.u_mv >= 8.0


def test_the_normal_distribution_is_near_enough():
    x = np.linspace(-7.0, 7.0, 1401)
    assert np.abs(below_all(x) - stats.norm.cdf(x)).max() < 2e-4
