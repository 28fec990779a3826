"""Source: AIAG Measurement Systems Analysis, 4th edition, crossed study (gauge_studies.json)."""

import math
import tracemalloc

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lab.reference import facts

from meterlink.errors import LabError
from meterlink.lab.crossed import crossed

STUDY = facts("gauge_studies.json")["msa_crossed"]


def long_form(cells):
    """Values, parts and appraisers of an array (part, appraiser, trial)."""
    parts, appraisers, _ = np.indices(cells.shape)
    return cells.ravel(), parts.ravel(), appraisers.ravel()


def published_study():
    return crossed(*long_form(np.array(STUDY["data"]).reshape(10, 3, 3)))


def test_the_analysis_of_variance_is_the_published_one():
    found, published = published_study(), STUDY["anova"]
    names = {"repeatability": "equipment"}
    for name in ("appraiser", "part", "interaction", "repeatability", "total"):
        expected = published["SS"][names.get(name, name)]
        assert getattr(found, name).ss == pytest.approx(expected, abs=5e-5), name
    sources = (found.appraiser, found.part, found.interaction, found.repeatability, found.total)
    assert [source.dof for source in sources] == published["df"]
    assert found.interaction.f == pytest.approx(published["F_interaction"], abs=5e-4)
    assert found.interaction.p == pytest.approx(published["p_interaction"], abs=5e-4)


def test_components_and_categories_are_the_published_ones():
    found, published = published_study(), STUDY["anova"]
    assert found.pooled
    assert found.interaction.dof + found.repeatability.dof == published["pooled_df"]
    figures = {
        "EV": found.s_repeatability,
        "AV": found.s_reproducibility,
        "GRR": found.s_gauge,
        "PV": found.s_part,
        "TV": found.s_total,
    }
    for name, s in figures.items():
        half_a_digit = 0.5 * 10.0 ** -len(str(published[name]).partition(".")[2])
        # The published figures are worked out from each other's rounded values: 1e-5 on top.
        assert s == pytest.approx(published[name], rel=1e-5, abs=half_a_digit), name
    for name, percent in published["percent_TV"].items():
        assert 100 * figures[name] / found.s_total == pytest.approx(percent, abs=0.05), name
    assert found.distinct_categories == pytest.approx(published["ndc"], abs=5e-3)


def test_an_interaction_that_is_there_is_kept_apart():
    rng = np.random.default_rng(3)
    parts, appraisers = rng.normal(0, 5, (12, 1, 1)), rng.normal(0, 1, (1, 6, 1))
    both, rest = rng.normal(0, 2, (12, 6, 1)), rng.normal(0, 0.5, (12, 6, 4))
    found = crossed(*long_form(100 + parts + appraisers + both + rest))
    assert not found.pooled
    assert found.s_repeatability == pytest.approx(0.5, rel=0.1)
    assert found.s_interaction == pytest.approx(2, rel=0.3)


@given(st.integers(0, 10**6), st.integers(2, 5), st.integers(2, 4), st.integers(1, 4))
def test_sums_of_squares_add_up_and_order_of_rows_does_not_count(seed, a, b, n):
    rng = np.random.default_rng(seed)
    values, parts, appraisers = long_form(1e4 + rng.normal(0, 1, (a, b, n)))
    found = crossed(values, parts, appraisers)
    sources = (found.part, found.appraiser, found.interaction, found.repeatability)
    assert sum(source.ss for source in sources) == pytest.approx(found.total.ss, rel=1e-9)
    assert sum(source.dof for source in sources) == found.total.dof
    mixed = rng.permutation(values.size)
    other = crossed(values[mixed], parts[mixed], appraisers[mixed])
    assert other.s_gauge == pytest.approx(found.s_gauge, rel=1e-9, abs=1e-12)


def test_one_trial_a_combination_counts_the_interaction_as_repeatability():
    found = crossed(*long_form(np.array([[[1.0], [2.0]], [[3.0], [5.0]]])))
    assert found.pooled
    assert found.repeatability.dof == 0
    assert found.s_repeatability == pytest.approx(0.5)


def test_equal_values_everywhere_have_no_spread_to_divide_by():
    found = crossed(*long_form(np.full((2, 2, 2), 7.0)))
    assert found.s_total == 0
    assert found.distinct_categories == math.inf


