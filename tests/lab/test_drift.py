"""Source: JCGM 100:2008, H.3, calibration of a thermometer (gum_examples.json); SciPy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lab.reference import facts
from scipy import stats

from meterlink.lab.drift import fit_line


def test_the_guides_thermometer_h_3_gives_the_published_line():
    example = facts("gum_examples.json")["H.3"]
    x = np.array(example["t_C"]) - example["t0_C"]
    line = fit_line(x, np.array(example["b_C"]))
    published = example["published"]
    assert line is not None
    assert line.intercept == pytest.approx(published["intercept"], abs=5e-5)
    assert line.u_intercept == pytest.approx(published["u_intercept"], abs=5e-5)
    assert line.slope == pytest.approx(published["slope"], abs=5e-6)
    assert line.u_slope == pytest.approx(published["u_slope"], abs=5e-6)
    assert line.r == pytest.approx(published["r"], abs=5e-3)
    assert line.s == pytest.approx(published["s"], abs=5e-5)
    assert line.dof == 9


@given(st.integers(0, 10**6), st.integers(3, 60))
def test_slope_and_its_significance_are_those_of_scipys_regression(seed, n):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 5, n), rng.normal(100, 1, n)
    line, theirs = fit_line(x, y), stats.linregress(x, y)
    assert line is not None
    assert line.slope == pytest.approx(theirs.slope, rel=1e-6, abs=1e-9)
    assert line.p == pytest.approx(theirs.pvalue, rel=1e-5, abs=1e-9)


@pytest.mark.parametrize("x", [[], [1.0], [1.0, 2.0], [4.0, 4.0, 4.0]])
def test_no_line_goes_through_too_few_points_or_one_place(x):
    assert fit_line(np.array(x), np.ones(len(x))) is None


@pytest.mark.parametrize(("slope", "p"), [(0.0, 1.0), (2.0, 0.0)])
def test_points_without_scatter_are_certain_of_their_slope(slope, p):
    x = np.arange(4.0)
    line = fit_line(x, slope * x)
    assert line is not None
    assert line.p == p
