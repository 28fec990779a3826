"""A sag of a wandering supply, told by all its on/off cycles together."""

from itertools import product

import numpy as np
import pytest
from wandering_supply import Hand, sagging

from meterlink.assumptions import USUAL
from meterlink.circuit.setup import Verdict
from meterlink.levels.sag_pattern import _summed, find_pattern
from meterlink.levels.statistics import averaged
from meterlink.levels.test_flags import Flag
from meterlink.levels.trace import Marks, samples_of

TRIALS = 12


def _found(volts: float, sag: float, hand: Hand, trials: int = TRIALS):
    own = hand.cycles, round(1e4 * sag), int(volts)
    return [
        sagging(np.random.default_rng([seed, *own]), volts, sag, hand) for seed in range(trials)
    ]


@pytest.mark.parametrize(("sag", "cycles"), [(0.005, 2), (0.004, 6), (0.007, 1)])
def test_a_sag_that_one_switching_hardly_shows_is_found_by_all_of_them(sag, cycles):
    found = _found(230.0, sag, Hand(cycles))
    assert sum(one.verdict is Verdict.IN_PATH for one in found) >= TRIALS - 2
    assert sum(one.levels.cycles for one in found) >= 0.9 * cycles * TRIALS


def test_without_a_tap_the_rhythm_is_found():
    found = _found(230.0, 0.006, Hand(4, tapped=False))
    assert sum(one.verdict is Verdict.IN_PATH for one in found) >= TRIALS - 2


@pytest.mark.parametrize("hand", [Hand(1), Hand(4), Hand(4, tapped=False)])
def test_wander_alone_is_no_sag_and_nothing_denies_a_small_one(hand):
    for sag in (0.0, 0.0015):
        for one in _found(230.0, sag, hand, 8):
            assert one.verdict is Verdict.UNCLEAR or sag > 0.0
            assert one.verdict is not Verdict.NOT_IN_PATH


def test_the_estimate_is_unbiased_and_its_uncertainty_honest():
    z, u = [], {1: [], 4: []}
    for volts, sag, cycles in product((120.0, 230.0), (0.008, 0.02), (1, 4)):
        for one in _found(volts, sag, Hand(cycles), 10):
            z.append((one.drop.drop_mv - 1e3 * sag * volts) / one.drop.drop_u_mv)
            u[cycles].append(one.drop.drop_u_mv / volts)
    assert abs(np.mean(z)) < 0.35  # 80 of them: three standard errors
    assert 0.8 < np.sqrt(np.mean(np.square(z))) < 1.25
    assert np.median(u[4]) < 0.6 * np.median(u[1])


def test_the_cycle_that_was_on_before_the_test_is_no_cycle_of_it():
    for one in _found(120.0, 0.02, Hand(2, already_on=True), 6):
        assert Flag.LOAD_ALREADY_ON in one.flags
        assert one.levels.cycles == 2
        assert abs(one.drop.drop_mv - 2400.0) < 4.0 * one.drop.drop_u_mv


def test_a_trace_of_years_is_looked_at_in_bounded_time():
    t_s = np.array([0.0, 1.0, *(1e8 + 0.5 * np.arange(100))])
    pattern = find_pattern(samples_of(t_s, np.full(102, 230e3)), Marks(0.0, 1e9), USUAL.levels)
    assert pattern is not None
    assert not pattern.is_certain(USUAL.levels)


def test_the_chains_are_summed_as_if_each_was_written_down():
    rng = np.random.default_rng(3)
    moments, dwell = 7, 2
    hazards = rng.uniform(0.05, 0.5, (moments, 2))
    score = rng.normal(0.0, 2.0, (moments, 2, 1, 1))
    go = score + np.log(hazards)[:, :, np.newaxis, np.newaxis]
    log, ups, downs = _summed(go, hazards, dwell, Marks(0.0, 1.0))
    total, came, went = 0.0, np.zeros(moments), np.zeros(moments)
    for turns in product((False, True), repeat=moments):
        at = np.flatnonzero(turns)
        if np.any(np.diff(at) < dwell):
            continue
        weight, on = 1.0, 0
        for k in range(moments):
            if turns[k]:
                weight, on = weight * np.exp(go[k, on, 0, 0]), 1 - on
            elif not any(turns[max(k - dwell + 1, 0) : k]):  # it may switch
                weight *= 1.0 - hazards[k, on]
        total += weight
        came[at[::2]] += weight
        went[at[1::2]] += weight
    assert log[0, 0] == pytest.approx(np.log(total))
    assert ups[:, 0, 0] == pytest.approx(came / total)
    assert downs[:, 0, 0] == pytest.approx(went / total)


def test_the_covariance_of_averages_is_that_of_the_values_averaged():
    half = np.random.default_rng(4).normal(size=(6, 6))
    mean = np.zeros((3, 6))
    mean[0, :1], mean[1, 1:4], mean[2, 4:] = 1.0, 1 / 3, 1 / 2
    whole = half @ half.T
    assert averaged(whole, np.array([1.0, 3.0, 2.0])) == pytest.approx(mean @ whole @ mean.T)
