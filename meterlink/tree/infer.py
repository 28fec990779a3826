"""From a circuit and its test rows to weighted wirings: what the map and the planner start from.

The posterior is over trees and conditions of the circuit together. Each condition has a population
of trees of its own, so that none dies out before the tests that speak for it have come; those that
could not matter even if they explained the log perfectly are left out. What is left for something
that is not modelled here grows where nothing explains the log.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from meterlink.assumptions import MAX_RECEPTACLES, USUAL, Assumptions
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup
from meterlink.errors import UsageError
from meterlink.levels.test_flags import Flag
from meterlink.testlog.columns import TestRow
from meterlink.testlog.findings import Finding
from meterlink.tree.fit import Known
from meterlink.tree.hypotheses import Kind, RunPrior
from meterlink.tree.isolation import Isolation, belonging, elsewhere, no_ground_log_odds
from meterlink.tree.likelihood import Grounds
from meterlink.tree.local_search import closed_between_points, improved, log_prior_of
from meterlink.tree.observations import Tests, observations_of
from meterlink.tree.posterior import Ensemble, Orders, orders_of
from meterlink.tree.search import Setting, Stratum, at_most, search, searched, told_by
from meterlink.tree.trees import Floats, TreePrior, homes
from meterlink.tree.wrong_names import with_wrong_names

MATTERS = 4.0  # nats that a condition may stay behind if it explained the log perfectly
SHAPES_OF_A_CONDITION = 2.0  # nats that all its trees may weigh more than the best one
SCREEN = 24  # trees of a first look
FAR_BEHIND, WORTH_MORE = 7.0, 3.0  # nats behind at which it ends, or is the last look
FEWER = 5  # times fewer trees are kept under a condition than for a sound circuit
NEGLIGIBLE = 12.0
FELL_SDS = 5.0  # a reading so many uncertainties below the idle one has fallen


@dataclass(frozen=True, slots=True)
class Posterior:
    """Everything known after the tests; the planner and the map both start from it.

    Attributes:
        circuit: As stated.
        tests: The tests as numbers.
        ensemble: Weighted trees with a condition each.
        orders: Weighted answers: who feeds whom, and the condition.
        run_prior: Of the runs of the stated conductor.
        grounds: Which receptacles have no ground contact, before the drops.
        findings: What was found with the power off.
        rows: The rows of the log as given; the planner learns from them what a hookup shows.
        unexplained: Probability that something is the matter that is not modelled here.
        opposed: Probability that the current behind the idle readings opposes the load's.
        assumptions: What was taken for granted.
        modes: Of the runs, of hypotheses that were weighed (``fit.Known``).
    """

    circuit: Circuit
    tests: Tests
    ensemble: Ensemble
    orders: Orders
    run_prior: RunPrior
    grounds: Grounds
    findings: tuple[Finding, ...] = ()
    rows: tuple[TestRow, ...] = ()
    unexplained: float = 0.0
    opposed: float = 0.0
    assumptions: Assumptions = field(default_factory=Assumptions)
    modes: dict[int, list[Floats]] = field(default_factory=dict, compare=False, repr=False)

    @property
    def settled(self) -> bool:
        """Whether the most probable answer is probable enough to stop testing."""
        return bool(self.orders.probability.max() >= self.assumptions.decisions.settled)

    @property
    def labels(self) -> NDArray[np.intp]:
        """For each tree of the ensemble the answer it gives, as a number."""
        return self.orders.of_tree

    @property
    def known(self) -> Known:
        """What all fits share."""
        return Known(self.tests, self.run_prior, self.grounds, self.modes)


def capacity_for(n: int) -> int:
    """Number of trees kept: every tree up to four receptacles, fewer where each costs more."""
    few = {1: 8, 2: 8, 3: 64, 4: 400, 5: 400, 6: 400, 7: 300, 8: 250}
    return few.get(n, 150 if n <= 12 else 100 if n <= 20 else 50)


def infer(
    circuit: Circuit,
    rows: Sequence[TestRow],
    *,
    findings: Sequence[Finding] = (),
    capacity: int | None = None,
    seed: int = 0,
    assumptions: Assumptions = USUAL,
) -> Posterior:
    """Weigh the possible wirings of a circuit by its tests and by findings with the power off.

    Raises:
        UsageError: No receptacle or too many, or a row names one that the circuit does not have.
    """
    n = len(circuit.receptacles)
    if not 1 <= n <= MAX_RECEPTACLES:
        raise UsageError(
            f"The circuit has {n} receptacles; 1 to {MAX_RECEPTACLES} can be resolved. "
            "Correct the list in job.toml."
        )
    names = set(circuit.receptacles)
    for row in rows:
        for name in row.setup.places:
            if name not in names:
                raise UsageError(
                    f"Test {row.test} names {name!r}, which the circuit does not have. "
                    "Correct the name in the log, or add the receptacle to job.toml."
                )
    adds, opposes = _signs(rows, assumptions)
    share, floor = 0.0, -np.inf
    if opposes is not None:
        other = _weighed(circuit, rows, findings, capacity, seed, opposes, sound_only=True)
        floor = _log_total(other[1]) + _log_sign_odds(rows, assumptions)
    setting, ensemble = _weighed(circuit, rows, findings, capacity, seed, adds, floor=floor)
    if opposes is not None:
        log_odds = floor - _log_total(ensemble)
        share = float(1 / (1 + np.exp(-np.clip(log_odds, -700.0, 700.0))))
        ensemble = _mixed(ensemble, other[1], share)
        setting = other[0] if share > 0.5 else setting
    unexplained = _unexplained(ensemble, setting, assumptions) if n > 1 else 0.0
    orders = orders_of(ensemble, n)
    orders = replace(orders, probability=orders.probability * (1 - unexplained))
    return Posterior(
        circuit,
        setting.known.tests,
        ensemble,
        orders,
        setting.known.prior,
        setting.known.grounds,
        tuple(findings),
        tuple(rows),
        unexplained,
        share,
        assumptions,
        setting.known.modes,
    )


def _weighed(
    circuit: Circuit,
    rows: Sequence[TestRow],
    findings: Sequence[Finding],
    capacity: int | None,
    seed: int,
    assumptions: Assumptions,
    *,
    sound_only: bool = False,
    floor: float = -np.inf,
) -> tuple[Setting, Ensemble]:
    """The hypotheses that the rows leave, with one belief of the idle readings' sign.

    Conditions that could not matter beside the log weight ``floor`` are left out.
    """
    n = len(circuit.receptacles)
    tests = Tests.of(observations_of(circuit, rows, assumptions), assumptions.outliers)
    setting = Setting(
        Known(
            tests,
            RunPrior.for_conductor(circuit.ohm_per_m(), assumptions),
            Grounds(no_ground_log_odds(circuit, rows, assumptions)),
        ),
        TreePrior(assumptions.shapes),
        Isolation.of(findings, circuit.receptacles, assumptions),
    )
    room = capacity or capacity_for(n)
    strata = list(strata_of(n, assumptions, ring_usual=circuit.ring_usual))
    strata = [_as_found(stratum, circuit.receptacles, findings, assumptions) for stratum in strata]
    sound = search(setting, strata[0], capacity=room, seed=seed)
    found = [improved(sound, setting, strata[0])] if sound is not None else []
    if not sound_only:
        log_path = float(np.log(assumptions.conditions.second_path))
        found += _conditions(found, strata, setting, room, seed, log_path, floor)
    ensemble = Ensemble.joined(found)
    near = ensemble.log_weight > ensemble.log_weight.max() - NEGLIGIBLE
    ensemble = with_wrong_names(ensemble.take(near), setting, strata[0], assumptions)
    return setting, _with_strays(ensemble, strata, setting, assumptions)


def _with_strays(
    ensemble: Ensemble, strata: Sequence[Stratum], setting: Setting, assumptions: Assumptions
) -> Ensemble:
    """A receptacle alone on a cable from the panel may hang on another breaker just as well.

    Its own load moves what is read there either way, and nothing else: no test with the power on
    tells the two apart.
    """
    moves = float(np.log1p(-assumptions.outliers.own_still))
    parts = [ensemble]
    for stratum in strata:
        if stratum.away is None:
            continue
        bit = 1 << stratum.away
        h = ensemble.hypotheses
        rows = np.flatnonzero((h.kind == Kind.SOUND) & h.alone(bit))
        if not len(rows):
            continue
        part, each = ensemble.take(rows), np.zeros(len(rows), dtype=np.int64)
        apart = replace(part.hypotheses, kind=each + int(Kind.APART), near=each + bit)
        masks = apart.on_circuit
        others = replace(part.hypotheses, masks=masks, home=homes(masks))
        log_prior = log_prior_of(others, setting, stratum) + moves
        parts.append(replace(part, hypotheses=apart, log_prior=log_prior))
    return Ensemble.joined(parts)


def _conditions(
    found: Sequence[Ensemble],
    strata: Sequence[Stratum],
    setting: Setting,
    room: int,
    seed: int,
    log_path: float,
    floor: float,
) -> list[Ensemble]:
    """The trees of every condition that might matter beside the sound ones.

    A few of each first, and more where these are not far behind.
    """
    more: list[Ensemble] = []

    def total() -> float:
        return float(np.logaddexp(_log_total(Ensemble.joined([*found, *more])), floor))

    for kinds in ((Kind.CLOSED,), (Kind.BONDED, Kind.ELSEWHERE)):
        sofar, beside = [*found, *more], total()
        here = [s for s in strata if s.kind in kinds and could_matter(sofar, s, setting, beside)]
        least = beside - FAR_BEHIND
        parts = searched(setting, here, capacity=SCREEN, seed=seed, floor=least)
        screened = [(one, part) for one, part in zip(here, parts, strict=True) if part is not None]
        for stratum, part in sorted(screened, key=lambda pair: -_log_total(pair[1])):
            if _log_total(part) >= total() - WORTH_MORE:
                if room // FEWER > SCREEN and not part.complete:
                    part = search(setting, stratum, capacity=room // FEWER, seed=seed) or part
                part = improved(part, setting, stratum)
            more.append(part)
    every, places = [*found, *more], strata[0].places
    gained = _log_total(Ensemble.joined(every)) + _badness(every) + log_path
    if len(places) > 2 and gained > total() - MATTERS:
        path = closed_between_points(every[0], setting, log_path, places, total())
        more += [path] if path is not None else []
    return more


def _log_total(ensemble: Ensemble) -> float:
    return float(np.logaddexp.reduce(ensemble.log_weight))


def _signs(
    rows: Sequence[TestRow], assumptions: Assumptions
) -> tuple[Assumptions, Assumptions | None]:
    """Both beliefs of a current behind idle readings between neutral and ground.

    Other appliances of the circuit add to the load's current; those of the other leg of a shared
    neutral oppose it, in all tests alike. Where no idle reading is large there is one belief.
    """
    if not any(_shows_current(row, assumptions) for row in rows):
        return assumptions, None
    mixed = assumptions.conditions.sign_mixed

    def believing(opposed: float) -> Assumptions:
        return replace(assumptions, levels=replace(assumptions.levels, opposed=opposed))

    return believing(mixed), believing(1 - mixed)


def _shows_current(row: TestRow, assumptions: Assumptions) -> bool:
    """Whether a row's idle reading between neutral and ground is a current."""
    large = row.idle_mv is not None and row.idle_mv >= assumptions.meter.large_idle_mv
    return large and row.setup.hookup is Hookup.NEUTRAL_GROUND and Flag.FLOATING not in row.flags


