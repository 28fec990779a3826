"""What is noticed in a stage, check by check."""

import numpy as np
import pytest

from meterlink.levels.test_flags import best_split, has_gap, is_frozen, moves, overloaded, step_mv
from meterlink.levels.trace import Samples, State


def stage(mv, every_s=0.25, resolution_mv=0.01):
    values = np.asarray(mv, dtype=float)
    n = values.size
    state = np.full(n, State.USABLE, dtype=np.int8)
    return Samples(every_s * np.arange(n), values, np.ones(n), np.full(n, resolution_mv), state)


@pytest.mark.parametrize("seed", range(10))
def test_the_best_split_leaves_the_least_squares(seed):
    rng = np.random.default_rng(seed)
    values = rng.normal(0, 1, 25) + 3.0 * (np.arange(25) >= rng.integers(6, 19))
    left = {
        k: ((values[:k] - values[:k].mean()) ** 2).sum()
        + ((values[k:] - values[k:].mean()) ** 2).sum()
        for k in range(5, 20)
    }
    assert best_split(values, 5, 19) == min(left, key=left.get)


def test_a_step_counts_by_its_size_and_a_ramp_does_not():
    noise = np.random.default_rng(1).normal(0, 0.1, 40)
    assert step_mv(stage(noise + np.repeat([6.0, 10.0], 20)), 2.0) == pytest.approx(4.0, abs=0.2)
    assert step_mv(stage(noise + np.repeat([6.0, 10.0], 20)), 5.0) == 0.0
    assert step_mv(stage(noise + np.linspace(6.0, 10.0, 40)), 2.0) == 0.0
    assert moves(stage(noise + np.linspace(6.0, 10.0, 40)), 2.0)
    assert not moves(stage(6.0 + noise), 2.0)


def test_equal_readings_are_frozen_only_beside_some_that_flicker():
    flicker = 6.0 + np.random.default_rng(1).normal(0, 0.3, 20)
    assert is_frozen(stage([*flicker, *[6.1] * 40]))
    assert not is_frozen(stage([6.1] * 60))
    assert not is_frozen(stage(flicker))


def test_a_gap_is_longer_than_a_slow_meters_pace():
    steady = stage(np.full(80, 6.0))
    assert not has_gap(steady, 0.0, 20.0)
    assert has_gap(steady.where((steady.t_s < 5.0) | (steady.t_s > 9.0)), 0.0, 20.0)
    assert has_gap(steady, 0.0, 30.0)
    slow = stage(np.full(8, 6.0), every_s=2.5)
    assert not has_gap(slow, 0.0, 20.0)


@pytest.mark.parametrize(("over", "expected"), [(0, False), (3, False), (5, False), (9, True)])
def test_overload_counts_where_it_outlasts_a_change_of_range(over, expected):
    one = stage(np.full(40, 6.0))
    one.state[10 : 10 + over] = State.OVERLOAD
    assert overloaded(one) is expected
