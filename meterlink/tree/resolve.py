"""From a circuit and its test rows to the map: the one call that the commands make."""

from collections.abc import Sequence

import numpy as np

from meterlink.assumptions import USUAL, Assumptions
from meterlink.circuit.circuit import Circuit
from meterlink.testlog.columns import TestRow
from meterlink.testlog.findings import Finding
from meterlink.tree import wiring
from meterlink.tree.conditions import conditions_of, misfit_notes, notes_of
from meterlink.tree.hypotheses import Kind
from meterlink.tree.infer import Posterior, infer
from meterlink.tree.isolation import elsewhere, finding_notes
from meterlink.tree.joints import HotRatio, weigh_joints
from meterlink.tree.observations import Tests
from meterlink.tree.posterior import (
    PANEL,
    Fitted,
    Run,
    best_tree,
    first_probabilities,
    names_in,
    relations,
    ring_points,
    runs_of,
    unseparated,
)
from meterlink.tree.trees import Floats
from meterlink.tree.wiring import PointFlag

POOR = 0.5
LISTED_POOR = 0.1  # joints less probable than this are not worth a line


def resolve(
    circuit: Circuit,
    rows: Sequence[TestRow],
    *,
    findings: Sequence[Finding] = (),
    capacity: int | None = None,
    assumptions: Assumptions = USUAL,
) -> wiring.WiringMap:
    """Everything that the rows of a log say about the wiring.

    The answer is the same for the same circuit and rows. See ``infer`` for errors.
    """
    found = infer(circuit, rows, findings=findings, capacity=capacity, assumptions=assumptions)
    return map_of(found, rows)


def map_of(posterior: Posterior, rows: Sequence[TestRow]) -> wiring.WiringMap:
    """The map of a posterior; ``rows`` are the ones it was made from."""
    circuit, tests, orders = posterior.circuit, posterior.tests, posterior.orders
    names, n = circuit.receptacles, len(circuit.receptacles)
    chosen = best_tree(posterior.ensemble, orders)
    fitted = Fitted.of(posterior.ensemble, chosen, posterior.known)
    runs = runs_of(
        posterior.ensemble, chosen, n, fitted, posterior.known, 1 - posterior.unexplained
    )
    outliers, expected = fitted.outliers()
    conditions = conditions_of(posterior, fitted, outliers)
    named = posterior.assumptions.decisions.named
    likely = tuple(one for one in conditions if one.probability >= named)
    loop = _loop(posterior, chosen, fitted)
    found = finding_notes(posterior.findings, names, relations(orders, n))
    misfit = misfit_notes(posterior, outliers, expected, len(runs) + (loop is not None))
    joints = _poor_joints(posterior, runs)
    touched = {name for row in rows for name in row.setup.places if _says(tests, row.test)}
    untested = tuple(name for name in names if name not in touched)
    told_apart = posterior.assumptions.decisions.told_apart
    apart = tuple(tuple(names[i] for i in group) for group in unseparated(orders, n, told_apart))
    points, splices = _points(circuit, runs, joints, apart, untested, likely)
    first = first_probabilities(orders, n)
    best_first = int(first.argmax())
    return wiring.WiringMap(
        first=wiring.First(None if best_first == n else names[best_first], float(first.max())),
        settled=posterior.settled
        and not untested
        and not misfit
        and not elsewhere(posterior.findings),
        order_probability=float(orders.probability.max()),
        points=points,
        splices=splices,
        doubts=_doubts(rows, tests, outliers, expected, likely, named),
        tests=len(rows),
        poor_joints=tuple(joint for joint in joints if joint.probability >= LISTED_POOR),
        unseparated=apart,
        untested=untested,
        notes=found + notes_of(rows, likely) + misfit,
        loop=loop,
        explained=not misfit and not elsewhere(posterior.findings),
        conditions=conditions,
    )


