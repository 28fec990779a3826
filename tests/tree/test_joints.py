"""Poor joints: probabilities against a plain sum over all explanations, and what must hold."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, stats

from meterlink.assumptions import USUAL
from meterlink.tree.hypotheses import RunPrior
from meterlink.tree.joints import HotRatio, weigh_joints

PRIOR = RunPrior.for_conductor(8.2855e-3)
RUNS, JOINTS = USUAL.runs, USUAL.joints
POOR_SHARE = JOINTS.share


def neutral(mohm: float, u: float = 1.0, length_mohm: float | None = None) -> float:
    found = weigh_joints(mohm, u, home=False, prior=PRIOR, length_mohm=length_mohm, hot=None)
    return found["neutral"].probability


@pytest.mark.parametrize(("mohm", "u"), [(30.0, 5.0), (150.0, 5.0), (400.0, 20.0)])
def test_without_a_length_the_probability_is_that_of_quadrature(mohm: float, u: float) -> None:
    """scipy.integrate over the cable's resistance, and over cable and excess."""
    sound = integrate.quad(
        lambda x: (
            stats.lognorm.pdf(x, PRIOR.log_sd, scale=PRIOR.median_mohm) * stats.norm.pdf(mohm, x, u)
        ),
        0,
        mohm + 8 * u,
        points=[mohm],
        limit=200,
    )[0]

    def with_excess(excess: float) -> float:
        """Density of the measured value with cable and excess, cable integrated on a grid."""
        x = np.linspace(1e-3, mohm + 8 * u, 4001)
        density = stats.lognorm.pdf(x, PRIOR.log_sd, scale=PRIOR.median_mohm)
        return float(integrate.simpson(density * stats.norm.pdf(mohm - excess, x, u), x=x))

    grid = np.geomspace(0.5, mohm + 8 * u, 400)
    weight = stats.lognorm.pdf(grid, JOINTS.excess_log_sd, scale=JOINTS.excess_mohm)
    poor = integrate.simpson(
        [w * with_excess(e) for w, e in zip(weight, grid, strict=True)], x=grid
    )
    expected = POOR_SHARE * poor / (POOR_SHARE * poor + (1 - POOR_SHARE) * sound)
    assert neutral(mohm, u) == pytest.approx(expected, rel=0.03)


def test_what_is_assumed_of_joints_and_conductors_counts() -> None:
    assumed = replace(USUAL, joints=replace(JOINTS, share=0.2))
    believing = RunPrior.for_conductor(8.2855e-3, assumed)
    found = weigh_joints(150, 5, home=False, prior=believing, length_mohm=None, hot=None)
    odds, usual = (p / (1 - p) for p in (found["neutral"].probability, neutral(150, 5)))
    assert odds / usual == pytest.approx(0.25 / (POOR_SHARE / (1 - POOR_SHARE)), rel=1e-6)
    loose = replace(USUAL, runs=replace(RUNS, ratio_sd=1.0))
    alike = RunPrior.for_conductor(8.2855e-3, loose)
    both = HotRatio(0.0, 0.05)
    known, unknown = (
        weigh_joints(230, 2, home=False, prior=p, length_mohm=None, hot=both)["neutral"].probability
        for p in (PRIOR, alike)
    )
    assert unknown > known


def test_more_resistance_is_never_less_suspicious() -> None:
    found = [neutral(x) for x in (20, 60, 120, 250, 500, 1000)]
    assert found == sorted(found)
    assert found[0] < POOR_SHARE
    assert found[-1] > 0.9


@pytest.mark.parametrize(("excess", "least"), [(40.0, 0.5), (100.0, 0.99), (200.0, 0.999)])
def test_a_stated_length_shows_a_poor_joint_of_its_excess(excess: float, least: float) -> None:
    length_mohm = 30.0
    found = weigh_joints(
        length_mohm + 6 + excess, 1.0, home=False, prior=PRIOR, length_mohm=length_mohm, hot=None
    )["neutral"]
    assert found.probability > least
    assert found.excess_mohm == pytest.approx(excess, abs=3 * found.excess_u_mohm)


def test_a_run_of_its_stated_length_is_no_suspect() -> None:
    assert neutral(36.0, 1.0, length_mohm=30.0) < 0.01


def test_hot_and_neutral_that_are_alike_clear_a_long_run() -> None:
    """A run of 230 mohm whose hot side is the same is long cable, not a poor joint."""
    alike = HotRatio(0.0, 0.05)
    found = weigh_joints(230, 2, home=False, prior=PRIOR, length_mohm=None, hot=alike)
    assert found["neutral"].probability < 0.01 < neutral(230, 2)
    assert found["hot"].probability < 0.01


@pytest.mark.parametrize("side", ["neutral", "hot"])
def test_the_side_with_much_more_has_the_poor_joint(side: str) -> None:
    cable, excess = 30.0, 150.0
    log = math.log((cable + excess) / cable)
    found = weigh_joints(
        cable + (excess if side == "neutral" else 0),
        2.0,
        home=False,
        prior=PRIOR,
        length_mohm=None,
        hot=HotRatio(log if side == "hot" else -log, 0.1),
    )
    other = "hot" if side == "neutral" else "neutral"
    assert found[side].probability > 0.99
    assert found[other].probability < 0.01
    assert found[side].excess_mohm == pytest.approx(excess, abs=2 * found[side].excess_u_mohm)


def test_taking_the_prior_off_a_fit_gives_the_tests_word_back() -> None:
    """A normal times a normal: estimate 0.3 of deviation 0.1 under the prior of sound runs."""
    precision = 1 / 0.1**2 + 1 / RUNS.ratio_sd**2
    told = HotRatio.from_fit(0.3 / 0.1**2 / precision, precision**-0.5, RUNS)
    assert told is not None
    assert told.log == pytest.approx(0.3, rel=0.05)
    assert told.u_log == pytest.approx(0.1, rel=0.05)


def test_a_fit_that_is_only_its_prior_tells_nothing() -> None:
    assert HotRatio.from_fit(0.0, RUNS.ratio_sd, RUNS) is None


@pytest.mark.parametrize("mohm", [0.0, 1e-6, 1e5])
@pytest.mark.parametrize("length_mohm", [None, 0.5, 500.0])
def test_measured_values_beyond_sense_give_finite_figures(
    mohm: float, length_mohm: float | None
) -> None:
    found = weigh_joints(
        mohm, 0.0, home=True, prior=PRIOR, length_mohm=length_mohm, hot=HotRatio(3.0, 0.2)
    )
    for suspect in found.values():
        assert 0 <= suspect.probability <= 1
        assert math.isfinite(suspect.excess_mohm)
        assert math.isfinite(suspect.excess_u_mohm)
