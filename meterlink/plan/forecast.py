"""What each possible test would show on each of the trees that are still in play."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meterlink.assumptions import USUAL
from meterlink.circuit.setup import Setup
from meterlink.tree import infer as inference
from meterlink.tree.infer import Posterior
from meterlink.tree.observations import Tests, planned
from meterlink.tree.search import thin
from meterlink.tree.trees import Floats

PICKUP_U_MV = 6.0  # what pickup of 5 to 15 mV leaves of uncertainty in a drop (common practice)
NO_JUMP_U_MV = 3.0  # the same where there is no jump
SUPPLY_U_MV = 80.0  # wander of the supply between idle and on (common practice)
AMPS_REL_U = 0.005
OHMS_U_MOHM = 3.0  # an ohmmeter's reading: probes pushed home again (common practice)
DIRECT_U_MV = 0.3  # a direct source's, thermal voltages taken off (common practice)
LIE_NO_CHANGE = USUAL.outliers.no_change
NODES = np.array([-1.7320508, 0.0, 1.7320508])  # Gauss-Hermite, exact to the fifth moment
NODE_WEIGHTS = np.array([1 / 6, 2 / 3, 1 / 6])


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
    fitted: inference.Particles


def particles_of(posterior: Posterior, count: int, seed: int = 0) -> Particles:
    """Draw hypotheses from the posterior without bias and fit their runs."""
    rng = np.random.default_rng(seed)
    log_weight = np.log(np.maximum(posterior.ensemble.weights, 1e-300))
    rows, gained, _ = thin(log_weight, count, rng)
    weight = np.exp(log_weight[rows] + gained)
    return Particles(rows, weight / weight.sum(), inference.particles(posterior, rows))


def as_tests(posterior: Posterior, setups: Sequence[Setup]) -> Tests:
    """The possible tests in the form that the resolver computes with."""
    return Tests.of(planned(posterior.circuit, setup) for setup in setups)


@dataclass(frozen=True, slots=True)
class Forecast:
    """What ``C`` possible tests would show on each of ``S`` trees, in mV, shape ``(S, C)``.

    Attributes:
        mean: Expected drop.
        runs_u: Its standard deviation from what is not known of the runs.
        meter_u: The standard uncertainty with which the meter will tell it.
    """

    mean: Floats
    runs_u: Floats
    meter_u: Floats

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


def forecast(posterior: Posterior, particles: Particles, tests: Tests) -> Forecast:
    """Forecast each possible test on each tree."""
    signed, variance = inference.predict(posterior, particles.fitted, tests)
    mean = np.abs(signed)
    noise = np.where(
        tests.source, SUPPLY_U_MV, np.where(mean > 3 * PICKUP_U_MV, PICKUP_U_MV, NO_JUMP_U_MV)
    )
    ohms = np.array([item.hookup.ohms for item in tests.items], dtype=bool)
    noise = np.where(tests.signed | ohms, np.where(ohms, OHMS_U_MOHM, DIRECT_U_MV), noise)
    return Forecast(mean, np.sqrt(variance), np.hypot(noise, AMPS_REL_U * mean))


def outcome_likelihoods(weight: Floats, expected: Forecast) -> tuple[Floats, Floats]:
    """Possible outcomes of one test and how likely each tree makes them.

    Args:
        weight: Of the trees, shape ``(S,)``.
        expected: What the test would show on each.

    Returns:
        Probability of each outcome, ``(C, O)``, and the likelihood of it on each tree,
        ``(C, O, S)``. The outcomes are three from each tree's own forecast, and "no change"
        because the test lies.
    """
    mean, sd = expected.mean, expected.sd
    nodes = np.abs(mean[:, None, :] + sd[:, None, :] * NODES[None, :, None])
    honest = (1 - LIE_NO_CHANGE) * weight[:, None] * NODE_WEIGHTS
    trees = len(weight)
    outcomes = nodes.reshape(trees * 3, -1)
    outcomes = np.concatenate([outcomes, np.zeros((1, outcomes.shape[1]))]).T  # (C, O)
    probability = np.append(honest.reshape(-1), LIE_NO_CHANGE)
    z = (outcomes[:, :, None] - mean.T[:, None, :]) / sd.T[:, None, :]
    likelihood = (1 - LIE_NO_CHANGE) * np.exp(-0.5 * z**2) / sd.T[:, None, :]
    lie = LIE_NO_CHANGE * np.exp(-0.5 * (outcomes / NO_JUMP_U_MV) ** 2) / NO_JUMP_U_MV
    likelihood += lie[:, :, None]
    return np.broadcast_to(probability, outcomes.shape), likelihood


def information_bits(
    probability: Floats, likelihood: Floats, weight: Floats, label: NDArray[np.intp]
) -> Floats:
    """Mutual information between a label of the trees and the outcome, in bits, shape ``(C,)``.

    ``I = sum over outcomes and labels of p(o) p(label | o) log2(p(o | label) / p(o))``; an outcome
    that stems from a tree is weighed with what all trees say about it (Rao-Blackwell).
    """
    group = _grouped(weight, label)
    share = group.sum(axis=0)
    # with p(o | label) = m: sum of p(label | o) log2(p(label | o) / share) over the labels
    # is sum of share m log2(m) / p(o), less log2(p(o))
    given = np.maximum(likelihood @ (group / np.maximum(share, 1e-300)), 1e-300)
    total = given @ share
    gain = (given * np.log2(given)) @ share / total - np.log2(total)
    bits: Floats = (probability * gain).sum(axis=1)
    return bits


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