def _log_sign_odds(rows: Sequence[TestRow], assumptions: Assumptions) -> float:
    """Log odds, before the drops, that the current opposes: readings that fell with the load on."""
    opposed = assumptions.levels.opposed
    fell = sum(
        row.on_mv < row.idle_mv - FELL_SDS * max(row.level_u_mv or 0.0, 1.0)
        for row in rows
        if _shows_current(row, assumptions) and row.on_mv is not None and row.idle_mv is not None
    )
    each = -float(np.log(assumptions.conditions.sign_mixed))
    return float(np.log(opposed / (1 - opposed))) + each * fell


def _mixed(one: Ensemble, other: Ensemble, share: float) -> Ensemble:
    """Two posteriors as one, of which the second has a share."""
    parts = []
    for part, weight in ((one, 1 - share), (other, share)):
        if weight > np.exp(-NEGLIGIBLE):
            scale = float(np.log(weight)) - _log_total(part)
            parts.append(replace(part, log_prior=part.log_prior + scale))
    base = _log_total(one)  # what is not explained is weighed against the likelier belief
    base = max(base, _log_total(other)) if share > 0.5 else base
    joined = Ensemble.joined(parts)
    return replace(joined, log_prior=joined.log_prior + base)


def strata_of(n: int, assumptions: Assumptions, *, ring_usual: bool) -> Iterator[Stratum]:
    """The conditions that are weighed, the sound circuit first."""
    c = assumptions.conditions
    every = tuple(range(n))
    ring = c.ring_where_usual if ring_usual else c.ring
    if n < 2:
        yield Stratum(Kind.SOUND, None, 0.0, every)
        return
    sound = max(1 - ring - c.bonded - c.elsewhere - c.second_path - c.unexplained, 0.1)
    yield Stratum(Kind.SOUND, None, float(np.log(sound)), every)
    yield Stratum(Kind.CLOSED, None, float(np.log(ring)), every)
    for at in every:
        yield Stratum(Kind.BONDED, at, float(np.log(c.bonded / n)), every)
    for at in every:
        others = tuple(i for i in every if i != at)
        yield Stratum(Kind.ELSEWHERE, at, float(np.log(c.elsewhere / n)), others)


