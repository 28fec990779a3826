"""Repeat trials in Python: arrays in, a result out."""

import numpy as np
import pytest
from lab.reference import facts

from meterlink.errors import LabError
from meterlink.lab.series import Terms
from meterlink.lab.study import trials


def test_arrays_are_evaluated_as_a_log_is():
    values = np.random.default_rng(1).normal(150, 1, 20)
    values[4] = 190
    found = trials(values, u=np.ones(20), terms=Terms(known=(150, 0.1)))
    assert found.summary.mean == pytest.approx(values.mean())
    assert found.suspects == (4,)
    assert found.summary.bias is not None
    assert "20 trials" in str(found)


def test_levels_are_compared_by_their_labels():
    rng = np.random.default_rng(2)
    by = ["Ann", "Ben"] * 10
    found = trials(rng.normal(100, 1, 20) + [3 * (who == "Ben") for who in by], by)
    assert found.comparison is not None
    assert found.comparison.levels == (("Ann", "Ben"),)
    assert found.comparison.one_way is not None
    assert found.comparison.one_way.differs
    assert "by by: levels differ" in str(found)


def test_a_pair_of_labels_is_a_crossed_study():
    study = facts("gauge_studies.json")["msa_crossed"]
    cells = np.array(study["data"]).reshape(10, 3, 3)
    parts, appraisers, _ = np.indices(cells.shape)
    found = trials(cells.ravel(), (parts.ravel(), appraisers.ravel()))
    assert found.comparison is not None
    assert found.comparison.crossed is not None
    assert found.comparison.crossed.s_gauge == pytest.approx(study["anova"]["GRR"], rel=1e-5)
    assert "distinct categories: 4.9" in str(found)


@pytest.mark.parametrize(
    ("values", "options", "message"),
    [
        ([], {}, "expected"),
        ([[1.0]], {}, "shape"),
        ([1, float("nan"), 3], {}, r"values\[1\] is nan"),
        ([1, 2, float("inf")], {}, r"values\[2\] is inf"),
        ([1e200, 2], {}, r"values\[0\] is 1e\+200"),
        (["a", "b"], {}, "are no numbers"),
        ([1, 2], {"u": [1]}, "u has shape"),
        ([1, 2], {"by": ["x"]}, "by has shape"),
        ([1, 2], {"time_s": [1, float("nan")]}, "time_s"),
    ],
)
def test_what_is_no_series_is_refused_with_what_is_wrong(values, options, message):
    with pytest.raises(LabError, match=message):
        trials(values, **options)