def _says(tests: Tests, number: int) -> bool:
    """Whether a row says anything of the wiring."""
    return any(item.test == number for item in tests.items)


def _loop(posterior: Posterior, chosen: int, fitted: Fitted) -> wiring.Loop | None:
    """The ring of the chosen hypothesis, where rings are more probable than not."""
    h, orders = posterior.ensemble.hypotheses, posterior.orders
    probability = float(orders.probability[orders.kind == Kind.CLOSED].sum())
    if h.kind[chosen] != Kind.CLOSED or probability < posterior.assumptions.decisions.named:
        return None
    names = posterior.circuit.receptacles
    at = int(np.flatnonzero(fitted.rows == chosen)[0])
    masks = [int(m) for m in h.masks[chosen]]
    columns, x = fitted.columns, fitted.fit.x[at]
    means = posterior.run_prior.means(h.home[chosen])

    def mohm(mask: int) -> float:
        """Resistance of the run that feeds a point."""
        e = masks.index(mask)
        column = int(columns.group[at, e])
        return float(np.exp(x[column]) / columns.size[at, column] if column >= 0 else means[e])

    def own(mask: int) -> tuple[str, ...]:
        """The receptacle at the end of a run; none where it ends in a splice."""
        beyond = [m for m in masks if m and m & mask == m and m != mask]
        inside = mask
        for m in beyond:
            inside &= ~m
        return names_in(inside, names)

    near, far = int(h.near[chosen]), int(h.far[chosen])
    ring = ring_points(masks, near, far)
    order = tuple(next(iter(own(mask)), wiring.SPLICE) for mask in ring[1:])
    to_near = sum(1 for m in ring[1:] if m & near == near)
    runs = [mohm(m) for m in ring[1:]]
    runs.insert(to_near, float(np.exp(x[-2])))  # the closing run; a bond is the last
    spurs = []
    for mask in masks:
        if mask and mask not in ring and own(mask) and any(mask & m == mask for m in ring[1:]):
            holder = min(m for m in masks if m & mask == mask and m != mask)
            feed = next(iter(own(holder)), wiring.SPLICE)
            spurs.append(wiring.Spur(own(mask)[0], feed, mohm(mask)))
    start = wiring.PANEL if ring[0] == PANEL else next(iter(own(ring[0])), wiring.SPLICE)
    usual = posterior.circuit.ring_usual
    return wiring.Loop(probability, order, tuple(runs), start, tuple(spurs), usual)


def _points(
    circuit: Circuit,
    runs: Sequence[Run],
    joints: Sequence[wiring.PoorJoint],
    apart: Sequence[Sequence[str]],
    untested: Sequence[str],
    likely: Sequence[wiring.Condition],
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
        flags = _flags(name, run, joints, apart, untested, likely)
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
    likely: Sequence[wiring.Condition],
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
    here = {c.name for c in likely if c.at == name}
    if "no-ground" in here:
        flags.append(PointFlag.NO_GROUND)
    if "ground-bonded" in here:
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
            HotRatio.from_fit(run.hot_log, run.hot_u_log, posterior.run_prior.runs)
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
    rows: Sequence[TestRow],
    tests: Tests,
    outliers: Floats,
    expected: Floats,
    likely: Sequence[wiring.Condition],
    named: float,
) -> tuple[wiring.Doubt, ...]:
    """Tests that are probably outliers, with the reason in words."""
    by_number = {row.test: row for row in rows}
    meant = {c.test: c for c in likely if c.name == "misnamed"}
    doubts = []
    for item, outlier, mv in zip(tests.items, outliers, expected, strict=True):
        if outlier < named:
            continue
        load = by_number[item.test].setup.load_at
        if item.test in meant:
            why = meant[item.test].why
        elif not item.saw_no_change:
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
        doubts.append(wiring.Doubt(item.test, float(outlier), why))
    return tuple(sorted(doubts, key=lambda doubt: -doubt.probability))
