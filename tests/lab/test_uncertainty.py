"""Sources: JCGM 100:2008, G.4.1, H.1, Table G.2; e-Handbook 1.3.6.7.2; SciPy; CRAN VCA's tests."""

import math
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lab.reference import facts, table
from scipy import stats

from meterlink.errors import LabError, MeterlinkError, UsageError
from meterlink.lab import uncertainty
from meterlink.lab.uncertainty import (
    Component,
    chi_square_tails,
    combine,
    coverage_factor,
    effective_dof,
    f_quantile,
    f_upper_p,
    parse_component,
    parse_known,
    rounded,
    sd_limits,
    t_quantile,
    t_two_sided_p,
)

GUM = facts("gum_examples.json")


def test_effective_degrees_of_freedom_of_the_guides_example_g_4_1():
    example = GUM["G.4.1_welch_satterthwaite"]
    parts = list(zip(example["relative_u_percent"], example["nu"], strict=True))
    found = combine(parts, 0.95)
    published = example["published"]
    assert found.u == pytest.approx(published["u_c_percent"], abs=0.005)
    assert found.dof == pytest.approx(published["nu_eff"], abs=0.05)
    assert found.expanded == pytest.approx(published["U95_percent"], abs=0.05)
    # The guide prints 18.98 as 19.0 and looks up 19; its own rule in the same clause, and here, is
    # to go down to the next whole number: 18, which makes k 2.10.
    assert t_quantile(0.975, 19) == pytest.approx(published["t95"], abs=0.005)
    assert found.k == t_quantile(0.975, 18)


def test_expanded_uncertainty_of_the_guides_end_gauge_h_1():
    example = GUM["H.1"]
    parts = list(zip(example["components_nm"].values(), example["degrees_of_freedom"], strict=True))
    found = combine(parts, 0.99)
    published = example["published"]
    assert round(found.u) == published["u_c_nm"]
    assert math.floor(found.dof) == published["nu_eff"]
    assert found.k == pytest.approx(published["t99"], abs=0.005)
    # The guide multiplies rounded figures, 2.92 * 32 nm = 93 nm.
    assert found.k * round(found.u) == pytest.approx(published["U99_nm"], abs=0.5)


def test_an_exactly_known_part_adds_size_and_freedom():
    assert effective_dof([(3.0, 4.0), (4.0, math.inf)]) == pytest.approx(4 * (25 / 9) ** 2)


def test_nothing_uncertain_keeps_the_smallest_freedom():
    found = combine([(0.0, 4.0), (0.0, math.inf)], 0.95)
    assert (found.u, found.expanded, found.dof) == (0.0, 0.0, 4.0)


@given(st.lists(st.tuples(st.floats(0, 1e300), st.floats(1, 1e9)), min_size=1, max_size=6))
def test_freedom_lies_between_the_smallest_part_and_the_sum(parts):
    found = effective_dof(parts)
    dofs = [dof for _, dof in parts]
    assert min(dofs) * (1 - 1e-9) <= found <= sum(dofs) * (1 + 1e-9)


@pytest.mark.parametrize(
    ("text", "component"),
    [
        ("0.5", Component(0.5, relative=False, dof=math.inf)),
        ("0.3%", Component(0.003, relative=True, dof=math.inf)),
        (" .25 % : 8 ", Component(0.0025, relative=True, dof=8)),
        ("2:12.5", Component(2.0, relative=False, dof=12.5)),
    ],
)
def test_a_component_is_read_from_what_a_person_writes(text, component):
    assert parse_component(text) == component


@pytest.mark.parametrize(
    "text", ["", "mV", "0.5mV", "-1", "1:0", "1:-3", "nan", "inf", "1e400", "1:2:3"]
)
def test_what_is_no_component_is_refused_with_examples(text):
    with pytest.raises(UsageError, match=r"0\.5:8"):
        parse_component(text)


