"""The trees that the tests leave under one condition, each with its weight.

What the tests among some receptacles say depends only on the tree restricted to them. So trees are
grown receptacle by receptacle, every way of putting the next one on is weighed with the tests that
are complete by then, and the population is thinned to ``capacity`` so that nothing is biased: trees
above a threshold are kept as they are, the rest is drawn by systematic sampling and carries the
threshold as its weight (Fearnhead and Clifford 2003, optimal resampling). As long as no more than
``capacity`` trees have weight, the result is the full listing. The choice is made on what the fit
of the smaller tree predicts (``prediction``). The trees chosen are then weighed properly, which
keeps it unbiased. A ring grows on its closing run too; a bonded ground is put on first.
"""

from collections.abc import Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.fit import Known, weigh
from meterlink.tree.hypotheses import Hypotheses, Kind
from meterlink.tree.isolation import Isolation
from meterlink.tree.likelihood import inliers
from meterlink.tree.observations import LOG_ROOT_2_PI, Tests
from meterlink.tree.posterior import Ensemble
from meterlink.tree.runs import nearly_weighed, predicted
from meterlink.tree.trees import (
    Flags,
    Floats,
    Grown,
    TreePrior,
    grow,
    log_ring_shape,
    single,
    squeeze,
    together,
)

NEGLIGIBLE = 16.0  # trees this many nats behind the best do not matter (1e-7)
PREDICTED_REACH = 30.0  # the same where the evidence is only predicted
LAST_ROOM = 3  # times as many finished trees are weighed as of the step before
LEAST_COST = 2.0  # nats that a receptacle more costs at least: its run's range narrowed down
TRUNCATIONS = 5  # rounds after which the largest weight of a drawn tree stands still


@dataclass(frozen=True, slots=True)
class Stratum:
    """One condition, with its own population of trees.

    Attributes:
        kind: The condition.
        at: The receptacle it speaks of, as index; ``None`` where it speaks of none.
        log_prior: Log of its probability before any evidence.
        places: Receptacles that are on the circuit then.
        ring: A closing run comes back to the panel.
    """

    kind: Kind
    at: int | None
    log_prior: float
    places: tuple[int, ...]
    ring: bool = True

    @property
    def away(self) -> int | None:
        """The receptacle that is not on the circuit."""
        return self.at if self.kind is Kind.ELSEWHERE else None


@dataclass(frozen=True, slots=True)
class Setting:
    """What the searches of all strata share."""

    known: Known
    tree_prior: TreePrior
    isolation: Isolation = field(default_factory=Isolation)


@dataclass(frozen=True, slots=True)
class _Population:
    """Half-grown trees and the parts of their weight, all logs, shape ``(K,)``."""

    trees: Hypotheses
    prior: Floats
    found: Floats
    evidence: Floats
    importance: Floats

    @property
    def total(self) -> Floats:
        """Log weight of each tree."""
        return self.prior + self.found + self.evidence + self.importance

    def take(self, rows: NDArray[np.intp] | Flags) -> "_Population":
        """Some of the trees."""
        trees = self.trees.take(rows)
        masks, home = squeeze(trees.masks, trees.home)
        rest = (getattr(self, one.name)[rows] for one in fields(self)[1:])
        return _Population(replace(trees, masks=masks, home=home), *rest)


@dataclass(frozen=True, slots=True)
class _Asked:
    """Trees that a search wants weighed: nearly, with the tests that count; or in the end."""

    trees: Hypotheses
    counts: Flags | None = None


_Search = Generator[_Asked, tuple[Floats, Any], "Ensemble | None"]


def search(
    setting: Setting, stratum: Stratum, *, capacity: int, seed: int = 0, floor: float = -np.inf
) -> Ensemble | None:
    """Weigh the trees of a stratum; see ``searched``."""
    return searched(setting, [stratum], capacity=capacity, seed=seed, floor=floor)[0]