def _as_found(
    stratum: Stratum, names: Sequence[str], findings: Sequence[Finding], assumptions: Assumptions
) -> Stratum:
    """A receptacle found live with the breaker off is probably on another circuit."""
    if stratum.away is None:
        return stratum
    name = names[stratum.away]
    wrong = assumptions.outliers.finding
    sure = float(np.log((1 - wrong) / wrong))
    told = (name in elsewhere(findings)) - (name in belonging(findings))
    return replace(stratum, log_prior=stratum.log_prior + told * sure)


def _badness(found: Sequence[Ensemble]) -> float:
    """Nats that the best of all loses: tests, runs and shape, against a perfect plain chain."""
    whole = Ensemble.joined(list(found))
    best = int((whole.log_prior + whole.log_evidence).argmax())
    return float(whole.badness[best] + whole.log_prior.max() - whole.log_prior[best])


def could_matter(
    found: Sequence[Ensemble], stratum: Stratum, setting: Setting, total: float
) -> bool:
    """Whether a condition might matter beside log weight ``total`` if it explained the tests best.

    How well a test can be explained is told by what was ``found``.
    """
    whole = Ensemble.joined(list(found))
    best = int((whole.log_prior + whole.log_evidence).argmax())
    n = len(stratum.places)
    ring = stratum.kind is Kind.CLOSED
    prior = setting.tree_prior
    shape = float((prior.log_ring_branches(n) if ring else prior.log_branches(n))[0])
    ideal = whole.log_evidence[best] + whole.badness[best] + stratum.log_prior + shape
    ideal -= _contradicted(stratum, setting)
    return bool(ideal + SHAPES_OF_A_CONDITION > total - MATTERS)


