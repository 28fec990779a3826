"""The test that is worth most now: information about the goal for the effort it takes."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from meterlink.circuit.setup import Hookup, Setup
from meterlink.errors import UsageError
from meterlink.plan.candidates import Effort, possible_setups
from meterlink.plan.forecast import (
    Particles,
    as_tests,
    forecast,
    information_bits,
    outcome_likelihoods,
    particles_of,
    settling_probability,
)
from meterlink.plan.words import reason
from meterlink.tree.infer import SETTLED, Posterior
from meterlink.tree.posterior import first_probabilities
from meterlink.tree.trees import Floats

SCREEN_TREES = 40  # every possible test is weighed with so many trees,
FINAL_TREES = 128  # the best of them again with so many
FINALISTS = 20
CHUNK = 16  # possible tests at once: fits a core's cache (measured: twice as fast as 256)
RUNS_SHARE = 0.25  # worth of a bit about the runs while the order is open: it lets later
# readings tell the order; the share falls to nothing where one order is as likely as not
OPENING_BITS = 3.0  # worth of a receptacle's own depth while the order is open, see ``_opens``
SETTLING_BITS = 1.0  # worth of being done: about what one more test would tell (measured at eight
# receptacles: 0.2 tests fewer)
CONTROL_BITS = 0.02  # worth of a hookup that has never shown a jump, to break ties


class Goal(StrEnum):
    """What the person wants to know."""

    ORDER = "order"  # who feeds whom
    FIRST = "first"  # the receptacle right after the panel only


@dataclass(frozen=True, slots=True)
class NextTest:
    """A test worth doing.

    Attributes:
        setup: Where the leads and the load go.
        gain_bits: Expected information about the goal.
        effort: What it costs after the last test, in on/off cycles.
        why: The reason in a sentence.
        settled: The goal is reached; the test would only confirm.
    """

    setup: Setup
    gain_bits: float
    effort: float
    why: str
    settled: bool


def next_test(
    posterior: Posterior,
    *,
    last: Setup | None = None,
    done: Collection[Setup] = (),
    goal: Goal = Goal.ORDER,
    not_now: Collection[str] = (),
    hookups: Collection[Hookup] | None = None,
    effort: Effort | None = None,
) -> NextTest:
    """Choose the next test.

    Args:
        posterior: What is known.
        last: The setup of the last test: where leads and load are now.
        done: Setups already tested; ties go to one that repeats none.
        goal: Order of all, or the first only.
        not_now: Receptacles that cannot be got at now.
        hookups: Hookups that can be done; by default all that the circuit allows.
        effort: Costs.

    Raises:
        UsageError: No test is possible with what is allowed.
    """
    setups = list(possible_setups(posterior.circuit, not_now=not_now, hookups=hookups))
    if not setups:
        raise UsageError(
            "No test is possible: too few receptacles can be got at, or no hookup is left. "
            "Allow more receptacles or hookups."
        )
    settled = is_settled(posterior, goal)
    bits, runs_bits, _ = _gains(posterior, setups, particles_of(posterior, SCREEN_TREES), goal)
    costs = effort or Effort()
    cost = np.array([costs.of(setup, last, posterior.circuit) for setup in setups])
    fresh = np.array([setup not in done for setup in setups])
    proven = {(s.hookup, s.leads) for s in done}
    control = np.array([CONTROL_BITS * ((s.hookup, s.leads) not in proven) for s in setups])
    open_question = max(0.0, 1 - 2 * float(posterior.orders.probability.max()))
    share = RUNS_SHARE * open_question if goal is Goal.ORDER else 0.0
    opening = OPENING_BITS * open_question * _opens(posterior, setups, goal)
    screened = (bits + share * runs_bits + opening) / cost
    finalists = np.argsort(-screened, kind="stable")[:FINALISTS]
    particles = particles_of(posterior, FINAL_TREES)
    gains, runs_bits, settling = _gains(posterior, [setups[i] for i in finalists], particles, goal)
    worth = gains * (1 + control[finalists] * fresh[finalists]) + share * runs_bits
    worth += opening[finalists] + SETTLING_BITS * settling
    worth = worth / cost[finalists] + 1e-9 * fresh[finalists]
    best = int(worth.argmax())
    setup = setups[finalists[best]]
    return NextTest(
        setup=setup,
        gain_bits=float(gains[best]),
        effort=float(cost[finalists[best]]),
        why=explain(posterior, setup, particles, goal, settled=settled),
        settled=settled,
    )


def worth_of(
    posterior: Posterior, setup: Setup, *, last: Setup | None = None, goal: Goal = Goal.ORDER
) -> NextTest:
    """What a test of the person's own choice would tell."""
    particles = particles_of(posterior, FINAL_TREES)
    gain = _gains(posterior, [setup], particles, goal)[0][0]
    settled = is_settled(posterior, goal)
    return NextTest(
        setup=setup,
        gain_bits=float(gain),
        effort=Effort().of(setup, last, posterior.circuit),
        why=explain(posterior, setup, particles, goal, settled=settled),
        settled=settled,
    )