def searched(
    setting: Setting,
    strata: Sequence[Stratum],
    *,
    capacity: int,
    seed: int = 0,
    floor: float = -np.inf,
) -> list[Ensemble | None]:
    """Weigh the trees of some strata, side by side: one fit of many trees costs less than many.

    Args:
        setting: Tests and priors.
        strata: The conditions.
        capacity: Number of trees kept near the end; more of small ones, which cost less and whose
            loss nothing makes good (measured: a third of the scatter between seeds).
        seed: Of the sampling; the same log gives the same answer.
        floor: Log weight that all together must reach to matter.

    Returns:
        ``None`` where half-grown trees fell so far behind that the floor is out of reach.
    """
    searches = [_growing(setting, one, capacity, seed, floor) for one in strata]
    found: list[Ensemble | None] = [None] * len(searches)
    asked = {i: next(one) for i, one in enumerate(searches)}
    while asked:
        told: dict[int, tuple[Floats, Any]] = {}
        for same in _alike(asked):
            told |= dict(zip(same, _weighed([asked[i] for i in same], setting.known), strict=True))
        for i, weights in told.items():
            try:
                asked[i] = searches[i].send(weights)
            except StopIteration as end:
                del asked[i]
                found[i] = end.value
    return found


def _alike(asked: Mapping[int, _Asked]) -> list[list[int]]:
    """Which can be fitted together: finished trees or not, with another path or without."""
    groups: dict[tuple[bool, bool], list[int]] = {}
    for i, one in asked.items():
        groups.setdefault((one.counts is None, bool(one.trees.paths.any())), []).append(i)
    return list(groups.values())


def _weighed(asked: Sequence[_Asked], known: Known) -> Iterator[tuple[Floats, Any]]:
    """Log evidence of the trees of each, with their runs, or with their badness in the end."""
    every = Hypotheses.joined([one.trees for one in asked])
    ends = np.cumsum([len(one.trees) for one in asked])
    parts = [np.arange(end - len(one.trees), end) for one, end in zip(asked, ends, strict=True)]
    counts = [one.counts for one in asked if one.counts is not None]
    if not counts:
        evidence, badness = weigh(every, known)
        yield from ((evidence[rows], badness[rows]) for rows in parts)
        return
    some = np.any(counts, axis=0)
    sizes = [len(rows) for rows in parts]
    counted = np.repeat(np.array(counts)[:, some], sizes, axis=0) if len(asked) > 1 else None
    evidence, runs = nearly_weighed(every, known.only(some), counted)
    yield from ((evidence[rows], runs.take(rows)) for rows in parts)


def _growing(setting: Setting, stratum: Stratum, capacity: int, seed: int, floor: float) -> _Search:
    """Grow the trees of a stratum, and ask for their weights on the way."""
    known, n = setting.known, len(stratum.places)
    rng = np.random.default_rng(seed)
    first = stratum.at if stratum.kind is Kind.BONDED else None
    order = insertion_order(known.tests, stratum.places, first)
    places = known.tests.places() & sum(1 << i for i in stratum.places)
    inside = 1 << order[0]
    near = {Kind.SOUND: 0, Kind.CLOSED: 1 << order[0]}.get(stratum.kind, 1 << (stratum.at or 0))
    trees = Hypotheses.of(*single(order[0]), kind=stratum.kind, near=near)
    now = (places & ~inside) == 0
    evidence, runs = yield _Asked(trees, now)
    zero = np.zeros(1)
    prior = stratum.log_prior + setting.tree_prior.log_branches(n)[:1]
    population = _Population(trees, prior, zero, evidence, zero)
    complete, stale = True, False
    for size, bit in enumerate(order[1:], start=2):
        room = capacity * LAST_ROOM if size == n else capacity * n // size
        inside |= 1 << bit
        before, now = now, (places & ~inside) == 0
        news = now & ((known.tests.places() >> bit & 1) != 0)
        if stale and news.any():  # receptacles without a test have been put on since
            runs = (yield _Asked(population.trees, before))[1]
        grown, near_bits = grow_under(population.trees, bit, n, setting.tree_prior)
        population = _grown(population, grown, near_bits, setting, stratum, last=size == n)
        if news.any():
            guess = population.evidence
            if len(guess) > room:
                some = replace(population.trees, masks=grown.masks, home=grown.home)
                guess = guess + predicted(runs, some, grown, known.only(news))
            population = replace(population, evidence=guess)
        kept, gained, whole = thin(
            population.total, room, rng, PREDICTED_REACH if news.any() else NEGLIGIBLE
        )
        population = population.take(kept)
        population = replace(population, importance=population.importance + gained)
        if news.any() and size < n:
            evidence, runs = yield _Asked(population.trees, now)
            population = replace(population, evidence=evidence)
            close = population.total > population.total.max() - NEGLIGIBLE
            population, runs = population.take(close), runs.take(close)
            done = known.tests.only(now)
            if _hopes(population, stratum, known.tests, done, n - size) < floor:
                return None
        stale = not news.any()
        complete &= whole
    evidence, badness = yield _Asked(population.trees)
    population = replace(population, evidence=evidence)
    close = population.total > population.total.max() - NEGLIGIBLE
    p = population.take(close)
    importance = truncated(p.total - p.importance, p.importance)
    return Ensemble(p.trees, p.prior + p.found, p.evidence, importance, badness[close], complete)