def _contradicted(stratum: Stratum, setting: Setting) -> float:
    """Nats that tests lose under a condition whatever the tree: jumps where it allows none."""
    tests, grounds = setting.known.tests, setting.known.grounds
    if stratum.at is None or not len(tests):
        return 0.0
    perfect = at_most(tests)
    if stratum.kind is Kind.ELSEWHERE:
        fixed = told_by(stratum, tests)
        # one run less has to have the right length then, and these tests lose nothing by noise
        run = np.log(np.maximum(setting.known.prior.log_sd * np.abs(tests.drop) / tests.u, 1.0))
        spared = float(np.where(fixed, run, 0.0).max() + 0.5 * (fixed & tests.measured).sum())
        return max(float((perfect - at_most(tests, stratum)).sum()) - spared, 0.0)
    # the bond itself has some resistance
    bond_mohm = setting.known.prior.bond_mohm * np.exp(2 * setting.known.prior.bond_log_sd)
    which = (tests.grounded_at == stratum.at) & (np.abs(tests.drop) > tests.amps * bond_mohm)
    still = np.logaddexp(tests.log_still - np.log(0.05), tests.log_jump)
    lost = np.where(which & tests.measured, np.maximum(perfect - still, 0.0), 0.0)
    # or there is no ground contact, and its tests say nothing
    floating = float(np.logaddexp(0.0, -grounds.log_odds[stratum.at]))
    floating += float(np.where(which, np.maximum(perfect - tests.log_void, 0.0), 0.0).sum())
    return min(float(lost.sum()), floating)


def _unexplained(ensemble: Ensemble, setting: Setting, assumptions: Assumptions) -> float:
    """Probability of something else: any reading at all is as likely as any other then.

    What was found with the power off says nothing about it.
    """
    share = assumptions.conditions.unexplained
    found = setting.isolation.log_weight(ensemble.masks)
    total = float(np.logaddexp.reduce(ensemble.log_weight - found))
    log_odds = np.log(share) + float(setting.known.tests.log_void.sum()) - total
    return float(1 / (1 + np.exp(-np.clip(log_odds, -700.0, 700.0))))
