"""Sources: JCGM 100:2008, H.3 (gum_examples.json); Zwiers and von Storch 1995; SciPy."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lab.logs import drops, write_log
from lab.reference import facts
from scipy import stats

from meterlink.lab.series import LEAST_TRIALS, effective_number, fit, mean_inflation


def process(rng, n, rho):
    """A first-order process of unit variance."""
    values = rng.standard_normal(n)
    for place in range(1, n):
        values[place] = rho * values[place - 1] + math.sqrt(1 - rho * rho) * values[place]
    return values


def test_the_guides_thermometer_h_3_gives_the_published_line():
    example = facts("gum_examples.json")["H.3"]
    x = np.array(example["t_C"]) - example["t0_C"]
    found = fit(np.array(example["b_C"]), x)
    published = example["published"]
    assert found.slope is not None
    # The level is that at the mean of x; the published intercept is at 20 degrees.
    across = float(x.mean()) * found.slope.u
    u_intercept = math.hypot(found.level.u, across)
    intercept = found.level.value - float(x.mean()) * found.slope.value
    assert intercept == pytest.approx(published["intercept"], abs=5e-5)
    assert u_intercept == pytest.approx(published["u_intercept"], abs=5e-5)
    assert found.slope.value == pytest.approx(published["slope"], abs=5e-6)
    assert found.slope.u == pytest.approx(published["u_slope"], abs=5e-6)
    assert -across / u_intercept == pytest.approx(published["r"], abs=5e-3)
    assert found.sd == pytest.approx(published["s"], abs=5e-5)
    assert found.slope.dof == pytest.approx(9)


@given(st.integers(0, 10**6), st.integers(3, LEAST_TRIALS - 1))
def test_few_trials_get_least_squares_as_scipy_has_it(seed, n):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 5, n), rng.normal(100, 1, n)
    slope, theirs = fit(y, x).slope, stats.linregress(x, y)
    assert slope is not None
    assert slope.value == pytest.approx(theirs.slope, rel=1e-6, abs=1e-9)
    assert slope.u == pytest.approx(theirs.stderr, rel=1e-6, abs=1e-9)
    assert slope.p == pytest.approx(theirs.pvalue, rel=1e-5, abs=1e-9)


@pytest.mark.parametrize(("slope", "p"), [(0.0, 1.0), (2.0, 0.0)])
@pytest.mark.parametrize("n", [4, 40])
def test_points_without_scatter_are_certain_of_their_slope(n, slope, p):
    x = np.arange(float(n))
    found = fit(slope * x, x).slope
    assert found is not None
    assert found.value == pytest.approx(slope)
    assert found.p == p


@pytest.mark.parametrize("example", facts("lab_statistics.json")["effective_number"]["examples"])
def test_the_effective_number_is_that_of_the_reference(example):
    n = effective_number(example["n"], example["r1"])
    if example["r1"] < 0:  # the reference's rule: neighbours that swing count as independent
        assert n == example["n"]
    else:
        assert n == pytest.approx(example["n_eff"], abs=5e-5)
        assert math.sqrt(example["n"] / n) == pytest.approx(example["se_factor"], abs=6e-5)


@pytest.mark.parametrize("rho", [0.0, 0.3, 0.8, 0.98])
@pytest.mark.parametrize("n", [2, 15, 100])
def test_the_variance_of_a_mean_is_that_of_all_its_correlations_summed(n, rho):
    lags = np.arange(1, n)
    expected = 1 + 2 * float(np.sum((1 - lags / n) * rho**lags))
    assert float(mean_inflation(n, np.array([rho]))[0]) == pytest.approx(expected, rel=1e-9)


def test_a_fit_at_one_strength_is_generalised_least_squares(monkeypatch):
    # By the whole matrix of correlations, which the module never makes.
    rng = np.random.default_rng(7)
    n, rho = 20, 0.6
    x = np.arange(float(n))
    y = 5 + 0.1 * x + process(rng, n, rho)
    monkeypatch.setattr("meterlink.lab.series._STRENGTHS", np.array([rho]))
    monkeypatch.setattr("meterlink.lab.series._PRIOR", np.ones(1))
    found = fit(y, x)
    inverse = np.linalg.inv(rho ** np.abs(np.subtract.outer(x, x)))
    design = np.column_stack([np.ones(n), x])
    normal = np.linalg.inv(design.T @ inverse @ design)
    b = normal @ design.T @ inverse @ y
    rest = y - design @ b
    variance = rest @ inverse @ rest / (n - 2)
    assert found.slope is not None
    assert found.slope.value == pytest.approx(b[1])
    assert found.slope.u == pytest.approx(math.sqrt(variance * normal[1, 1]))
    assert found.sd == pytest.approx(math.sqrt(variance))


@pytest.mark.parametrize(("rho", "slope"), [(0.0, 0.0), (0.0, 3.0), (0.3, 0.0), (0.8, 0.0)])
def test_a_hundred_trials_say_how_well_they_know_their_mean(rho, slope):
    # The long table is tests/benchmarks/lab_coverage.py; 300 series here, binomial sd 1.3 %.
    rng = np.random.default_rng(1)
    x = np.linspace(-0.5, 0.5, 100)
    inside = claimed = 0
    for _ in range(300):
        y = process(rng, 100, rho) + slope * x
        drift = fit(y, x).slope
        drifts = drift is not None and drift.p < 0.05
        claimed += drifts
        level = fit(y, x if drifts else None).level
        inside += abs(level.value) <= stats.t.ppf(0.975, level.dof) * level.u
    assert 0.91 <= inside / 300 <= 0.99
    assert claimed / 300 > 0.95 if slope else claimed / 300 < 0.09


def test_dependence_that_is_there_is_counted_and_alternation_is_not():
    sets = {one["name"]: one for one in facts("nist_strd_univariate.json")["datasets"]}
    michelson = fit(np.array(sets["Michelso"]["data"], dtype=float))
    assert 15 < michelson.n_effective < 45  # 30 by the formula for long series
    swings = fit(np.array(sets["Lew"]["data"], dtype=float))  # r1 is -0.31
    assert swings.rho < 0.01
    assert swings.n_effective > 190


@pytest.mark.parametrize(("n", "said"), [(LEAST_TRIALS - 1, True), (LEAST_TRIALS, False)])
def test_where_independence_is_assumed_that_is_said(tmp_path, meterlink, n, said):
    values = 150 + np.random.default_rng(3).standard_normal(n)
    log = write_log(tmp_path / "tests.csv", drops(*values))
    done = meterlink("trials", log)
    assert done.code == 0
    assert ("counted as independent of each other: fewer than 15" in done.out) is said