def truncated(log_single: Floats, log_importance: Floats) -> Floats:
    """Importance with which no drawn tree outweighs the others by chance.

    A half-grown tree that fitted badly is kept seldom, and then stands for many. Where it fits well
    in the end it is not likely that all of them do. A drawn tree weighs at most the sum over the
    square root of their number (Ionides 2008, truncated importance sampling).

    Args:
        log_single: Log weight of each as one tree, shape ``(K,)``.
        log_importance: Log of how many like it each stands for.
    """
    drawn, found = log_importance > 0.0, log_importance
    for _ in range(TRUNCATIONS):  # the sum falls with what is cut
        most = np.logaddexp.reduce(log_single + found) - 0.5 * np.log(len(found))
        cut = np.clip(most - log_single, 0.0, log_importance)
        found = np.where(drawn, np.minimum(found, cut), 0.0)
    return found


def _hopes(
    population: _Population, stratum: Stratum, tests: Tests, done: Tests, missing: int
) -> float:
    """Log weight that all together may have in the end.

    Every test still to come loses half a nat by noise and every receptacle some for its run.
    """
    perfect = [
        float((at_most(t, stratum) - 0.5 * (t.measured & ~told_by(stratum, t))).sum())
        for t in (tests, done)
    ]
    total = float(np.logaddexp.reduce(population.total))
    return total + perfect[0] - perfect[1] - LEAST_COST * missing


def told_by(stratum: Stratum, tests: Tests) -> Flags:
    """Tests of which the condition alone says what they read, whatever the tree.

    A receptacle of another circuit: its load moves nothing, or what they read says nothing.
    """
    if stratum.away is None:
        return np.zeros(len(tests), dtype=bool)
    here = np.int64(1 << stratum.away)
    own = ((tests.lead_a | tests.lead_b) & here) != 0
    told: Flags = ((tests.load & here) != 0) & (own | ~tests.source) | tests.source & own
    return told


def at_most(tests: Tests, stratum: Stratum | None = None) -> Floats:
    """Log probability that each test has at most under a condition, whatever the tree."""
    perfect = np.where(tests.measured, tests.log_inlier - np.log(tests.u) - LOG_ROOT_2_PI, 0.0)
    if stratum is None or stratum.away is None or not len(tests):
        return perfect
    here = np.int64(1 << stratum.away)
    void = ((tests.lead_a | tests.lead_b) & here) != 0
    still = inliers(tests, np.zeros(len(tests)))[0] + tests.log_inlier
    told = np.where(void, tests.log_away, np.logaddexp(still, tests.log_outlier))
    return np.where(told_by(stratum, tests), told, perfect)


def grow_under(
    trees: Hypotheses, bit: int, n: int, prior: TreePrior
) -> tuple[Grown, NDArray[np.int64]]:
    """Put a receptacle on trees of one condition in every way, on a ring's closing run too.

    Returns:
        The grown trees, and the near end of their other path. Where that path was divided,
        ``split`` is the number of columns: the place of the path behind them.
    """
    grown = grow(trees.masks, trees.home, bit, n, prior)
    near = trees.near[grown.origin]
    ring = (trees.kind == Kind.CLOSED) & (trees.far == 0)
    if not ring.any():
        return grown, near
    new = np.int64(1) << np.int64(bit)
    rows = np.flatnonzero(ring)
    masks, home = trees.masks[rows], trees.home[rows]
    end = trees.near[rows, None]
    way = (masks & end) == end
    pad = ((0, 0), (0, 2))
    more, more_home = np.pad(np.where(way, masks | new, masks), pad), np.pad(home, pad)
    more[:, grown.before] = new
    none = np.zeros(len(rows))
    beyond = np.full(len(rows), more.shape[1])
    closing = Grown(more, more_home, rows, beyond, grown.before, none)
    return together([grown, closing]), np.concatenate([near, np.full(len(rows), new)])


