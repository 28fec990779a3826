"""What is the matter with a circuit besides its shape, in words, each with its probability.

Bonded grounds, second paths and receptacles of another circuit come with the hypotheses; missing
grounds from their idle readings and tests; currents of others from large idle readings
(``currents``); wrong names from outliers that fit with one name changed. Where nothing explains the
log, that is said.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from meterlink.circuit.setup import Hookup
from meterlink.levels.test_flags import Flag
from meterlink.testlog.columns import TestRow
from meterlink.tree.currents import LICENSED, currents
from meterlink.tree.hypotheses import Kind
from meterlink.tree.infer import Posterior
from meterlink.tree.observations import LOG_ROOT_2_PI, Tests
from meterlink.tree.posterior import Fitted
from meterlink.tree.runs import expected, runs_by_sides
from meterlink.tree.trees import Floats, bits_of
from meterlink.tree.wiring import Condition

MISNAMED_TREES = 12  # heaviest trees that a wrong name is looked for on


def no_ground(posterior: Posterior, fitted: Fitted) -> Floats:
    """Probability of each receptacle to have no ground contact, shape ``(n,)``."""
    odds = posterior.grounds.log_odds
    found = 1 / (1 + np.exp(-odds))
    share = fitted.weight / fitted.weight.sum()
    for j, place in enumerate(posterior.tests.grounded_at):
        if place >= 0:
            found[place] = 1 - float(share @ fitted.fit.grounded[:, j])
    return found


def conditions_of(posterior: Posterior, fitted: Fitted, outliers: Floats) -> tuple[Condition, ...]:
    """All conditions worth a line, most probable first.

    Args:
        posterior: What is known.
        fitted: Its heaviest hypotheses.
        outliers: Probability of each test to be an outlier.
        expected_mv: What each should have shown.
    """
    found = [
        *_hypothetical(posterior),
        *_without_ground(posterior, fitted),
        *currents(posterior, fitted, no_ground(posterior, fitted)),
        *_misnamed(posterior, fitted, outliers),
        *_restless(posterior.rows),
    ]
    least = posterior.assumptions.decisions.listed
    best = posterior.orders.kind[posterior.orders.best]
    away = int(posterior.orders.near[posterior.orders.best]) if best == Kind.ELSEWHERE else 0
    names = posterior.circuit.receptacles
    shown = {("not-on-circuit", names[i]) for i in bits_of(away)}  # it is in no map
    listed = [one for one in found if one.probability >= least or (one.name, one.at) in shown]
    return tuple(sorted(listed, key=lambda condition: -condition.probability))


def _hypothetical(posterior: Posterior) -> Iterator[Condition]:
    """Conditions that are hypotheses like the shape."""
    orders, names = posterior.orders, posterior.circuit.receptacles
    share = {
        kind: np.where(orders.kind == kind, orders.probability, 0.0)
        for kind in (Kind.BONDED, Kind.ELSEWHERE, Kind.CLOSED)
    }
    for i, name in enumerate(names):
        here = orders.near == 1 << i
        yield Condition(
            "ground-bonded",
            name,
            float(share[Kind.BONDED][here].sum()),
            f"The load current comes back over the ground wires too: the drops fit a ground that "
            f"is bonded to the neutral at {name}, and neutral-ground stays near zero there.",
            "A bonded (bootleg) ground puts load current on grounded metal and makes it live if "
            f"the neutral opens. Use nothing grounded there meanwhile. {LICENSED}",
            hazard=True,
        )
        yield Condition(
            "not-on-circuit",
            name,
            float(share[Kind.ELSEWHERE][here].sum()),
            f"A load at {name} moves nothing else, and its neutral stays at the panel's level.",
            f"Another breaker may feed {name}: switch this one off and see whether it stays live. "
            "If it does, take it out of job.toml.",
        )
    yield Condition(
        "second-path",
        None,
        float(share[Kind.CLOSED].sum()),
        "The drops fit a ring or another second path better than any tree.",
        "Rings are usual here, as stated. Nothing is isolated by opening one box."
        if posterior.circuit.ring_usual
        else "A ring is a usual way to wire receptacles in some countries; elsewhere a second path "
        "means that two circuits or two ends are joined. Nothing is isolated by opening one box. "
        f"{LICENSED}",
    )


def _without_ground(posterior: Posterior, fitted: Fitted) -> Iterator[Condition]:
    """Receptacles without a ground contact."""
    tested = {int(place) for place in posterior.tests.grounded_at if place >= 0}
    rows = [r for r in posterior.rows if r.setup.hookup is Hookup.NEUTRAL_GROUND]
    tested |= {posterior.circuit.receptacles.index(r.setup.lead_a) for r in rows}
    for i, probability in enumerate(no_ground(posterior, fitted)):
        name = posterior.circuit.receptacles[i]
        if i not in tested and name not in posterior.circuit.no_ground:
            continue
        levels = [r.idle_mv for r in rows if r.setup.lead_a == name and r.idle_mv]
        seen = f" (about {np.median(np.abs(levels)):.0f} mV without load)" if levels else ""
        yield Condition(
            "no-ground",
            name,
            float(probability),
            f"Between neutral and ground at {name} the meter floats{seen}, whatever the load does.",
            f"The ground contact at {name} is probably not connected. Use other hookups there, and "
            f"nothing that relies on the ground. {LICENSED}",
            hazard=True,
        )


def _restless(rows: Sequence[TestRow]) -> Iterator[Condition]:
    """Joints that open and close: the level with the load on jumps about."""
    seen = [row for row in rows if Flag.RESTLESS_JOINT in row.flags]
    places = [row.setup.load_at for row in seen]
    for place in dict.fromkeys(places):
        count = places.count(place)
        yield Condition(
            "restless-joint",
            place,
            count / (count + 0.5),
            f"The level jumped about with the load at {place} on: a joint on its way opens and "
            "closes.",
            f"A loose joint heats up. Use no heavy load at {place} or beyond. {LICENSED}",
            hazard=True,
        )


def _misnamed(posterior: Posterior, fitted: Fitted, outliers: Floats) -> Iterator[Condition]:
    """Outliers that fit where one lead or the load was at another receptacle than written."""
    suspects = np.flatnonzero(outliers >= posterior.assumptions.decisions.named)
    order = np.argsort(-fitted.weight, kind="stable")[:MISNAMED_TREES]
    some = posterior.ensemble.hypotheses.take(fitted.rows[order])
    share = fitted.weight[order] / fitted.weight[order].sum()
    known = posterior.known
    runs = runs_by_sides(some, known, fitted.columns.part(order), fitted.fit.take(order))
    names = posterior.circuit.receptacles
    rates = posterior.assumptions.outliers
    for j in suspects:
        one = posterior.tests.only(np.array([j]))
        changed = list(_changed(one, len(names)))
        item = one.items[0]
        if not changed or item.drop_mv is None or posterior.grounds.log_odds.max() > 30:
            continue
        fits = []
        for tests, _ in changed:
            mean, variance = expected(some, tests, runs)
            u2 = variance[:, 0] + item.u_mv**2
            log = -0.5 * (item.drop_mv - mean[:, 0]) ** 2 / u2 - 0.5 * np.log(u2) - LOG_ROOT_2_PI
            fits.append(float(np.log(share @ np.exp(log) + 1e-300)))
        each = np.array(fits) + np.log(rates.misnamed / len(changed))
        still = float(one.log_still[0]) - math.log(item.no_change) + math.log(rates.no_change)
        jump = float(one.log_jump[0]) - math.log(item.jump) + math.log(rates.jump)
        whole = np.logaddexp.reduce(np.append(each, [still, jump]))
        best = int(each.argmax())
        what, name = changed[best][1]
        yield Condition(
            "misnamed",
            names[item.leads[0]],
            float(outliers[j] * np.exp(np.logaddexp.reduce(each) - whole)),
            f"Test {item.test} fits no wiring as it is written, but fits where {what} was at "
            f"{names[name]}.",
            f"Repeat test {item.test}, or withdraw it, and enter it with the right name.",
            test=item.test,
            meant=names[name],
        )


def _changed(one: Tests, n: int) -> Iterator[tuple[Tests, tuple[str, int]]]:
    """A test with one name changed, in every way, with what was changed."""
    item = one.items[0]
    for place in range(n):
        bit = np.array([1 << place], dtype=np.int64)
        used = {item.leads[0], item.leads[1]}
        if place not in used:
            grounded = np.where(one.grounded_at >= 0, place, -1)
            yield replace(one, lead_a=bit, grounded_at=grounded), ("lead A", place)
            if item.leads[1] is not None:
                yield replace(one, lead_b=bit), ("lead B", place)
        if item.load is not None and place != item.load:
            yield replace(one, load=bit), ("the load", place)


def misfit_notes(
    posterior: Posterior, outliers: Floats, expected_mv: Floats, runs: int
) -> tuple[str, ...]:
    """Sentences for the person where nothing explains the tests.

    Args:
        posterior: What is known.
        outliers: Probability of each test to be an outlier, shape ``(m,)``.
        expected_mv: What each should have shown, shape ``(m,)``.
        runs: Number of runs that were fitted.
    """
    tests, decisions = posterior.tests, posterior.assumptions.decisions
    if not len(tests):
        return ()
    named = outliers >= decisions.named
    silent = int((named & tests.no_change).sum())
    jumps = int((named & ~tests.no_change).sum())
    rates = [
        float(np.mean([getattr(o, name) for o in tests.items])) for name in ("no_change", "jump")
    ]
    # a worn lead or plug loses contact again and again, and hides no order
    worn = max(rates[0], posterior.assumptions.outliers.flagged)
    chance = 2 * min(at_least(silent, len(tests), worn), at_least(jumps, len(tests), rates[1]))
    if chance < decisions.misfit or posterior.unexplained > decisions.named:
        return (
            f"{int(named.sum())} of {len(tests)} tests contradict every wiring and condition "
            "weighed here; so many seldom go wrong by chance. The order is not settled. Repeat the "
            "tests in doubt; look whether leads or load were named wrongly, whether something else "
            "runs, and whether another circuit shares this neutral.",
        )
    if scatter_sd(tests, outliers, expected_mv, runs) > decisions.scatter_sd:
        return (
            "The drops scatter more around the best wiring than their uncertainties allow. Another "
            "load on the circuit or another current than stated may be behind it; the "
            "probabilities are too sure of themselves, and the order is not settled.",
        )
    return ()


def at_least(count: int, tests: int, rate: float) -> float:
    """Probability of ``count`` or more outliers among so many tests (binomial tail)."""
    below, term = 0.0, (1 - rate) ** tests
    for k in range(count):
        below += term
        term *= (tests - k) / (k + 1) * rate / (1 - rate)
    return max(0.0, 1.0 - below)


def scatter_sd(tests: Tests, outliers: Floats, expected_mv: Floats, runs: int) -> float:
    """How far chi-square of the inliers is above what it should be, in its own deviations.

    The worst test is left aside: one that is half an outlier is no reason to doubt all others.
    Chi-square becomes a normal by the cube root (Wilson and Hilferty 1931).
    """
    inlier = tests.measured & (outliers < 0.5)
    freedom = int(inlier.sum()) - runs - 1
    if freedom < 1:
        return 0.0
    off = np.abs(tests.modes - expected_mv[:, None]) / tests.modes_u
    nearest = np.where(np.isfinite(tests.log_modes), off, np.inf).min(axis=1)
    squares = np.sort(nearest[inlier] ** 2)
    chi_square = float(squares[:-1].sum())
    spread = 2 / (9 * freedom)
    return float((np.cbrt(chi_square / freedom) - (1 - spread)) / np.sqrt(spread))


def notes_of(rows: Sequence[TestRow], likely: Sequence[Condition]) -> tuple[str, ...]:
    """Sentences on what is probably the matter, and on tests that another appliance spoilt."""
    notes = [f"{one.why} {one.what_to_do}" for one in likely]
    others = [row.test for row in rows if Flag.OTHER_APPLIANCE in row.flags]
    if others:
        which = f"test {others[0]}" if len(others) == 1 else f"tests {_listed(others)}"
        notes.append(
            f"Something else switched during {which}. Switch other appliances off, or see "
            "whether another circuit shares this neutral, and repeat."
        )
    return tuple(notes)


def _listed(numbers: Sequence[int]) -> str:
    """'3', '3 and 5', '3, 5 and 9'."""
    words = [str(number) for number in numbers]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]
