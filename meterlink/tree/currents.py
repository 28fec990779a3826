"""Currents of others: what large idle readings say of appliances, shared neutrals and sub-panels.

On one circuit all currents add to the load's; those of the other leg of a shared neutral oppose it.
What an appliance of the circuit draws shows between neutral and ground as far as its way and that
of the lead are one, and between two neutrals where they part. What other circuits draw from a
sub-panel shows between neutral and ground at every receptacle alike, by the neutral of the feeder,
and between two neutrals not at all.
"""

import math
from collections.abc import Iterator, Mapping
from itertools import combinations_with_replacement

import numpy as np

from meterlink.assumptions import Assumptions
from meterlink.circuit.setup import Setup
from meterlink.testlog.columns import TestRow
from meterlink.tree.infer import Posterior
from meterlink.tree.observations import LOG_ROOT_2_PI, Tests, planned
from meterlink.tree.posterior import Fitted
from meterlink.tree.runs import expected, runs_by_sides
from meterlink.tree.trees import Floats
from meterlink.tree.wiring import Condition

LICENSED = "Have it looked at by a licensed electrician."
SIZES = 60  # of the largest idle reading that are tried
MOST_PLACES = 12  # receptacles that an appliance is thought of at: bounds the pairs of them


def currents(posterior: Posterior, fitted: Fitted, missing: Floats) -> Iterator[Condition]:
    """Other appliances, a shared neutral and a sub-panel, each with its probability.

    Args:
        posterior: What is known.
        fitted: Its heaviest hypotheses.
        missing: Probability of each receptacle to have no ground contact.
    """
    stated = posterior.circuit.sub_panel
    rows = {row.test: row for row in posterior.rows}
    idle = {
        j: abs(mv)
        for j, item in enumerate(posterior.tests.items)
        if (mv := rows[item.test].idle_mv) is not None
        and math.isfinite(mv)
        and not (item.source or item.hookup.ohms or rows[item.test].setup.dead)
        and not ((at := int(posterior.tests.grounded_at[j])) >= 0 and missing[at] > 0.5)
    }
    levels = [mv for mv in idle.values() if mv >= posterior.assumptions.meter.large_idle_mv]
    present = len(levels) / (len(levels) + 0.5)
    feeder = _from_feeder(posterior, fitted, rows, idle) if levels else 0.0
    if stated or levels:
        share = present * (1 - posterior.opposed) * feeder
        yield Condition(
            "sub-panel",
            None,
            max(share, posterior.assumptions.conditions.sub_panel_stated) if stated else share,
            "This breaker is in a sub-panel, as stated."
            if stated
            else "Idle readings between neutral and ground are large at every receptacle alike and "
            "small between neutrals: current of other circuits in the neutral of a feeder.",
            "Nothing on this circuit has to be unplugged for it. What is said of the way from the "
            "panel to the first receptacle, its length too, holds the feeder's neutral.",
        )
    if not levels:
        return
    shared = posterior.opposed
    mv = float(np.median(levels))
    seen = f"Idle readings are about {mv:.0f} mV in {len(levels)} tests: more than pickup"
    yield Condition(
        "other-load",
        None,
        present * (1 - shared) * (1 - feeder),
        f"{seen}. Something else on this circuit draws current.",
        "Unplug or switch off what runs on this circuit: each test then tells more.",
    )
    yield Condition(
        "shared-neutral",
        None,
        present * shared,
        f"{seen}, and the load's drop works against it: current of another circuit comes back "
        "over this neutral.",
        "A neutral shared with another breaker stays live when only this one is off: switch off "
        f"and lock both before any work. {LICENSED}",
        hazard=True,
    )


def _from_feeder(
    posterior: Posterior, fitted: Fitted, rows: Mapping[int, TestRow], idle: Mapping[int, float]
) -> float:
    """Probability that the current of the idle readings is in a feeder, not on this circuit."""
    tests, circuit, assumed = posterior.tests, posterior.circuit, posterior.assumptions
    which = np.array(sorted(idle), dtype=np.intp)
    mv = np.array([idle[j] for j in which])
    at_ground = tests.grounded_at[which] >= 0
    places = circuit.receptacles[:MOST_PLACES]
    setups = [
        Setup(s.hookup, s.lead_a, s.lead_b, at)
        for at in places
        for s in (rows[tests.items[j].test].setup for j in which)
    ]
    best = int(fitted.weight.argmax())
    h = posterior.ensemble.hypotheses.take(fitted.rows[[best]])
    one = np.array([best])
    runs = runs_by_sides(h, posterior.known, fitted.columns.part(one), fitted.fit.take(one))
    asked = Tests.of(planned(circuit, setups, assumed))
    shape = np.abs(expected(h, asked, runs)[0]).reshape(len(places), len(which))
    pairs = list(combinations_with_replacement(range(len(places)), 2))  # one or two appliances
    singles = np.array([a == b for a, b in pairs])
    weight = np.where(singles, 0.5 / len(places), 0.5 / max(len(pairs) - len(places), 1))
    each = np.array([_log_fit(mv, shape[a] + shape[b], assumed) for a, b in pairs])
    log_circuit = float(np.logaddexp.reduce(each + np.log(weight)))
    log_feeder = _log_fit(mv, at_ground.astype(np.float64), assumed)
    c = assumed.conditions
    share = c.sub_panel_stated if circuit.sub_panel else c.sub_panel
    log_odds = log_feeder - log_circuit + math.log(share / assumed.levels.background)
    return float(1 / (1 + np.exp(-np.clip(log_odds, -700.0, 700.0))))


def _log_fit(mv: Floats, shape: Floats, assumed: Assumptions) -> float:
    """Log density of idle readings of a given shape and any size."""
    sizes_mv = np.geomspace(*assumed.conditions.others_mv, SIZES)
    mean = sizes_mv[:, None] * (shape / max(float(shape.max()), 1e-9))
    u = np.hypot(assumed.conditions.others_rel_u * mean, assumed.levels.wide_pickup_mv)
    log = (-0.5 * ((mv - mean) / u) ** 2 - np.log(u) - LOG_ROOT_2_PI).sum(axis=1)
    return float(np.logaddexp.reduce(log) - math.log(SIZES))
