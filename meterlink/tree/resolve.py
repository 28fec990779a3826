"""From a circuit and its test rows to the map: the one call that the commands make."""

from collections.abc import Sequence

import numpy as np

from meterlink.circuit.circuit import Circuit
from meterlink.testlog.findings import Finding
from meterlink.testlog.rows import TestRow
from meterlink.tree import wiring
from meterlink.tree.flags import PointFlag
from meterlink.tree.hazards import Hazards, hazards_of
from meterlink.tree.infer import SETTLED, Posterior, infer
from meterlink.tree.isolation import elsewhere, finding_notes
from meterlink.tree.joints import HotRatio, weigh_joints
from meterlink.tree.loops import SecondPath, find_loop
from meterlink.tree.misfit import misfit_notes
from meterlink.tree.observations import Tests
from meterlink.tree.posterior import (
    PANEL,
    Run,
    best_tree,
    first_probabilities,
    lie_probabilities,
    relations,
    runs_of,
    unseparated,
)
from meterlink.tree.tree_prior import TreePrior
from meterlink.tree.trees import Floats

DOUBTFUL = 0.5  # a test is named when it more probably lies than not
POOR = 0.5
LIKELY_LOOP = 0.5  # a second path is named when it is more probable than all trees
TOLD_APART = 0.8  # two receptacles are separated where one relation is that probable
LISTED_POOR = 0.1  # joints less probable than this are not worth a line


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
    second, lies, expected = _second_path(posterior)
    loop = second.loop if second and second.loop.probability >= LIKELY_LOOP else None
    found = finding_notes(posterior.findings, names, relations(orders, n))
    misfit = misfit_notes(tests, lies, expected, len(runs) + (loop is not None))
    hazards = hazards_of(circuit, rows, tests, lies, expected)
    joints = _poor_joints(posterior, runs)
    touched = {i for item in tests.items for i in (*item.leads, item.load)}
    untested = tuple(name for i, name in enumerate(names) if i not in touched)
    apart = tuple(tuple(names[i] for i in group) for group in unseparated(orders, n, TOLD_APART))
    points, splices = _points(circuit, runs, joints, apart, untested, hazards)
    first = first_probabilities(orders, n)
    best_first = int(first.argmax())
    return wiring.WiringMap(
        first=wiring.First(None if best_first == n else names[best_first], float(first.max())),
        settled=posterior.settled
        and not untested
        and not misfit
        and not elsewhere(posterior.findings)
        and (second is None or second.loop.probability <= 1 - SETTLED),
        order_probability=float(orders.probability.max()),
        points=points,
        splices=splices,
        doubts=_doubts(rows, tests, lies, expected),
        tests=len(rows),
        poor_joints=tuple(joint for joint in joints if joint.probability >= LISTED_POOR),
        unseparated=apart,
        untested=untested,
        notes=hazards.notes + found + misfit,
        loop=loop,
        explained=not misfit and not elsewhere(posterior.findings),
    )


def _second_path(posterior: Posterior) -> tuple[SecondPath | None, Floats, Floats]:
    """A second path if one may be there; how much each test lies, and what it should show."""
    tests, ensemble = posterior.tests, posterior.ensemble
    if not len(tests):
        return None, np.zeros(0), np.zeros(0)
    lies, expected = lie_probabilities(ensemble, tests, posterior.run_prior)
    second = find_loop(
        ensemble,
        best_tree(ensemble, posterior.orders),
        tests,
        posterior.circuit.receptacles,
        TreePrior(),
        posterior.run_prior,
    )
    if second and second.loop.probability >= LIKELY_LOOP:
        lies = np.where(np.isnan(second.lies), lies, second.lies)
        expected = np.where(np.isnan(second.expected_mv), expected, second.expected_mv)
    return second, lies, expected


def _points(
    circuit: Circuit,
    runs: Sequence[Run],
    joints: Sequence[wiring.PoorJoint],
    apart: Sequence[Sequence[str]],
    untested: Sequence[str],
    hazards: Hazards,
) -> tuple[tuple[wiring.Point, ...], tuple[wiring.Splice, ...]]:
    """Receptacles and splices with the run that feeds each, nearest to the panel first."""
    names = circuit.receptacles
    joins = [run.mask for run in runs if run.receptacle is None]
    splice = {mask: f"splice {i}" for i, mask in enumerate(joins, start=1)}
    points: list[wiring.Point] = []
    splices: list[wiring.Splice] = []
    for run in runs:
        if run.feed == PANEL:
            feed = wiring.PANEL
        else:
            feed = splice[run.feed] if run.feed > 0 else names[-1 - run.feed]
        name = splice[run.mask] if run.receptacle is None else names[run.receptacle]
        figures = (run.probability, run.mohm, run.u_mohm, _length_m(circuit, run.mohm))
        flags = _flags(name, run, joints, apart, untested, hazards)
        if run.receptacle is None:
            splices.append(wiring.Splice(name, feed, *figures, flags))
        else:
            points.append(wiring.Point(name, feed, *figures, flags))
    return tuple(points), tuple(splices)


def _length_m(circuit: Circuit, mohm: float) -> float | None:
    """Length that a resistance has in the stated conductor."""
    ohm_per_m = circuit.ohm_per_m()
    return None if ohm_per_m is None else mohm * 1e-3 / ohm_per_m


def _flags(
    name: str,
    run: Run,
    joints: Sequence[wiring.PoorJoint],
    apart: Sequence[Sequence[str]],
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
    elif any(name in group for group in apart):
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