def is_settled(posterior: Posterior, goal: Goal) -> bool:
    """Whether the goal is reached with the probability that counts as settled."""
    if goal is Goal.ORDER:
        return posterior.settled
    n = len(posterior.circuit.receptacles)
    return bool(first_probabilities(posterior.orders, n).max() >= SETTLED)


def _labels(posterior: Posterior, particles: Particles, goal: Goal) -> NDArray[np.intp]:
    """For each tree the answer to the goal's question, as a number."""
    order = posterior.orders.of_tree[particles.rows]
    if goal is Goal.FIRST:
        full = (1 << len(posterior.circuit.receptacles)) - 1
        feeds_all = posterior.orders.clades[order] == full
        answer = np.where(feeds_all.any(axis=1), feeds_all.argmax(axis=1), -1)
    else:
        answer = order
    return np.unique(answer, return_inverse=True)[1].reshape(-1)


def _gains(
    posterior: Posterior, setups: Sequence[Setup], particles: Particles, goal: Goal
) -> tuple[Floats, Floats, Floats]:
    """What each setup promises.

    Returns:
        Expected information about the goal, and about the runs, in bits; and the probability that
        the goal is settled then.
    """
    label = _labels(posterior, particles, goal)
    parts, runs, settling = [], [], []
    for start in range(0, len(setups), CHUNK):
        tests = as_tests(posterior, setups[start : start + CHUNK])
        expected = forecast(posterior, particles, tests)
        outcomes = outcome_likelihoods(particles.weight, expected)
        parts.append(information_bits(*outcomes, particles.weight, label))
        settling.append(settling_probability(*outcomes, particles.weight, label, SETTLED))
        runs.append(expected.bits_about_runs(particles.weight))
    return np.concatenate(parts), np.concatenate(runs), np.concatenate(settling)


def _opens(posterior: Posterior, setups: Sequence[Setup], goal: Goal) -> Floats:
    """1 for tests that measure the depth of a receptacle for the first time, else 0.

    With meter and load at one receptacle the drop is that of everything between it and the panel.
    Such a reading tells little by itself; but with all depths known, the receptacles stand in
    line, and one later reading between two of them checks both against the line at once. Looking
    one test ahead does not see that (measured: 12.8 tests instead of 14.3 at eight receptacles).
    """
    names = posterior.circuit.receptacles
    own = Hookup.NEUTRAL_GROUND if posterior.circuit.grounded else Hookup.LINE_DROP
    known = {
        names[item.load]
        for item in posterior.tests.items
        if item.hookup is own
        and item.leads[0] == item.load
        and item.drop_mv is not None
        and item.drop_mv > 3 * item.u_mv
    }
    wanted = goal is Goal.ORDER
    return np.array(
        [
            float(wanted and s.hookup is own and s.lead_a == s.load_at and s.load_at not in known)
            for s in setups
        ]
    )


def explain(
    posterior: Posterior, setup: Setup, particles: Particles, goal: Goal, *, settled: bool
) -> str:
    """The question that the test answers best, in words."""
    expected = forecast(posterior, particles, as_tests(posterior, [setup]))
    probability, likelihood = outcome_likelihoods(particles.weight, expected)
    return reason(
        posterior,
        particles,
        lambda label: float(information_bits(probability, likelihood, particles.weight, label)[0]),
        settled=settled,
        first_only=goal is Goal.FIRST,
    )
