"""Sources: NIST StRD SiRstv; ISO 5725-2:1994 B.1; NIST/SEMATECH e-Handbook 2.4.4; SciPy."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lab.reference import facts, table
from scipy import stats

from meterlink.lab.errors import LabError
from meterlink.lab.oneway import one_way

GAUGES = facts("gauge_studies.json")


def levels(rows):
    """Values and codes of values listed by level."""
    values = [value for row in rows for value in row]
    codes = [code for code, row in enumerate(rows) for _ in row]
    return np.array(values, dtype=float), np.array(codes)


def test_the_certified_analysis_of_five_instruments_comes_back():
    rows = table("nist_strd_sirstv.csv")
    values = np.array([float(row["resistance"]) for row in rows])
    codes = np.array([int(row["instrument"]) - 1 for row in rows])
    found = one_way(values, codes)
    # Certified values, to the digits that NIST gives and double precision holds.
    assert found.ss_between == pytest.approx(5.11462616000000e-02, rel=1e-9)
    assert found.ss_within == pytest.approx(2.16636560000000e-01, rel=1e-10)
    assert found.f == pytest.approx(1.18046237440255, rel=1e-9)
    assert found.s_repeatability == pytest.approx(1.04076068334656e-01, rel=1e-10)
    assert (found.dof_between, found.dof_within) == (4, 20)


def test_repeatability_and_reproducibility_of_coal_in_eight_laboratories():
    example = GAUGES["iso_5725_2_coal_level_1"]
    values, codes = levels(example["data"])
    found = one_way(values, codes)
    published = example["published"]
    assert values.mean() == pytest.approx(published["m"], abs=0.005)
    assert found.s_repeatability == pytest.approx(published["s_r"], abs=0.0005)
    assert found.s_reproducibility == pytest.approx(published["s_R"], abs=0.0005)


def test_pooled_repeatability_of_five_check_standards():
    example = GAUGES["nist_pooled_repeatability"]
    rows = []
    for place, ss in enumerate(example["sum_of_squares"].values()):
        half = math.sqrt(ss / 2)  # 61 values with the published sum of squares
        rows.append([place + half, place - half, *[float(place)] * 59])
    found = one_way(*levels(rows))
    assert found.dof_within == example["published"]["df"]
    assert found.ss_within == pytest.approx(example["published"]["SS"], abs=1.1e-5)
    assert found.s_repeatability == pytest.approx(example["published"]["s1"], abs=5e-5)


@given(
    st.integers(0, 10**6),
    st.lists(st.integers(1, 6), min_size=2, max_size=6).filter(lambda n: max(n) > 1),
)
def test_f_and_p_are_those_of_scipy_also_for_uneven_levels(seed, sizes):
    rng = np.random.default_rng(seed)
    rows = [rng.normal(100 + rng.normal(), 1, n) for n in sizes]
    found, theirs = one_way(*levels(rows)), stats.f_oneway(*rows)
    assert found.f == pytest.approx(theirs.statistic, rel=1e-6)
    assert found.p == pytest.approx(theirs.pvalue, rel=1e-6)
    assert found.s_reproducibility >= found.s_repeatability


def test_components_that_made_the_values_are_found_again():
    rng = np.random.default_rng(21)
    rows = [rng.normal(50 + rng.normal(0, 2), 1, 10) for _ in range(200)]
    found = one_way(*levels(rows))
    assert found.s_repeatability == pytest.approx(1, rel=0.05)
    assert found.s_between == pytest.approx(2, rel=0.15)  # 3 sd of an sd from 200 levels
    assert found.dof_reproducibility < found.dof_within


def test_levels_alike_have_no_part_between():
    found = one_way(*levels([[1.0, 3.0], [2.0, 2.0], [3.0, 1.0]]))
    assert found.s_between == 0
    assert found.s_reproducibility == found.s_repeatability
    assert not found.differs


def test_levels_without_spread_inside_differ_for_certain():
    found = one_way(*levels([[1.0, 1.0], [2.0, 2.0]]))
    assert (found.f, found.p, found.s_repeatability) == (math.inf, 0.0, 0.0)
    assert found.s_between == pytest.approx(math.sqrt(0.5))


def test_equal_values_everywhere_give_no_ratio_and_no_difference():
    found = one_way(*levels([[4.0, 4.0], [4.0, 4.0]]))
    assert math.isnan(found.f)
    assert math.isnan(found.p)
    assert not found.differs


@pytest.mark.parametrize(
    ("rows", "why"), [([[1.0, 2.0]], "one level only"), ([[1.0], [2.0]], "no level has two")]
)
def test_what_cannot_be_compared_is_said(rows, why):
    with pytest.raises(LabError, match=why):
        one_way(*levels(rows))
