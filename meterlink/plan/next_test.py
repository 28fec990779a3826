"""The test that is worth most now: information about the question for the effort it takes."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meterlink.assumptions import USUAL, Assumptions
from meterlink.circuit.setup import Hookup, Setup
from meterlink.errors import UsageError
from meterlink.plan.candidates import Effort, possible_setups
from meterlink.plan.experience import Experience, leads_of
from meterlink.plan.forecast import (
    Forecast,
    Particles,
    as_tests,
    forecast,
    information_bits,
    outcome_likelihoods,
    particles_of,
    quick_bits,
    settling_probability,
)
from meterlink.plan.instructions import reason
from meterlink.plan.questions import Goal, Question
from meterlink.tree.hypotheses import Kind
from meterlink.tree.infer import Posterior
from meterlink.tree.trees import Floats

__all__ = ["Goal", "NextTest", "Question", "is_settled", "next_test", "worth_of"]

SCREEN_TREES = 40  # every possible test is weighed with so many trees, at a glance,
MOST_WEIGHED = 6000  # possible tests
SHORTLIST = 80  # the best of them properly,
FINAL_TREES = 128  # and the best of these again with so many
FINALISTS = 20
GLANCED = 64  # possible tests glanced at at once
CHUNK = 16  # possible tests at once: fits a core's cache (measured: twice as fast as 256)
RUNS_SHARE = 0.25  # worth of a bit about the runs while the order is unknown: it lets later
# readings tell the order; the share falls to nothing where one order is as likely as not
OPENING_BITS = 3.0  # worth of a receptacle's own depth while the order is unknown, see ``_opens``
LINE_OPENS = 0.7  # the same over hot and neutral where neutral to ground would do
SETTLING_BITS = 1.0  # worth of being done: about what one more test would tell (measured at eight
# receptacles: 0.2 tests fewer)
CONTROL_BITS = 0.02  # worth of a hookup that has never shown a jump, to break ties
CYCLES = (1, 2, 4, 6, 8, 12, 16, 20)  # of a test, over which a wandering supply is averaged
CYCLES_OF = 4  # of the best line-drop tests the number of cycles is weighed
LITTLE_BITS = 0.02  # a test that tells less is hardly worth doing
OTHER_WAYS = (
    "What is still open hardly shows in these tests. Another hookup, receptacles that were left "
    "out, or a heavier load would tell more."
)
APART_U = 1.645 * 2**0.5  # uncertainties of two readings that are told apart with 95 %


@dataclass(frozen=True, slots=True)
class NextTest:
    """A test worth doing.

    Attributes:
        setup: Where the leads and the load go.
        gain_bits: Expected information about the goal.
        effort: What it costs after the last test, in on/off cycles.
        why: The reason in a sentence.
        settled: The goal is reached; the test would only confirm.
        cycles: How many short on/off cycles it should have.
        advice: What else would help where no test tells much, in sentences.
        look_at: Receptacles that a look with the breaker off would tell more of than any test.
    """

    setup: Setup
    gain_bits: float
    effort: float
    why: str
    settled: bool
    cycles: int = 1
    advice: tuple[str, ...] = ()
    look_at: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Worth:
    """What some possible tests promise: bits about the question and the runs, and being done."""

    gain: Floats
    runs: Floats
    settling: Floats


def next_test(
    posterior: Posterior,
    *,
    last: Setup | None = None,
    done: Collection[Setup] | None = None,
    goal: Goal = Goal.ORDER,
    question: Question | None = None,
    not_now: Collection[str] = (),
    hookups: Collection[Hookup] | None = None,
    one_place: bool = False,
    side: str = "neutral",
    effort: Effort | None = None,
    assumptions: Assumptions = USUAL,
) -> NextTest:
    """Choose the next test.

    Args:
        posterior: What is known.
        last: The setup of the last test: where leads and load are now.
        done: Setups already tested (those of the posterior's rows where not given); ties go to one
            that repeats none.
        goal: What the person wants to know, where no ``question`` says so.
        question: The goal and the receptacles that it is about.
        not_now: Receptacles that are not accessible now.
        hookups: Hookups that can be done; by default all that the circuit allows.
        one_place: The load is where the leads are, as with a circuit tester.
        side: Conductor to measure on the dead circuit.
        effort: Costs.
        assumptions: Noise where the log says nothing.

    Raises:
        UsageError: No test is possible with what is allowed, or the question makes no sense.
    """
    circuit = posterior.circuit
    asked = (question or Question(goal)).checked(circuit.receptacles)
    done = {row.setup for row in posterior.rows} if done is None else done
    known = Experience.of(circuit, posterior.rows, assumptions)
    setups = fewer(
        possible_setups(circuit, not_now=not_now, hookups=hookups, one_place=one_place, side=side)
    )
    if not setups:
        raise UsageError(
            "No test is possible: too few receptacles are accessible, or no hookup is left. "
            "Allow more receptacles or hookups."
        )
    useful = [s for s in setups if not known.tells_nothing(s)]
    setups = useful or [s for s in setups if not known.was_unclear(s)] or setups
    settled = is_settled(posterior, question=asked)
    planner = _Planner(posterior, asked, known)
    costs = effort or Effort()
    cost = np.array(costs.of_each(setups, last, circuit))
    fresh = np.array([setup not in done for setup in setups])
    unknown = max(0.0, 1 - 2 * float(posterior.orders.probability.max()))
    share = {Goal.ORDER: RUNS_SHARE * unknown, Goal.JOINTS: 1.0}.get(asked.goal, 0.0)
    opening = OPENING_BITS * unknown * _opens(posterior, setups, asked, known)
    gain_runs = planner.glance(setups)
    glanced = (gain_runs[0] + share * gain_runs[1] + opening) / cost
    short = np.argsort(-glanced, kind="stable")[:SHORTLIST]
    seen = planner.worth([setups[i] for i in short], planner.screen)
    screened = (seen.gain + share * seen.runs + opening[short]) / cost[short]
    least = _least_cycles(setups, known)
    best = [(int(i), least) for i in short[np.argsort(-screened, kind="stable")[:FINALISTS]]]
    wandering = [i for i, _ in best if setups[i].hookup is Hookup.LINE_DROP][:CYCLES_OF]
    best += [(i, cycles) for i in wandering for cycles in CYCLES if cycles > least]
    finalists = np.array([i for i, _ in best])
    cycles = [count for _, count in best]
    proven = {(s.hookup, s.leads) for s in done}
    control = np.array(
        [CONTROL_BITS * ((setups[i].hookup, setups[i].leads) not in proven) for i in finalists]
    )
    final = planner.worth([setups[i] for i in finalists], planner.final, cycles)
    worth = final.gain * (1 + control * fresh[finalists]) + share * final.runs
    worth += opening[finalists] + SETTLING_BITS * final.settling
    effort_of = cost[finalists] + costs.more_cycles * (np.array(cycles) - 1)
    worth = worth / effort_of + 1e-9 * fresh[finalists]
    chosen = int(worth.argmax())
    gain = float(final.gain[chosen])
    little = gain < LITTLE_BITS and opening[finalists[chosen]] == 0
    hopeless = not settled and (little or not useful)
    look_at = _only_the_breaker_tells(posterior) if hopeless else ()
    looks = tuple(
        f"Only the breaker tells whether {name} is on this circuit: switch it off, see with a "
        f"tester whether {name} is dead, and note that (meterlink isolate --breaker-off)."
        for name in look_at
    )
    return NextTest(
        setup=setups[finalists[chosen]],
        gain_bits=gain,
        effort=float(effort_of[chosen]),
        why=planner.why(setups[finalists[chosen]], cycles[chosen], settled=settled),
        settled=settled,
        cycles=cycles[chosen],
        advice=looks + known.advice(one_place=one_place) or (OTHER_WAYS,) if hopeless else (),
        look_at=look_at,
    )


def _only_the_breaker_tells(posterior: Posterior) -> tuple[str, ...]:
    """Receptacles that may be on another circuit as far as any test tells."""
    orders, listed = posterior.orders, posterior.assumptions.decisions.listed
    away = np.where(orders.kind == Kind.ELSEWHERE, orders.near, 0)
    return tuple(
        name
        for i, name in enumerate(posterior.circuit.receptacles)
        if listed <= float(orders.probability[away == 1 << i].sum()) < 1 - listed
    )


def fewer(setups: Iterable[Setup]) -> list[Setup]:
    """The tests that are weighed: all, but for very many, of which those like others are thinned.

    Of tests with the load at neither lead there are as many as receptacles cubed.
    """
    every = list(setups)
    beside = [s.lead_b is not None and s.load_at not in s.leads for s in every]
    room = max(MOST_WEIGHED - len(every) + sum(beside), 1)
    step, count = max(1, -(-sum(beside) // room)), accumulate(beside)
    return [s for s, far, k in zip(every, beside, count, strict=True) if not far or k % step == 0]


def worth_of(
    posterior: Posterior,
    setup: Setup,
    *,
    last: Setup | None = None,
    goal: Goal = Goal.ORDER,
    question: Question | None = None,
    assumptions: Assumptions = USUAL,
) -> NextTest:
    """What a test of the person's own choice would tell."""
    asked = (question or Question(goal)).checked(posterior.circuit.receptacles)
    known = Experience.of(posterior.circuit, posterior.rows, assumptions)
    planner = _Planner(posterior, asked, known)
    gain = planner.worth([setup], planner.final).gain[0]
    settled = is_settled(posterior, question=asked)
    return NextTest(
        setup=setup,
        gain_bits=float(gain),
        effort=Effort().of(setup, last, posterior.circuit),
        why=planner.why(setup, 1, settled=settled),
        settled=settled,
    )


def is_settled(
    posterior: Posterior, goal: Goal = Goal.ORDER, *, question: Question | None = None
) -> bool:
    """Whether the question is answered with the probability that counts as settled."""
    asked = question or Question(goal)
    if asked.goal is Goal.ORDER:
        return posterior.settled
    return asked.certainty(posterior) >= posterior.assumptions.decisions.settled


class _Planner:
    """The question put to a posterior: what possible tests tell about it."""

    def __init__(self, posterior: Posterior, question: Question, known: Experience) -> None:
        self.posterior, self.question, self.known = posterior, question, known
        self.screen = particles_of(posterior, SCREEN_TREES)
        self.final = particles_of(posterior, FINAL_TREES)
        self._answer = question.labels(posterior)
        self._known_u_mv: dict[tuple[Any, ...], tuple[float, float]] = {}

    def glance(self, setups: Sequence[Setup]) -> tuple[Floats, Floats]:
        """Bits about the question and about the runs that each setup promises, nearly."""
        label = self._labels(self.screen)
        gains, runs = [], []
        for start in range(0, len(setups), GLANCED):
            some = setups[start : start + GLANCED]
            expected = self._forecast(some, self.screen, [1] * len(some))
            tells = 1 - self._void(some)
            bits = quick_bits(self.screen.weight, expected, label, self.posterior.assumptions)
            gains.append(tells * bits)
            runs.append(tells * expected.bits_about_runs(self.screen.weight))
        return np.concatenate(gains), np.concatenate(runs)

    def _forecast(
        self, setups: Sequence[Setup], particles: Particles, cycles: Sequence[int]
    ) -> Forecast:
        """What each setup would show, with so many cycles each."""
        u = [self._u_mv(s, c) for s, c in zip(setups, cycles, strict=True)]
        return forecast(self.posterior, particles, as_tests(self.posterior, setups), u)

    def _u_mv(self, setup: Setup, cycles: int) -> tuple[float, float]:
        """What the log says of its leads, looked up once for all places of the load."""
        key = (*leads_of(setup), cycles)
        if key not in self._known_u_mv:
            self._known_u_mv[key] = self.known.u_mv(setup, cycles)
        return self._known_u_mv[key]

    def worth(
        self, setups: Sequence[Setup], particles: Particles, cycles: Sequence[int] = ()
    ) -> _Worth:
        """What each setup promises, with so many cycles each."""
        label = self._labels(particles)
        repeats = cycles or [1] * len(setups)
        assumed = self.posterior.assumptions
        sure = assumed.decisions.settled
        gains, runs, settling = [], [], []
        for start in range(0, len(setups), CHUNK):
            some = setups[start : start + CHUNK]
            expected = self._forecast(some, particles, repeats[start : start + CHUNK])
            outcomes = outcome_likelihoods(particles.weight, expected, assumed)
            tells = 1 - self._void(some)
            gains.append(tells * information_bits(*outcomes, particles.weight, label))
            settling.append(tells * settling_probability(*outcomes, particles.weight, label, sure))
            runs.append(tells * expected.bits_about_runs(particles.weight))
        return _Worth(np.concatenate(gains), np.concatenate(runs), np.concatenate(settling))

    def why(self, setup: Setup, cycles: int, *, settled: bool) -> str:
        """The question that the test answers best, in words."""
        particles = self.final
        expected = self._forecast([setup], particles, [cycles])
        assumed = self.posterior.assumptions
        outcomes = outcome_likelihoods(particles.weight, expected, assumed)

        def bits(label: NDArray[np.intp]) -> float:
            return float(information_bits(*outcomes, particles.weight, label)[0])

        first_only = self.question.goal is Goal.FIRST
        return reason(self.posterior, particles, bits, settled=settled, first_only=first_only)

    def _labels(self, particles: Particles) -> NDArray[np.intp]:
        """For each particle the answer to the question, as a number."""
        answer = self._answer[self.posterior.orders.of_tree[particles.rows]]
        return np.unique(answer, return_inverse=True)[1].reshape(-1)

    def _void(self, setups: Sequence[Setup]) -> Floats:
        """Probability that each test says nothing as there is no ground contact to measure at."""
        names = self.posterior.circuit.receptacles
        missing = no_ground(self.posterior)
        return np.array(
            [
                missing[names.index(s.lead_a)] if s.hookup is Hookup.NEUTRAL_GROUND else 0.0
                for s in setups
            ]
        )


def _least_cycles(setups: Sequence[Setup], known: Experience) -> int:
    """On/off cycles that every test should have where only the sag of the supply is measured.

    What tells the order is then the difference of two readings, and one sharp reading alone seems
    to be worth little. So each is made so sharp that the shortest run shows between two of them.
    """
    if any(setup.hookup is not Hookup.LINE_DROP for setup in setups):
        return 1
    wanted_mv = known.shortest_sag_mv() / APART_U
    sharp = (c for c in CYCLES if known.u_mv(setups[0], c)[0] <= wanted_mv)
    return next(sharp, CYCLES[-1])


def _opens(
    posterior: Posterior, setups: Sequence[Setup], question: Question, known: Experience
) -> Floats:
    """How much of an opening each test is: a receptacle's depth measured for the first time.

    With meter and load at one receptacle the drop is that of everything between it and the panel.
    Such a reading tells little by itself; but with all depths known, the receptacles stand in
    line, and one later reading between two of them checks both against the line at once. Looking
    one test ahead does not see that (measured: 12.8 tests instead of 14.3 at eight receptacles).
    """
    if question.goal is not Goal.ORDER:
        return np.zeros(len(setups))
    names = posterior.circuit.receptacles
    deep = {
        row.setup.lead_a
        for row in posterior.rows
        if is_depth(row.setup) and row.verdict == "in-path" and not known.tells_nothing(row.setup)
    }
    tried = {row.setup for row in posterior.rows}  # a second time is for what it tells alone
    ground = {s.lead_a for s in setups if s.hookup is Hookup.NEUTRAL_GROUND}
    missing = no_ground(posterior)

    def opens(setup: Setup) -> float:
        if not is_depth(setup) or setup.lead_a in deep or setup in tried:
            return 0.0
        there = 1 - float(missing[names.index(setup.lead_a)])
        if setup.hookup is Hookup.NEUTRAL_GROUND:
            return there
        if setup.hookup is Hookup.LINE_DROP and setup.lead_a in ground:
            return max(LINE_OPENS * there, 1 - there)
        return 1.0

    return np.array([opens(setup) for setup in setups])


def no_ground(posterior: Posterior) -> Floats:
    """Probability that each receptacle has no ground contact, as idle readings say, ``(n,)``."""
    share: Floats = 1 / (1 + np.exp(-np.clip(posterior.grounds.log_odds, -30, 30)))
    return share


def is_depth(setup: Setup) -> bool:
    """Whether a test measures everything between its receptacle and the panel."""
    if setup.hookup.has_lead_b and setup.lead_b is not None:
        return False
    return setup.hookup.ohms or setup.lead_a == setup.load_at
