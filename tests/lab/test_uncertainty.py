"""Source: JCGM 100:2008, examples G.4.1 and H.1 (gum_examples.json)."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lab.reference import facts

from meterlink.errors import MeterlinkError, UsageError
from meterlink.lab.quantiles import t_quantile
from meterlink.lab.uncertainty import Component, combine, effective_dof, parse_component

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
