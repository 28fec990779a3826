"""The one change: against brute force, a general-purpose library and a published series."""

import csv
from pathlib import Path

import numpy as np
import pytest
import ruptures
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.levels.change import most_likely_change, split_gains

NILE = Path(__file__).parents[2] / "fixtures" / "reference" / "step_nile.csv"


def by_hand(values: np.ndarray) -> int:
    costs = [
        ((values[:k] - values[:k].mean()) ** 2).sum()
        + ((values[k:] - values[k:].mean()) ** 2).sum()
        for k in range(1, values.size)
    ]
    return int(np.argmin(costs)) + 1


def nile_flow() -> np.ndarray:
    lines = [line for line in NILE.read_text().splitlines() if not line.startswith("#")]
    return np.array([float(row["flow_1e8_m3"]) for row in csv.DictReader(lines)])


def test_the_nile_steps_down_after_28_years():
    # Cobb 1978, Biometrika 65, 243-251, Table 1; figures in the reference file's header.
    change = most_likely_change(nile_flow())
    assert change.split == 28
    assert change.step == pytest.approx(-247.777778, abs=1e-6)
    assert change.cost == pytest.approx(1597457.194444, abs=1e-5)


@pytest.mark.parametrize("seed", range(60))
def test_the_split_is_that_of_an_exact_search_by_a_general_library(seed):
    # ruptures, Dynp with the l2 cost: exact dynamic programming over all splits.
    rng = np.random.default_rng(seed)
    n = int(rng.integers(4, 60))
    values = rng.normal(0.0, 1.0, n)
    if seed % 2:
        values[int(rng.integers(1, n)) :] += rng.normal(0.0, 3.0)
    search = ruptures.Dynp(model="l2", min_size=1, jump=1).fit(values)
    assert most_likely_change(values).split == search.predict(n_bkps=1)[0]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(-1000, 1000), min_size=2, max_size=40))
def test_no_split_leaves_a_smaller_sum_of_squares(numbers):
    values = np.array(numbers, dtype=float)
    change = most_likely_change(values)
    k = by_hand(values)
    best = ((values[:k] - values[:k].mean()) ** 2).sum() + (
        (values[k:] - values[k:].mean()) ** 2
    ).sum()
    assert change.cost == pytest.approx(best, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.integers(-1000, 1000), min_size=3, max_size=40),
    st.sampled_from([-1e6, 0.0, 120e3, 1e7]),
)
def test_an_offset_moves_neither_the_step_nor_its_size(numbers, offset):
    values = np.array(numbers, dtype=float)
    plain, shifted = most_likely_change(values), most_likely_change(values + offset)
    assert shifted.gain == pytest.approx(plain.gain, rel=1e-6, abs=1e-3)
    if np.sort(split_gains(values))[-1] > np.sort(split_gains(values))[-2] + 1e-2:
        assert shifted.split == plain.split


def test_a_window_confines_the_split():
    values = np.array([0.0, 0.0, 9.0, 9.0, 9.0, 9.0, 4.0, 4.0])
    assert most_likely_change(values).split == 2
    assert most_likely_change(values, first=5).split == 6


@pytest.mark.parametrize(
    ("values", "first", "last", "words"),
    [
        ([], 1, None, "at least two"),
        ([1.0], 1, None, "at least two"),
        ([1.0, np.nan], 1, None, "finite"),
        ([1.0, np.inf], 1, None, "finite"),
        ([1.0, 2.0, 3.0], 3, None, "splits"),
        ([1.0, 2.0, 3.0], 0, 1, "splits"),
        ([[1.0, 2.0]], 1, None, "one series"),
    ],
)
def test_what_cannot_be_split_is_refused_with_the_reason(values, first, last, words):
    with pytest.raises(ValueError, match=words):
        most_likely_change(np.array(values), first, last)