@given(st.text(max_size=80))
def test_any_text_is_a_finite_component_or_refused(text):
    try:
        found = parse_component(text)
    except MeterlinkError:
        return
    assert math.isfinite(found.size(1.0))
    assert found.dof >= 1


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
    uncertainty._special.cache_clear()
    with pytest.raises(LabError, match="pip install 'scipy"):
        t_quantile(0.975, 4)
    uncertainty._special.cache_clear()


@pytest.mark.parametrize("name", ["total", "error"])
def test_limits_of_standard_deviations_are_those_of_the_published_programs(name):
    study = facts("lab_statistics.json")["nested_variance_components"][0]
    squares, dofs = study["mean_squares"], study["df"]
    shares = {"day": 1 / 4, "run": 1 / 2 - 1 / 4, "error": 1 - 1 / 2}  # 2 runs of 2
    parts = [
        (math.sqrt(shares[source] * squares[source]), dof)
        for source, dof in zip(shares, dofs, strict=True)
    ]
    dof = effective_dof(parts)
    assert dof == pytest.approx(study["df_total"], rel=1e-7)
    total = math.sqrt(study["components"]["total"])
    assert math.hypot(*(size for size, _ in parts)) == pytest.approx(total, rel=1e-6)
    s, freedom = (total, dof) if name == "total" else (math.sqrt(squares["error"]), dofs[2])
    # Published are one-sided 95 % limits: the ends of a two-sided 90 % interval.
    expected = study["published_one_sided_95_sd"][name]
    assert sd_limits(s, freedom, 0.90) == pytest.approx(expected, rel=2e-7)


def test_two_sided_limits_of_variances_are_the_published_ones():
    studies = facts("lab_statistics.json")["nested_variance_components"]
    components, published = studies[2]["components"], studies[2]["two_sided_95_variance"]
    low, high = sd_limits(math.sqrt(components["error"]), 40, 0.95)
    assert (low**2, high**2) == pytest.approx(published["error"], abs=1e-4)
    study = studies[1]
    low, high = sd_limits(math.sqrt(study["components"]["total"]), study["df_total"], 0.95)
    assert (low**2, high**2) == pytest.approx(study["two_sided_95_variance"]["total"], abs=1e-4)


@pytest.mark.parametrize("dof", [1, 4, 30])
def test_a_quantile_of_f_is_where_its_tail_begins(dof):
    assert f_upper_p(f_quantile(0.99, 3, dof), 3, dof) == pytest.approx(0.01, rel=1e-9)


@pytest.mark.parametrize(
    ("value", "u", "shown"),
    [
        (150.234, 0.48, ("150.23", "0.48")),
        (150.234, 0.0999, ("150.23", "0.10")),
        (150.234, 0.1049, ("150.23", "0.10")),
        (12345.6, 123.4, ("12350", "120")),
        (10.057_62, 0.027, ("10.058", "0.027")),  # JCGM 100:2008, 7.2.6
        (10.0, 0.0, ("10", "0")),
        (-0.0041, 0.002, ("-0.0041", "0.0020")),
        (1e12, 1e100, ("0E+99", "1.0E+100")),
    ],
)
def test_a_certificate_is_rounded_as_its_uncertainty_is(value, u, shown):
    assert rounded(value, u) == shown


@given(st.floats(-1e15, 1e15), st.floats(1e-9, 1e15))
def test_rounding_takes_no_more_than_a_twentieth_off_an_uncertainty(value, u):
    shown = [float(text) for text in rounded(value, u)]
    assert shown[1] >= 0.949 * u
    assert abs(shown[0] - value) <= 0.051 * max(shown[1], u) + 1e-15 * abs(value)


@pytest.mark.parametrize(
    ("text", "known"), [("150", (150.0, 0.0)), ("-1.5:0.2", (-1.5, 0.2)), (" .5 : 2. ", (0.5, 2.0))]
)
def test_a_known_value_is_read_with_its_uncertainty(text, known):
    assert parse_known(text) == known


@pytest.mark.parametrize("text", ["", "150 mV", "1:2:3", "nan", "150:-1", "1e5"])
def test_what_is_no_known_value_is_refused_with_examples(text):
    with pytest.raises(UsageError, match="150:0"):
        parse_known(text)
