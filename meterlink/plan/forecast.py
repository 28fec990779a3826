"""What each possible test would show under each of the hypotheses that are still in play."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meterlink.assumptions import USUAL, Assumptions
from meterlink.circuit.setup import Setup
from meterlink.tree import runs
from meterlink.tree.infer import Posterior
from meterlink.tree.observations import Tests, planned
from meterlink.tree.search import thin
from meterlink.tree.trees import Flags, Floats

NODES = np.array([-1.7320508, 0.0, 1.7320508])  # Gauss-Hermite, exact to the fifth moment
NODE_WEIGHTS = np.array([1 / 6, 2 / 3, 1 / 6])
JUMP_IN_U = 3.0  # a drop of so many uncertainties is seen as a jump
TINY = 1e-30


@dataclass(frozen=True, slots=True)
class Particles:
    """A few hypotheses that stand for the posterior, with their runs.

    Attributes:
        rows: Rows of the ensemble, shape ``(S,)``.
        weight: Normalised, shape ``(S,)``.
        fitted: They themselves and what is known of the runs of each.
    """

    rows: NDArray[np.intp]
    weight: Floats
    fitted: runs.Particles


def particles_of(posterior: Posterior, count: int, seed: int = 0) -> Particles:
    """Draw hypotheses from the posterior without bias and fit their runs."""
    rng = np.random.default_rng(seed)
    log_weight = np.log(np.maximum(posterior.ensemble.weights, 1e-300))
    rows, gained, _ = thin(log_weight, count, rng)
    weight = np.exp(log_weight[rows] + gained)
    fitted = runs.Particles.of(posterior.ensemble.hypotheses.take(rows), posterior.known)
    return Particles(rows, weight / weight.sum(), fitted)


def as_tests(posterior: Posterior, setups: Sequence[Setup]) -> Tests:
    """The possible tests in the form that the resolver computes with."""
    circuit, assumed = posterior.circuit, posterior.assumptions
    return Tests.of(planned(circuit, setups, assumed), assumed.outliers)


@dataclass(frozen=True, slots=True)
class Forecast:
    """What ``C`` possible tests would show under ``S`` hypotheses, in mV, shape ``(S, C)``.

    Attributes:
        mean: Expected drop.
        runs_u: Its standard deviation from what is not known of the runs.
        meter_u: The standard uncertainty with which the meter will tell it.
        signed: Whether the meter shows a sign, ``(C,)``.
    """

    mean: Floats
    runs_u: Floats
    meter_u: Floats
    signed: Flags | bool = False

    @property
    def sd(self) -> Floats:
        """Standard deviation of the reading to come."""
        both: Floats = np.hypot(self.runs_u, self.meter_u)
        return both

    def bits_about_runs(self, weight: Floats) -> Floats:
        """Information about the runs themselves, whatever the tree, shape ``(C,)``.

        For Gaussian quantities ``log2(total spread / meter spread)`` (Shannon 1948).
        """
        bits: Floats = weight @ np.log2(self.sd / self.meter_u)
        return bits


def forecast(
    posterior: Posterior, particles: Particles, tests: Tests, u_mv: Sequence[tuple[float, float]]
) -> Forecast:
    """Forecast each possible test under each hypothesis.

    Args:
        posterior: What is known.
        particles: The hypotheses.
        tests: As ``as_tests`` made them.
        u_mv: For each test the meter's standard uncertainty of a jump and of none.
    """
    mean, variance = particles.fitted.predict(tests)
    mean = np.where(tests.signed, mean, np.abs(mean))
    jump, still = np.array(u_mv).T
    noise = np.where(np.abs(mean) > JUMP_IN_U * jump, jump, still)
    wander = posterior.assumptions.meter.amps_rel_u * mean
    return Forecast(mean, np.sqrt(variance), np.hypot(noise, wander), tests.signed)


def outcome_likelihoods(
    weight: Floats, expected: Forecast, assumptions: Assumptions = USUAL
) -> tuple[Floats, Floats]:
    """Possible outcomes of one test and how likely each tree makes them.

    Args:
        weight: Of the trees, shape ``(S,)``.
        expected: What the test would show on each.
        assumptions: How often a test does not show what it should, and what it shows then.

    Returns:
        Probability of each outcome, ``(C, O)``, and the likelihood of it on each tree,
        ``(C, O, S)``. The outcomes are three from each tree's own forecast, and "no change"
        whatever the wiring.
    """
    mean, sd = expected.mean, expected.sd
    no_change = assumptions.outliers.no_change
    nodes = mean[:, None, :] + sd[:, None, :] * NODES[None, :, None]
    nodes = np.where(expected.signed, nodes, np.abs(nodes))
    honest = (1 - no_change) * weight[:, None] * NODE_WEIGHTS
    trees = len(weight)
    outcomes = nodes.reshape(trees * 3, -1)
    outcomes = np.concatenate([outcomes, np.zeros((1, outcomes.shape[1]))]).T  # (C, O)
    probability = np.append(honest.reshape(-1), no_change)
    z = (outcomes[:, :, None] - mean.T[:, None, :]) / sd.T[:, None, :]
    likelihood = (1 - no_change) * np.exp(-0.5 * z**2) / sd.T[:, None, :]
    likelihood += _of_an_outlier(outcomes, assumptions)[:, :, None]
    return np.broadcast_to(probability, outcomes.shape), likelihood


def _of_an_outlier(
    mv: NDArray[np.floating[Any]], assumptions: Assumptions
) -> NDArray[np.floating[Any]]:
    """Likelihood of readings that do not say what they seem to: no change, or a jump of any size.

    Like all likelihoods here it leaves out ``1 / sqrt(2 pi)``.
    """
    rates, still_u = assumptions.outliers, assumptions.meter.no_jump_u_mv
    width = math.log(rates.jump_most_mv / rates.jump_least_mv)
    still = rates.no_change * np.exp(-0.5 * (mv / still_u) ** 2) / still_u
    any_size = (rates.jump + rates.misnamed) / width
    shown: NDArray[np.floating[Any]] = still + any_size / np.maximum(np.abs(mv), 1.0)
    return shown


def information_bits(
    probability: Floats,
    likelihood: NDArray[np.floating[Any]],
    weight: Floats,
    label: NDArray[np.intp],
) -> Floats:
    """Mutual information between a label of the trees and the outcome, in bits, shape ``(C,)``.

    ``I = sum over outcomes and labels of p(o) p(label | o) log2(p(o | label) / p(o))``; an outcome
    that stems from a tree is weighed with what all trees say about it (Rao-Blackwell).
    """
    group = _grouped(weight, label)
    share = group.sum(axis=0)
    # with p(o | label) = m: sum of p(label | o) log2(p(label | o) / share) over the labels
    # is sum of share m log2(m) / p(o), less log2(p(o))
    by_label = (group / np.maximum(share, TINY)).astype(likelihood.dtype)
    given = np.maximum(likelihood @ by_label, TINY)
    share = share.astype(likelihood.dtype)
    total = given @ share
    gain = (given * np.log2(given)) @ share / total - np.log2(total)
    bits: Floats = (probability * gain).sum(axis=1)
    return bits


def quick_bits(
    weight: Floats,
    expected: Forecast,
    label: NDArray[np.intp],
    assumptions: Assumptions = USUAL,
) -> Floats:
    """``information_bits`` nearly: one outcome of each tree, in single precision.

    Good enough to say which tests are worth a closer look (measured: of the best twenty none was
    beyond the fortieth).
    """
    no_change = assumptions.outliers.no_change
    mean, sd = (part.T.astype(np.float32) for part in (expected.mean, expected.sd))
    likelihood = (mean[:, :, None] - mean[:, None, :]) / sd[:, None, :]
    np.square(likelihood, out=likelihood)
    likelihood *= np.float32(-0.5)
    np.exp(likelihood, out=likelihood)
    likelihood *= np.float32(1 - no_change) / sd[:, None, :]
    likelihood += _of_an_outlier(mean, assumptions)[:, :, None]
    honest = np.broadcast_to((1 - no_change) * weight, mean.shape)
    return information_bits(honest, likelihood, weight, label)


def settling_probability(
    probability: Floats, likelihood: Floats, weight: Floats, label: NDArray[np.intp], sure: float
) -> Floats:
    """Probability that a test leaves one label with probability ``sure`` or more, shape ``(C,)``.

    Arguments as of ``information_bits``.
    """
    joint = likelihood @ _grouped(weight, label)
    settles = joint.max(axis=2) >= sure * joint.sum(axis=2)
    result: Floats = (probability * settles).sum(axis=1)
    return result


def _grouped(weight: Floats, label: NDArray[np.intp]) -> Floats:
    """Weight of each tree in the column of its label, shape ``(S, labels)``."""
    group = np.zeros((len(weight), int(label.max()) + 1))
    group[np.arange(len(weight)), label] = weight
    return group
