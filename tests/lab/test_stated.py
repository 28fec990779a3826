"""Source: chi-square against SciPy; expectations by construction."""

import numpy as np
import pytest
from scipy import stats

from meterlink.lab.stated import Agreement, check_stated


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
