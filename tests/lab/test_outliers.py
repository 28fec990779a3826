"""Sources: Grubbs 1969, ASTM E178, ISO 5725-2 Table 5, e-Handbook 1.3.5.17 (grubbs.csv)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lab.reference import table

from meterlink.lab.outliers import critical_value, suspects

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
    # Two suspects are looked for among 12, each step at 5 %: 5 % and a little more.
    assert 30 <= named <= 90


@given(
    st.lists(st.floats(-1e6, 1e6), min_size=3, max_size=40),
    st.floats(-1e6, 1e6),
)
def test_no_more_are_named_than_there_is_room_for(values, offset):
    found = suspects(np.array(values) + offset)
    assert len(found) <= max(1, len(values) // 5)
    assert len({one.index for one in found}) == len(found)
