"""Readings sorted into stages: settling, the moment of switching, strays."""

import numpy as np
import pytest

from meterlink.levels.settling import near_level, settled
from meterlink.levels.stages import Marks, split_stages
from meterlink.levels.switching import Switching, find_switching, first_sign
from meterlink.levels.trace import Samples, State


def samples(t_s, mv, state=None):
    t = np.asarray(t_s, dtype=float)
    n = t.size
    states = np.zeros(n, dtype=np.int8) if state is None else np.asarray(state, dtype=np.int8)
    values = np.where(states == State.USABLE, np.asarray(mv, dtype=float), np.nan)
    return Samples(t, values, np.ones(n), np.full(n, 0.01), states)


def noise(n, sd=0.3, seed=1):
    return np.random.default_rng(seed).normal(0.0, sd, n)


@pytest.mark.parametrize("start_mv", [300.0, 5_000.0, 120_000.0])
@pytest.mark.parametrize("lag_s", [0.2, 0.35, 0.5])
def test_a_lead_that_was_just_moved_leaves_no_settling_in_the_level(start_mv, lag_s):
    t = np.arange(0.0, 12.0, 0.34)
    stage = samples(t, 6.0 + start_mv * np.exp(-t / lag_s) + noise(t.size))
    kept = settled(stage, line=False)
    assert kept.mv.mean() == pytest.approx(6.0, abs=0.25)
    assert len(kept) > 12


def test_a_stage_that_is_level_from_the_start_is_kept_whole():
    t = np.arange(0.0, 12.0, 0.34)
    assert len(settled(samples(t, 6.0 + noise(t.size)), line=False)) == t.size


def test_a_stray_reading_is_left_out_of_the_loaded_level():
    t = np.arange(0.0, 10.0, 0.34)
    mv = 800.0 * (1 + 0.04 * np.exp(-t / 3.0)) + noise(t.size)
    mv[-3:] = 510.0
    kept = near_level(samples(t, mv), line=False)
    assert len(kept) == t.size - 3


@pytest.mark.parametrize("on_s", [9.2, 10.0, 12.3, 15.0])
def test_the_switching_lies_between_the_readings_that_show_it(on_s):
    t = np.arange(0.0, 25.0, 0.34)
    mv = np.where(t < on_s, 6.0, 6.0 + 300.0 * (1 - np.exp(-(t - on_s) / 0.35))) + noise(t.size)
    found = find_switching(samples(t, mv), 10.0, 24.0, 6.0, 306.0, 3.0)
    assert found.quiet_s - 0.35 <= on_s <= found.moved_s + 0.35


def test_an_old_value_shown_after_overload_is_no_sign_that_the_load_was_off():
    t = [9.0, 9.5, 10.0, 10.5, 11.0, 11.5, 12.0, 12.5]
    state = [0, 0, 0, State.OVERLOAD, State.OVERLOAD, 0, 0, 0]
    mv = [6.0, 6.1, 6.0, 0.0, 0.0, 6.0, 306.0, 306.0]
    sign = first_sign(samples(t, mv, state), Switching(11.5, 12.0))
    assert (sign.quiet_s, sign.moved_s) == (10.0, 10.5)
    assert sign.at_s == pytest.approx(10.25)


def test_without_a_jump_only_readings_that_the_load_cannot_have_reached_are_idle():
    t = np.arange(0.0, 34.0, 0.34)
    stages = split_stages(samples(t, 6.0 + noise(t.size)), Marks(0.0, 10.0, 24.0, 34.0), line=False)
    assert stages.idle.t_s.max() < 9.0
    assert stages.on.t_s.min() > 15.0
    assert stages.on.t_s.max() < 23.0
    assert stages.after.t_s.min() > 29.0
    assert stages.on_at_s is None


@pytest.mark.parametrize("mv", [[], [6.0], [6.0, 6.1, 6.0]])
def test_hardly_any_readings_make_stages_without_error(mv):
    stage = samples(np.arange(len(mv)), mv)
    stages = split_stages(stage, Marks(0.0, 1.0, 2.0, 3.0), line=False)
    assert len(stages.idle) + len(stages.on) + len(stages.after) <= 3