def _grown(
    population: _Population,
    grown: Grown,
    near: NDArray[np.int64],
    setting: Setting,
    stratum: Stratum,
    *,
    last: bool,
) -> _Population:
    """Trees with one more receptacle; the evidence is still that of before."""
    masks, home = squeeze(grown.masks, grown.home)
    old = population.trees
    trees = Hypotheses(masks, home, old.kind[grown.origin], near, old.far[grown.origin])
    prior = population.prior[grown.origin] + grown.log_prior_ratio
    if stratum.kind is Kind.CLOSED:
        n = len(stratum.places)
        prior = stratum.log_prior + log_ring_shape(masks, home, near, n, setting.tree_prior)
        if last:
            alone = ((masks & near[:, None]) == near[:, None]).sum(axis=1) < 2
            prior = np.where(alone, -1e6, prior)  # a ring of one point is none
    return _Population(
        trees,
        prior,
        setting.isolation.log_weight(trees.masks, stratum.away),
        population.evidence[grown.origin],
        population.importance[grown.origin],
    )


def insertion_order(
    tests: Tests, receptacles: tuple[int, ...], first: int | None = None
) -> tuple[int, ...]:
    """Receptacles in an order in which the tests among those inside are complete early."""
    all_bits = sum(1 << i for i in receptacles)
    places = [int(p) & all_bits for p in tests.places()]
    counts = {i: sum(p >> i & 1 for p in places) for i in receptacles}
    start = max(receptacles, key=lambda i: (counts[i], -i)) if first is None else first
    order = [start]
    inside = 1 << start
    while len(order) < len(receptacles):
        rest = [i for i in receptacles if not inside >> i & 1]

        def complete(i: int, inside: int = inside) -> tuple[int, int, int]:
            """Tests that become complete with receptacle ``i``, then tests that touch it."""
            grown = inside | 1 << i
            return sum(p >> i & 1 and not p & ~grown for p in places), counts[i], -i

        order.append(max(rest, key=complete))
        inside |= 1 << order[-1]
    return tuple(order)


def thin(
    log_weight: Floats, capacity: int, rng: np.random.Generator, reach: float = NEGLIGIBLE
) -> tuple[NDArray[np.intp], Floats, bool]:
    """Choose at most ``capacity`` trees without bias.

    Returns:
        Rows kept, log of the factor that each one's importance gains, and whether nothing but
        negligible trees was left out.
    """
    alive = np.flatnonzero(log_weight > log_weight.max() - reach)
    if len(alive) <= capacity:
        return alive, np.zeros(len(alive)), True
    weight = np.exp(log_weight[alive] - log_weight.max())
    weight /= weight.sum()
    threshold = _threshold(weight, capacity)
    heavy = weight >= threshold
    light = np.flatnonzero(~heavy)
    draws = capacity - int(heavy.sum())
    steps = np.cumsum(weight[light])
    at = (rng.random() + np.arange(draws)) / draws * steps[-1]
    drawn = light[np.minimum(np.searchsorted(steps, at), len(light) - 1)]
    drawn, times = np.unique(drawn, return_counts=True)
    share = steps[-1] / draws
    kept = np.concatenate([np.flatnonzero(heavy), drawn])
    gained = np.concatenate([np.zeros(int(heavy.sum())), np.log(times * share / weight[drawn])])
    return alive[kept], gained, False


def _threshold(weight: Floats, capacity: int) -> float:
    """The ``k`` for which ``sum(min(weight / k, 1))`` is ``capacity``."""
    ordered = np.sort(weight)
    below = np.cumsum(ordered)
    above = len(weight) - 1 - np.arange(len(weight))
    # with the i smallest below the threshold: below[i] / k + above[i] = capacity
    room = capacity - above
    ok = (room > 0) & (below / np.maximum(room, 1) >= ordered)
    i = int(np.flatnonzero(ok)[-1])
    return float(below[i] / room[i])