def test_a_study_with_gaps_is_estimated_near_what_made_it():
    rng = np.random.default_rng(8)
    found = []
    for _ in range(40):
        parts, appraisers = rng.normal(0, 5, (20, 1, 1)), rng.normal(0, 2, (1, 6, 1))
        both, rest = rng.normal(0, 1, (20, 6, 1)), rng.normal(0, 0.5, (20, 6, 3))
        values, part, appraiser = long_form(parts + appraisers + both + rest)
        kept = rng.random(values.size) < 0.6
        one = crossed(values[kept], part[kept], appraiser[kept])
        assert not one.balanced
        found.append(
            [one.s_repeatability**2, one.s_interaction**2, one.s_appraiser**2, one.s_part**2]
        )
    # Henderson's estimates are unbiased: 40 studies, 240 appraisers in all.
    assert np.mean(found, axis=0) == pytest.approx([0.25, 1, 4, 25], rel=0.25)


def test_the_published_study_with_a_trial_lost_stays_where_it_was():
    values, parts, appraisers = long_form(np.array(STUDY["data"]).reshape(10, 3, 3))
    kept = np.arange(values.size) != 40
    lost = crossed(values[kept], parts[kept], appraisers[kept])
    assert lost.s_gauge == pytest.approx(published_study().s_gauge, rel=0.02)
    assert (lost.balanced, lost.missing) == (False, 0)


def test_sums_of_squares_with_gaps_are_those_of_dummy_regression():
    # Each factor after the other by least squares on 0/1 columns, which the module never makes.
    rng = np.random.default_rng(9)
    values, parts, appraisers = long_form(rng.normal(0, 1, (4, 3, 3)))
    kept = rng.random(values.size) < 0.7
    values, parts, appraisers = values[kept], parts[kept], appraisers[kept]
    found = crossed(values, parts, appraisers)

    def unexplained(*codes):
        design = np.hstack([np.eye(int(code.max()) + 1)[code] for code in codes])
        fitted = design @ np.linalg.lstsq(design, values, rcond=None)[0]
        return float(np.sum((values - fitted) ** 2))

    both = unexplained(parts, appraisers)
    assert found.part.ss == pytest.approx(unexplained(appraisers) - both)
    assert found.appraiser.ss == pytest.approx(unexplained(parts) - both)
    assert found.interaction.ss == pytest.approx(both - unexplained(3 * parts + appraisers))


def test_combinations_that_nothing_connects_are_not_compared():
    with pytest.raises(LabError, match="share no level"):
        crossed(np.arange(8.0), np.array([0, 0, 1, 1, 2, 2, 3, 3]), np.array([0] * 4 + [1] * 4))


def test_limits_hold_what_made_the_study():
    rng = np.random.default_rng(10)
    inside = dict.fromkeys(("repeatability", "gauge", "part"), 0)
    share = 0
    for _ in range(60):
        parts, appraisers = rng.normal(0, 3, (10, 1, 1)), rng.normal(0, 1, (1, 4, 1))
        both, rest = rng.normal(0, 0.5, (10, 4, 1)), rng.normal(0, 0.5, (10, 4, 2))
        found = crossed(*long_form(parts + appraisers + both + rest))
        truth = {"repeatability": 0.5, "gauge": math.sqrt(1.5), "part": 3}
        for name, s in truth.items():
            low, high = found.limits[name]
            inside[name] += low <= s <= high
        low, high = found.share_limits["gauge"]
        share += low <= math.sqrt(1.5 / 10.5) <= high
    assert all(count >= 52 for count in (*inside.values(), share))  # 57 expected, sd 1.7


def test_one_level_of_a_factor_is_no_study():
    with pytest.raises(LabError, match="two or more levels"):
        crossed(np.arange(4.0), np.array([0, 0, 1, 1]), np.zeros(4, dtype=int))


def test_levels_beyond_all_sense_are_refused_before_they_fill_memory():
    each = np.arange(6000)
    tracemalloc.start()
    with pytest.raises(LabError, match="6000 by 6000 levels are too many"):
        crossed(each * 1.0, each, each)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < 10e6
