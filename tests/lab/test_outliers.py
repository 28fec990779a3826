"""Sources: Grubbs 1969, ASTM E178, ISO 5725-2, e-Handbook 1.3.5.17 (grubbs.csv and others)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lab.reference import facts, table

from meterlink.lab.uncertainty import (
    about_cells,
    about_design,
    cochran_critical,
    critical_value,
    deviations,
    mandel_h_critical,
    mandel_k_critical,
    suspects,
)

LAB = facts("lab_statistics.json")

# e-Handbook 1.3.5.17.1, mass spectrometer; data from memory, published G and limit reproduced.
SPECTROMETER = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]


@pytest.mark.parametrize("row", table("grubbs.csv"), ids=lambda row: row["n"])
def test_critical_values_are_those_of_the_published_table(row):
    n = int(row["n"])
    one_sided = [("one_sided_5pct", 0.05), ("one_sided_1pct", 0.01)]
    two_sided = [
        ("one_sided_2.5pct_or_two_sided_5pct", 0.05),
        ("one_sided_0.5pct_or_two_sided_1pct", 0.01),
    ]
    for column, level in one_sided:
        found = critical_value(n, level, two_sided=False)
        assert found == pytest.approx(float(row[column]), abs=5.1e-5)
    for column, level in two_sided:
        assert critical_value(n, level) == pytest.approx(float(row[column]), abs=5.1e-5)


def test_the_handbooks_outlier_is_named_with_its_statistic():
    (only,) = suspects(np.array(SPECTROMETER))
    assert only.index == 7
    assert only.statistic == pytest.approx(2.4687, abs=1e-4)  # 2.46876, printed cut off
    assert critical_value(8, two_sided=False) == pytest.approx(2.032, abs=5e-4)


def test_two_outliers_do_not_hide_each_other():
    rng = np.random.default_rng(11)
    values = rng.normal(100, 1, 30)
    values[[4, 20]] = 112, 112.2
    assert suspects(values)[0].statistic > 0
    assert {found.index for found in suspects(values)} == {4, 20}


@pytest.mark.parametrize("values", [[], [1.0], [1.0, 5.0], [2.0, 2.0, 9.0], [3.0] * 20])
def test_too_few_values_or_no_spread_name_nothing(values):
    assert suspects(np.array(values)) == ()


def test_a_series_without_outliers_is_suspected_as_often_as_stated():
    rng = np.random.default_rng(5)
    named = sum(bool(suspects(rng.normal(0, 1, 12))) for _ in range(1000))
    # Two suspects are looked for among 12, at 5 % and 1 %: 57 expected, binomial sd 7.3.
    assert 36 <= named <= 80


@given(
    st.lists(st.floats(-1e6, 1e6), min_size=3, max_size=40),
    st.floats(-1e6, 1e6),
)
def test_no_more_are_named_than_there_is_room_for(values, offset):
    found = suspects(np.array(values) + offset)
    assert len(found) <= max(2, len(values) // 5)
    assert len({one.index for one in found}) == len(found)


def test_rosners_fifty_four_values_give_the_published_steps_and_three_outliers():
    example = LAB["rosner_generalized_esd"]
    values = np.array(example["data"])
    steps = deviations(values)
    assert [one.statistic for one in steps] == pytest.approx(example["R"], abs=6e-7)
    assert [one.limit for one in steps] == pytest.approx(example["lambda"], abs=6e-7)
    # The first two tests fail, the third passes: stopping at the first would find none.
    found = suspects(values)
    assert len(found) == example["outliers"]
    assert [float(values[one.index]) for one in found] == example["removed"]


@pytest.mark.parametrize("n", [7, 8, 9])
def test_two_that_mask_each_other_are_both_named_from_few_values(n):
    values = np.random.default_rng(n).normal(100, 1, n)
    values[[1, 4]] = 130, 131
    assert {one.index for one in suspects(values)} == {1, 4}


def test_an_outlier_about_a_drift_is_named_about_the_line_alone():
    rng = np.random.default_rng(2)
    x = np.arange(40.0)
    values = 2 * x + rng.normal(0, 1, 40)
    values[10] += 12
    line = np.column_stack([np.ones(40), x])
    assert suspects(values) == ()
    assert [one.index for one in suspects(values, about_design(values, line))] == [10]


def test_a_study_is_searched_about_its_cells_however_few_each_has():
    rng = np.random.default_rng(3)
    cells = np.repeat(np.arange(30), 3)  # three trials a cell: too few for a test of their own
    values = 10.0 * cells + rng.normal(0, 1, 90)
    values[44] += 9
    (found,) = suspects(values, about_cells(values, cells))
    assert found.index == 44
    assert found.twin is None


def test_of_two_in_a_cell_nobody_can_say_which_one_is_wrong():
    rng = np.random.default_rng(4)
    cells = np.repeat(np.arange(20), 2)
    values = rng.normal(0, 1, 40)
    values[6] += 25
    (found,) = suspects(values, about_cells(values, cells))
    assert {found.index, found.twin} == {6, 7}


def test_the_limit_for_residuals_of_a_mean_is_grubbs():
    (one,) = deviations(np.array(SPECTROMETER), most=1)
    assert one.limit == critical_value(8)


def test_cochrans_limits_are_the_published_and_the_computed_ones():
    published = LAB["cochran_C"]["published_5_percent"]
    for p, row in published["rows_p"].items():
        found = [cochran_critical(int(p), n, 0.05) for n in published["columns_n"]]
        assert found == pytest.approx(row, abs=6e-4), p  # printed cut off in places
    computed = LAB["cochran_C"]["computed"]
    for name, level in (("one_percent", 0.01), ("five_percent", 0.05)):
        for p, row in zip(computed["p"], computed[name], strict=True):
            found = [cochran_critical(p, n, level) for n in computed["columns_n"]]
            assert found == pytest.approx(row, abs=5.1e-5)


@pytest.mark.parametrize(
    ("name", "level"), [("one_percent", 0.01), ("five_percent", 0.05), ("half_percent", 0.005)]
)
def test_mandels_limits_are_those_of_the_tables(name, level):
    mandel = LAB["mandel"]
    for place, p in enumerate(mandel["p"]):
        assert mandel_h_critical(p, level) == pytest.approx(mandel[f"h_{name}"][place], abs=5.01e-4)
        for n in (2, 3):
            if f"k_n{n}_{name}" in mandel:
                assert mandel_k_critical(p, n, level) == pytest.approx(
                    mandel[f"k_n{n}_{name}"][place], abs=5.01e-4
                )
