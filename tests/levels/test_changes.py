"""All changes of a trace: against brute force, a general-purpose library and a published series."""

import csv
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
import ruptures
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.levels.trace import (
    Samples,
    State,
    Switching,
    find_changes,
    first_sign,
    near_level,
    partition,
    settled,
    without_strays,
)

NILE = Path(__file__).parents[2] / "fixtures" / "reference" / "step_nile.csv"
SERIES = st.lists(st.integers(-30, 30), min_size=1, max_size=9)


def samples(t_s, mv, resolution_mv=0.01):
    t, values = np.asarray(t_s, dtype=float), np.asarray(mv, dtype=float)
    n = t.size
    return Samples(
        t, values, np.ones(n), np.full(n, resolution_mv), np.full(n, State.USABLE, dtype=np.int8)
    )


def cost(values, starts, penalty):
    parts = np.split(np.asarray(values, dtype=float), starts[1:])
    return sum(((part - part.mean()) ** 2).sum() + penalty for part in parts)


def starts_of(values, penalty):
    return partition(np.asarray(values, dtype=float), penalty)


@settings(max_examples=150, deadline=None)
@given(SERIES, st.sampled_from([0.5, 10.0, 300.0]))
def test_no_partition_at_all_costs_less(values, penalty):
    inner = range(1, len(values))
    best = min(
        cost(values, [0, *cuts], penalty)
        for k in range(len(values))
        for cuts in combinations(inner, k)
    )
    assert cost(values, starts_of(values, penalty), penalty) == pytest.approx(best, abs=1e-6)


@pytest.mark.parametrize("seed", range(30))
def test_the_partition_is_that_of_an_exact_search_by_a_general_library(seed):
    # ruptures, Dynp with the l2 cost: exact for a given number of changes.
    rng = np.random.default_rng(seed)
    values = np.concatenate([rng.normal(rng.normal(0, 6), 1.0, rng.integers(3, 15)) for _ in "abc"])
    starts = starts_of(values, 12.0)
    if len(starts) > 1:
        search = ruptures.Dynp(model="l2", min_size=1, jump=1).fit(values)
        found = search.predict(n_bkps=len(starts) - 1)[:-1]
        assert cost(values, starts, 0.0) == pytest.approx(cost(values, [0, *found], 0.0))


def test_the_nile_steps_down_after_28_years():
    # Cobb 1978, Biometrika 65, 243-251, Table 1; figures in the reference file's header.
    lines = [line for line in NILE.read_text().splitlines() if not line.startswith("#")]
    flow = np.array([float(row["flow_1e8_m3"]) for row in csv.DictReader(lines)])
    assert starts_of(flow / flow[:28].std(), 25.0) == [0, 28]


@settings(max_examples=60, deadline=None)
@given(SERIES, st.sampled_from([-1e6, 120e3, 1e7]))
def test_an_offset_moves_no_change(values, offset):
    plain = starts_of(values, 10.0)
    moved = starts_of(np.asarray(values, dtype=float) + offset, 10.0)
    assert cost(values, moved, 10.0) == pytest.approx(cost(values, plain, 10.0), abs=1e-3)


def test_plateaus_are_found_with_their_times_and_a_heaters_sag_is_no_change():
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 34.0, 0.25)
    on = (t >= 11.0) & (t < 25.0)
    mv = 6.0 + on * 900.0 * (1 + 0.05 * np.exp(-(t - 11.0) / 2.5)) + rng.normal(0, 0.4, t.size)
    plateaus = find_changes(samples(t, mv)).plateaus
    assert [round(one.mv) // 100 for one in plateaus] == [0, 9, 0]
    assert plateaus[1].first_s == pytest.approx(11.0, abs=0.6)
    assert plateaus[1].last_s == pytest.approx(25.0, abs=0.6)


@pytest.mark.parametrize("sd", [0.05, 0.5, 2.0])
def test_noise_alone_has_no_change(sd):
    rng = np.random.default_rng(5)
    t = np.arange(0.0, 45.0, 0.25)
    found = [find_changes(samples(t, np.abs(8.0 + rng.normal(0, sd, t.size)))) for _ in range(60)]
    assert max(len(one.plateaus) for one in found) == 1


def test_one_damaged_reading_is_left_out_and_two_are_not():
    t = np.arange(20.0)
    mv = np.full(20, 6.0)
    mv[5] = 900.0
    assert len(without_strays(samples(t, mv))) == 19
    mv[6] = 900.0
    assert len(without_strays(samples(t, mv))) == 20


def test_a_level_that_is_approached_counts_from_where_it_is_reached():
    t = np.arange(0.0, 10.0, 0.25)
    rng = np.random.default_rng(2)
    mv = 6.0 + 200.0 * np.exp(-t / 0.5) + rng.normal(0, 0.05, t.size)
    kept = settled(samples(t, mv))
    assert 1.5 < kept.t_s[0] < 5.0
    assert np.abs(kept.mv - 6.0).max() < 2.0


def test_with_the_load_on_a_sag_belongs_to_the_level_and_a_fall_does_not():
    t = np.arange(0.0, 10.0, 0.25)
    mv = 500.0 * (1.0 + 0.04 * np.exp(-t / 3.0))
    mv[-2:] = [300.0, 6.0]
    assert near_level(samples(t, mv)).t_s[-1] == t[-3]
    assert len(near_level(samples(t, mv))) == t.size - 2


def test_overload_of_a_range_change_is_the_first_sign_of_a_jump():
    t = np.arange(0.0, 5.0, 0.5)
    all_of_it = samples(t, np.where(t < 3.0, 6.0, 300.0))
    all_of_it.state[4:6] = State.OVERLOAD
    assert first_sign(all_of_it, Switching(2.5, 3.0)) == Switching(1.5, 2.0)
    all_of_it.state[:] = State.USABLE
    assert first_sign(all_of_it, Switching(2.5, 3.0)) == Switching(2.5, 3.0)
