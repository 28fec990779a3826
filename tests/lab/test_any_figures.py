"""Figures of any size, and few or many of them, are evaluated without a warning or a defect."""

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from lab.logs import write_log

from meterlink.errors import MeterlinkError
from meterlink.lab.figures import study_csv, study_json, study_lines
from meterlink.lab.page import render_page
from meterlink.lab.series import Terms
from meterlink.lab.study import study_logs, trials
from meterlink.lab.table import Question

CELLS = (
    st.floats(allow_nan=True, allow_infinity=True)
    | st.floats(-1e16, 1e16)
    | st.sampled_from([0.0, 1e-300, -1e-300, 5e-324, 1e100, 1e155, 1e300, 1e15, 150.0, 0.15])
)
WORDS = st.sampled_from(["in-path", "not-in-path", "unclear", "", "?"])


def all_outputs(study):
    """Everything that is made of an evaluation."""
    return study_json(study), study_csv(study), list(study_lines(study)), render_page(study)


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=80, deadline=None
)
@given(
    st.lists(st.tuples(CELLS, CELLS, st.sampled_from("AB"), WORDS), min_size=1, max_size=40),
    st.sampled_from([(), ("operator",), ("load_at", "operator")]),
    st.sampled_from([Terms(), Terms(known=(1e15, 0.0)), Terms(resolution=1e-300)]),
)
@example([(1e-300, 5e-324, "A", "in-path"), (1.0, 1.0, "B", "in-path")] * 10, (), Terms())
@example(
    [(1e15, 1e-300, "A", "in-path"), (-1e15, 1e15, "B", "in-path")] * 10, ("operator",), Terms()
)
def test_a_log_of_any_figures_is_evaluated_or_refused(tmp_path, rows, factors, terms):
    table = [
        {"drop_mV": value, "drop_u_mV": u, "operator": who, "verdict": verdict,
         "load_at": "XYZ"[place % 3], "test": 1 + place % 17}
        for place, (value, u, who, verdict) in enumerate(rows)
    ]  # fmt: skip
    path = write_log(tmp_path / "log.csv", table, extra=("operator",))
    groups = () if "load_at" in factors else ("setup",)
    try:
        study = study_logs([path], Question(groups=groups, factors=factors), terms)
    except MeterlinkError:
        return
    assert all(all_outputs(study))


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 60), st.floats(-1e6, 1e6), st.floats(1e-6, 1e6))
def test_shift_and_unit_change_nothing_but_shift_and_unit(seed, n, shift, unit):
    values = np.random.default_rng(seed).normal(0, 1, n)
    plain, moved = trials(values), trials(unit * values + shift)
    assert moved.suspects == plain.suspects
    if plain.summary.u_repeat and unit > 1e-6 * abs(shift):
        assert moved.summary.u_repeat == pytest.approx(unit * plain.summary.u_repeat, rel=1e-5)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(4, 40))
def test_renamed_levels_keep_the_comparison(seed, n):
    rng = np.random.default_rng(seed)
    values, by = rng.normal(0, 1, n), rng.integers(0, 3, n)
    names = np.array(["x", "y", "z"])[by]
    one, other = trials(values, by).comparison, trials(values, names).comparison
    assert one is not None
    assert other is not None
    assert one.one_way == other.one_way
    assert one.why_not == other.why_not
