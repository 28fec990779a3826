"""Sources: NIST/SEMATECH e-Handbook 1.3.6.7.2 and JCGM 100 Table G.2 (quantiles.csv); SciPy."""

import math
import sys

import pytest
from lab.reference import table
from scipy import stats

from meterlink.lab import quantiles
from meterlink.lab.errors import LabError
from meterlink.lab.quantiles import (
    chi_square_tails,
    coverage_factor,
    f_upper_p,
    t_quantile,
    t_two_sided_p,
)


@pytest.mark.parametrize("row", table("quantiles.csv"), ids=lambda r: r["degrees_of_freedom"])
def test_quantiles_of_students_t_are_those_of_the_printed_tables(row):
    dof = float(row["degrees_of_freedom"])
    for name, printed in row.items():
        if name.startswith("p_"):
            assert t_quantile(float(name[2:]), dof) == pytest.approx(float(printed), abs=6e-7)


@pytest.mark.parametrize("dof", [1, 3.5, 10, 200])
@pytest.mark.parametrize("x", [0.0, 0.4, 2.3, 9.0])
def test_tails_are_those_of_scipys_distributions(dof, x):
    assert t_two_sided_p(-x, dof) == pytest.approx(2 * stats.t.sf(x, dof), rel=1e-9)
    below, above = chi_square_tails(x, dof)
    assert below == pytest.approx(stats.chi2.cdf(x, dof), rel=1e-9, abs=1e-300)
    assert above == pytest.approx(stats.chi2.sf(x, dof), rel=1e-9)
    assert f_upper_p(x, 4, dof) == pytest.approx(stats.f.sf(x, 4, dof), rel=1e-9)


def test_an_infinite_ratio_has_no_chance():
    assert f_upper_p(math.inf, 3, 9) == 0.0


@pytest.mark.parametrize(("dof", "whole"), [(16.7, 16), (8.9999999999999, 9), (9.0000001, 9)])
def test_degrees_of_freedom_are_truncated_before_the_look_up(dof, whole):
    assert coverage_factor(dof, 0.95) == t_quantile(0.975, whole)


def test_less_than_one_degree_of_freedom_is_refused():
    with pytest.raises(LabError, match="Less than one degree"):
        coverage_factor(0.9, 0.95)


def test_a_missing_scipy_is_said_with_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "scipy.special", None)
    quantiles._special.cache_clear()
    with pytest.raises(LabError, match="pip install 'scipy"):
        t_quantile(0.975, 4)
    quantiles._special.cache_clear()
