"""From a circuit and its test rows to the map: the one call that the commands make."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meterlink.circuit.circuit import Circuit
from meterlink.errors import UsageError
from meterlink.testlog.rows import TestRow
from meterlink.tree import wiring
from meterlink.tree.ensemble import Ensemble
from meterlink.tree.flags import PointFlag
from meterlink.tree.hazards import Hazards, hazards_of
from meterlink.tree.isolation import Finding, Isolation, elsewhere, finding_notes
from meterlink.tree.joints import HotRatio, weigh_joints
from meterlink.tree.loops import find_loop
from meterlink.tree.misfit import misfit_notes
from meterlink.tree.observations import Tests, observations_of
from meterlink.tree.posterior import (
    PANEL,
    Orders,
    Run,
    best_tree,
    first_probabilities,
    lie_probabilities,
    orders_of,
    relations,
    runs_of,
    unseparated,
)
from meterlink.tree.run_prior import RunPrior
from meterlink.tree.search import search
from meterlink.tree.trees import MAX_RECEPTACLES, TreePrior

SETTLED = 0.95
DOUBTFUL = 0.5  # a test is named when it more probably lies than not
POOR = 0.5
LIKELY_LOOP = 0.5  # a second path is named when it is more probable than all trees
LISTED_POOR = 0.1  # joints less probable than this are not worth a line
USUAL_RUN_MOHM = 30.0


@dataclass(frozen=True, slots=True)
class Posterior:
    """Everything known after the tests; the planner and the map both start from it.

    Attributes:
        circuit: As stated.
        tests: The tests as numbers.
        ensemble: Weighted trees.
        orders: Weighted orders among receptacles.
        run_prior: Of the runs of the stated conductor.
        findings: What was found with the power off.
    """

    circuit: Circuit
    tests: Tests
    ensemble: Ensemble
    orders: Orders
    run_prior: RunPrior
    findings: tuple[Finding, ...] = ()

    @property
    def settled(self) -> bool:
        """Whether the most probable order is probable enough to stop testing."""
        return bool(self.orders.probability.max() >= SETTLED)


def capacity_for(n: int) -> int:
    """Number of trees kept: every tree up to four receptacles, fewer where each costs more."""
    few = {1: 8, 2: 8, 3: 64, 4: 512, 5: 1500, 6: 1500, 7: 800, 8: 500}
    return few.get(n, 150 if n <= 12 else 100)


def run_prior_for(circuit: Circuit) -> RunPrior:
    """Prior of the runs in the stated conductor."""
    ohm_per_m = circuit.ohm_per_m()
    return RunPrior() if ohm_per_m is None else RunPrior.for_conductor(ohm_per_m)


def infer(
    circuit: Circuit,
    rows: Sequence[TestRow],
    *,
    findings: Sequence[Finding] = (),
    capacity: int | None = None,
    seed: int = 0,
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
    known = set(circuit.receptacles)
    for row in rows:
        for name in (*row.setup.leads, row.setup.load_at):
            if name not in known:
                raise UsageError(
                    f"Test {row.test} names {name!r}, which the circuit does not have. "
                    "Correct the name in the log, or add the receptacle to job.toml."
                )
    tests = Tests.of(observations_of(circuit, rows))
    prior = run_prior_for(circuit)
    ensemble = search(
        tests,
        n,
        tree_prior=TreePrior(),
        run_prior=prior,
        capacity=capacity or capacity_for(n),
        seed=seed,
        isolation=Isolation.of(findings, circuit.receptacles),
    )
    return Posterior(circuit, tests, ensemble, orders_of(ensemble, n), prior, tuple(findings))


def resolve(
    circuit: Circuit,
    rows: Sequence[TestRow],
    *,
    findings: Sequence[Finding] = (),
    capacity: int | None = None,
) -> wiring.WiringMap:
    """Everything that the rows of a log say about the wiring.

    The answer is the same for the same circuit and rows. See ``infer`` for errors.
    """
    return map_of(infer(circuit, rows, findings=findings, capacity=capacity), rows)


def map_of(posterior: Posterior, rows: Sequence[TestRow]) -> wiring.WiringMap:
    """The map of a posterior; ``rows`` are the ones it was made from."""
    circuit, tests, orders = posterior.circuit, posterior.tests, posterior.orders
    names = circuit.receptacles
    n = len(names)
    runs = runs_of(posterior.ensemble, orders, n, tests, posterior.run_prior)
    lies, expected = (
        lie_probabilities(posterior.ensemble, tests, posterior.run_prior)
        if len(tests)
        else (np.zeros(0), np.zeros(0))
    )
    second = find_loop(
        posterior.ensemble,
        best_tree(posterior.ensemble, orders),
        tests,
        names,
        TreePrior(),
        posterior.run_prior,
    )
    loop = second.loop if second and second.loop.probability >= LIKELY_LOOP else None
    if second and loop:
        lies = np.where(np.isnan(second.lies), lies, second.lies)
        expected = np.where(np.isnan(second.expected_mv), expected, second.expected_mv)
    found = finding_notes(posterior.findings, names, relations(orders, n))
    misfit = misfit_notes(tests, lies, expected, len(runs) + (loop is not None))
    hazards = hazards_of(circuit, rows, tests, lies, expected)
    joints = _poor_joints(posterior, runs)
    splices = {
        run.mask: f"splice {i}"
        for i, run in enumerate((r for r in runs if r.receptacle is None), start=1)
    }
    apart = unseparated(orders, n, 0.8)
    touched = {i for item in tests.items for i in (*item.leads, item.load)}
    untested = tuple(name for i, name in enumerate(names) if i not in touched)
    first = first_probabilities(orders, n)
    best_first = int(first.argmax())
    points, joins = [], []
    for run in runs:
        feed = (
            wiring.PANEL
            if run.feed == PANEL
            else splices[run.feed]
            if run.feed > 0
            else names[-1 - run.feed]
        )
        kind = wiring.Splice if run.receptacle is None else wiring.Point
        name = splices[run.mask] if run.receptacle is None else names[run.receptacle]
        made = kind(
            name=name,
            fed_from=feed,
            probability=run.probability,
            run_mohm=run.mohm,
            run_u_mohm=run.u_mohm,
            run_m=_length_m(circuit, run.mohm),
            flags=_flags(name, run, joints, apart, names, untested, hazards),
        )
        if isinstance(made, wiring.Point):
            points.append(made)
        else:
            joins.append(made)
    order_probability = float(orders.probability.max())
    return wiring.WiringMap(
        first=wiring.First(None if best_first == n else names[best_first], float(first.max())),
        settled=posterior.settled
        and not untested
        and not misfit
        and not elsewhere(posterior.findings)
        and (second is None or second.loop.probability <= 1 - SETTLED),
        order_probability=order_probability,
        points=tuple(points),
        splices=tuple(joins),
        doubts=_doubts(rows, tests, lies, expected),
        tests=len(rows),
        poor_joints=tuple(joint for joint in joints if joint.probability >= LISTED_POOR),
        unseparated=tuple(tuple(names[i] for i in group) for group in apart),
        untested=untested,
        notes=hazards.notes + found + misfit,
        loop=loop,
    )


def _length_m(circuit: Circuit, mohm: float) -> float | None:
    """Length that a resistance has in the stated conductor."""
    ohm_per_m = circuit.ohm_per_m()
    return None if ohm_per_m is None else mohm * 1e-3 / ohm_per_m


def _flags(
    name: str,
    run: Run,
    joints: Sequence[wiring.PoorJoint],
    apart: Sequence[tuple[int, ...]],
    names: Sequence[str],
    untested: Sequence[str],
    hazards: Hazards,
) -> tuple[str, ...]:
    """What is to be said of one point."""
    flags = []
    sides = {j.side for j in joints if j.run_to == name and j.probability >= POOR}
    if "neutral" in sides:
        flags.append(PointFlag.HIGH_RESISTANCE)
    if "hot" in sides:
        flags.append(PointFlag.HOT_HIGH_RESISTANCE)
    if name in untested:
        flags.append(PointFlag.UNTESTED)
    elif any(name == names[i] for group in apart for i in group):
        flags.append(PointFlag.UNSEPARATED)
    if not run.separate:
        flags.append(PointFlag.RUN_UNKNOWN)
    if name in hazards.no_ground:
        flags.append(PointFlag.NO_GROUND)
    if name in hazards.ground_to_neutral:
        flags.append(PointFlag.GROUND_TO_NEUTRAL)
    return tuple(str(flag) for flag in flags)


def _poor_joints(posterior: Posterior, runs: Sequence[Run]) -> list[wiring.PoorJoint]:
    """Poor joints of all runs that some test sees by themselves, most probable first."""
    circuit = posterior.circuit
    names = circuit.receptacles
    amps, ohm_per_m = circuit.load_amps, circuit.ohm_per_m()
    found = []
    splice = 0
    for run in runs:
        splice += run.receptacle is None
        name = f"splice {splice}" if run.receptacle is None else names[run.receptacle]
        if not run.separate:
            continue
        length_m = circuit.run_lengths_m.get(name)
        length_mohm = None if length_m is None or ohm_per_m is None else length_m * ohm_per_m * 1e3
        hot = (
            HotRatio.from_fit(run.hot_log, run.hot_u_log)
            if run.hot_log is not None and run.hot_u_log is not None
            else None
        )
        sides = weigh_joints(
            run.mohm,
            run.u_mohm,
            home=run.feed == PANEL,
            prior=posterior.run_prior,
            length_mohm=length_mohm,
            hot=hot,
        )
        found += [
            wiring.PoorJoint(
                run_to=name,
                side=side,
                probability=suspect.probability,
                excess_mohm=suspect.excess_mohm,
                excess_u_mohm=suspect.excess_u_mohm,
                heat_w=amps**2 * suspect.excess_mohm * 1e-3 if amps else None,
            )
            for side, suspect in sides.items()
        ]
    return sorted(found, key=lambda joint: -joint.probability)


def _doubts(
    rows: Sequence[TestRow], tests: Tests, lies: np.ndarray, expected: np.ndarray
) -> tuple[wiring.Doubt, ...]:
    """Tests that probably lie, with the reason in words."""
    by_number = {row.test: row for row in rows}
    doubts = []
    for item, lie, mv in zip(tests.items, lies, expected, strict=True):
        if lie < DOUBTFUL:
            continue
        load = by_number[item.test].setup.load_at
        if item.drop_mv is None or not abs(item.drop_mv) < 3 * item.u_mv:
            seen = "a jump" if item.drop_mv is None else f"{item.drop_mv:.0f} mV"
            why = (
                f"It saw {seen}; the other tests say {mv:.0f} mV. Something else may have switched "
                "just then, or the load or a lead was at another receptacle."
            )
        else:
            why = (
                f"It saw no change; the other tests say {mv:.0f} mV with the load at {load}. "
                "The load may not have run, or a lead had lost contact."
            )
        doubts.append(wiring.Doubt(item.test, float(lie), why))
    return tuple(sorted(doubts, key=lambda doubt: -doubt.probability))
