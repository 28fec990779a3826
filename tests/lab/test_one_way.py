"""Sources: NIST StRD SiRstv; ISO 5725-2:1994 B.1, B.2; ASTM E691; e-Handbook 2.4.4, 1.3.5.7."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lab.reference import facts, table
from scipy import stats

from meterlink.errors import LabError
from meterlink.lab.one_way import one_way

GAUGES = facts("gauge_studies.json")
LAB = facts("lab_statistics.json")


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


@pytest.mark.parametrize("material", LAB["e691_glucose"]["results"])
def test_glucose_in_eight_laboratories_has_the_published_figures(material):
    study = LAB["e691_glucose"]
    found = one_way(*levels(study["data"][material]))
    published = study["results"][material]
    assert found.mean_of_levels == pytest.approx(published["mean"], abs=5.1e-5)
    assert found.s_repeatability == pytest.approx(published["s_r"], abs=5.1e-5)
    assert found.s_reproducibility == pytest.approx(published["s_R"], abs=5.1e-5)
    means = [level.mean for level in found.levels]
    assert np.std(means, ddof=1) == pytest.approx(published["s_xbar"], abs=5.1e-5)
    if "r" in published:
        assert found.repeatability_limit == pytest.approx(published["r"], abs=0.005)
        assert found.reproducibility_limit == pytest.approx(published["R"], abs=0.005)


@pytest.mark.parametrize(("material", "laboratory", "k"), [("C", 4, 2.41), ("E", 2, 2.33)])
def test_mandels_k_names_the_laboratories_that_scatter(material, laboratory, k):
    study = LAB["e691_glucose"]
    found = one_way(*levels(study["data"][material]))
    level = found.levels[laboratory - 1]
    assert level.k == pytest.approx(k, abs=0.005)
    assert level.k_limits is not None
    assert level.k > level.k_limits[1]
    assert [other.k > other.k_limits[1] for other in found.levels].count(True) == 1


@pytest.mark.parametrize("place", range(3))
def test_softening_of_pitch_has_the_published_figures(place):
    study, name = LAB["iso_5725_2_pitch"], ("level_1", "level_2", "level_4")[place]
    published = study["published"]
    pairs = [row for row in study[name] if len(row) == 2]
    found = one_way(*levels(pairs))
    assert len(pairs) == published["p"][place]
    assert found.mean_of_levels == pytest.approx(published["m"][place], abs=0.006)
    assert found.s_repeatability == pytest.approx(published["s_r"][place], abs=0.0006)
    # The figures of level 4 are from memory; recomputed they are 0.003 off (noted there).
    assert found.s_reproducibility == pytest.approx(published["s_R"][place], abs=0.0035)
    assert found.cochran is not None
    assert found.cochran.c == pytest.approx(published["cochran"][place], abs=0.0006)


def test_cochrans_c_of_the_pairs_example():
    example = LAB["cochran_C"]["pairs_example"]
    rows = [[k + 0.0, k + math.sqrt(d)] for k, d in enumerate(example["squared_differences"])]
    found = one_way(*levels(rows)).cochran
    assert found is not None
    assert found.c == pytest.approx(example["C_exact"], abs=5e-5)
    assert found.limits[0] == pytest.approx(example["critical_5_percent_p10_n2"], abs=6e-4)


def test_the_gears_of_the_handbook_scatter_unequally():
    gear = LAB["gear"]
    found = one_way(*levels(gear["data"])).cochran
    assert found is not None
    assert found.c == pytest.approx(gear["cochran_C"], abs=5e-6)
    assert found.level == gear["cochran_batch"] - 1
    assert found.limits[0] == pytest.approx(gear["cochran_critical_5_percent"], abs=5e-6)
    # Bartlett's test says the same: SciPy against the certified figure, 12 digits.
    theirs = stats.bartlett(*gear["data"])
    assert theirs.statistic == pytest.approx(gear["bartlett_T"], rel=1e-11)
    assert theirs.pvalue < 0.05
    assert found.c > found.limits[0]


def test_levels_that_look_more_alike_than_their_trials_allow_do_not_make_the_mean_certain():
    rng = np.random.default_rng(5)
    rows = [rng.normal(0, 1, 10) for _ in range(4)]
    rows = [row - row.mean() + 100 for row in rows]  # all means equal
    found = one_way(*levels(rows))
    assert found.u_mean == pytest.approx(found.s_repeatability / math.sqrt(40))
    assert found.dof_mean == 36
    two = one_way(*levels(rows[:2]))
    assert two.dof_mean == 1


def test_two_more_trials_differ_by_more_once_in_twenty():
    rng = np.random.default_rng(12)
    beyond = [0, 0]
    for _ in range(1500):
        shifts = rng.normal(0, 1, 7)
        found = one_way(*levels([rng.normal(shift, 1, 3) for shift in shifts[:5]]))
        one, other = rng.normal(0, 1, 2)
        beyond[0] += abs(one - other) > found.repeatability_difference
        beyond[1] += abs(one - other + shifts[5] - shifts[6]) > found.reproducibility_difference
    assert beyond[0] == pytest.approx(75, abs=26)  # binomial sd 8.4
    assert beyond[1] == pytest.approx(75, abs=40)  # Satterthwaite is an approximation
