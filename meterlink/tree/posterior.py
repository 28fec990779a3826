"""What a person needs from weighted hypotheses: feeds, orders, runs, rings and outliers."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.fit import Fit, Known, refit
from meterlink.tree.hypotheses import NO_RUN, Columns, Hypotheses, Kind
from meterlink.tree.trees import Flags, Floats, Masks, bits_of, clades

PANEL = 0
FITTED_MASS = 0.999  # trees whose runs are averaged: the heaviest up to this weight
FITTED_MOST = 120


@dataclass(frozen=True, slots=True)
class Ensemble:
    """Weighted hypotheses: a listing of the posterior or an unbiased sample of it.

    Attributes:
        hypotheses: Trees with a condition each.
        log_prior: Log prior weight of each, and of what was found with the power off.
        log_evidence: Log probability of the tests under it.
        log_importance: Log of how many like it each stands for; 0 where it is kept as it is.
        badness: Nats that it loses against a perfect prediction.
        complete: None was left to chance.
    """

    hypotheses: Hypotheses
    log_prior: Floats
    log_evidence: Floats
    log_importance: Floats
    badness: Floats
    complete: bool

    @property
    def masks(self) -> NDArray[np.int64]:
        """The trees, shape ``(K, E)``, without what is not on the circuit."""
        return self.hypotheses.on_circuit

    @property
    def home(self) -> Flags:
        """Which runs start at the panel."""
        return self.hypotheses.home

    @property
    def log_weight(self) -> Floats:
        """Log weight of each, not normalised."""
        return self.log_prior + self.log_evidence + self.log_importance

    @property
    def weights(self) -> Floats:
        """Weights that add up to 1, shape ``(K,)``."""
        weight = np.exp(self.log_weight - self.log_weight.max())
        share: Floats = weight / weight.sum()
        return share

    @classmethod
    def joined(cls, parts: Sequence["Ensemble"]) -> "Ensemble":
        """Ensembles of several strata as one."""
        log_prior, log_evidence, log_importance, badness = (
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("log_prior", "log_evidence", "log_importance", "badness")
        )
        every = Hypotheses.joined([part.hypotheses for part in parts])
        complete = all(part.complete for part in parts)
        return cls(every, log_prior, log_evidence, log_importance, badness, complete)

    def take(self, rows: NDArray[np.intp] | Flags) -> "Ensemble":
        """Some of them."""
        return Ensemble(
            self.hypotheses.take(rows),
            self.log_prior[rows],
            self.log_evidence[rows],
            self.log_importance[rows],
            self.badness[rows],
            self.complete,
        )


@dataclass(frozen=True, slots=True)
class Orders:
    """The posterior over answers: orders among receptacles (splices left aside) and conditions.

    Attributes:
        of_tree: For each tree of the ensemble the index of its answer, shape ``(K,)``.
        probability: Of each answer; they add up to less than 1 where something else is possible.
        clades: For each answer and receptacle, what it feeds and itself as bits, ``(orders, n)``;
            on a ring a receptacle feeds only its spurs, and one of another circuit nothing: 0.
        kind, near: The condition of each answer, and the receptacle it speaks of as bits.
    """

    of_tree: NDArray[np.intp]
    probability: Floats
    clades: Masks
    kind: NDArray[np.intp]
    near: Masks

    @property
    def best(self) -> int:
        """Index of the most probable answer."""
        return int(self.probability.argmax())


def fed(h: Hypotheses, n: int) -> Masks:
    """What each receptacle feeds and itself under each hypothesis, as bits, ``(K, n)``."""
    result = clades(h.on_circuit, n)
    result[result == NO_RUN] = 0
    closed = np.flatnonzero(h.kind == Kind.CLOSED)
    between = h.between()
    for t in closed:
        ring = [int(m) for m, k in zip(h.masks[t], between[t], strict=True) if k]
        for i in range(n):
            own = int(result[t, i])
            if own in ring:
                beyond = [m for m in ring if m & own == m and m != own]
                result[t, i] = own & ~max(beyond, default=0)
    return result


def ring_points(masks: Sequence[int], near: int, far: int) -> list[int]:
    """Points once round a ring, as the masks of the runs that feed them.

    The point where the ring begins comes first, ``PANEL`` for the panel.
    """
    ways = [
        sorted((m for m in masks if m and end and m & end == end), reverse=True)
        for end in (near, far)
    ]
    shared = [m for m in ways[0] if m in ways[1]]
    start = shared[-1] if shared else PANEL
    one, other = ([m for m in way if m not in shared] for way in ways)
    return [start, *one, *other[::-1]]


def _ring_key(h: Hypotheses, row: int) -> tuple[int, ...]:
    """Ring of a hypothesis in one direction, told by what hangs on each of its points."""
    masks = [int(m) for m in h.masks[row]]
    ring = ring_points(masks, int(h.near[row]), int(h.far[row]))
    parts = []
    for i, mask in enumerate(ring[1:], 1):
        beyond = [m for m in ring[i + 1 :] + ring[1:i] if m & mask == m and m != mask]
        parts.append(mask & ~max(beyond, default=0))
    start = ring[0]
    return (start, *min(parts, parts[::-1]))


def orders_of(ensemble: Ensemble, n: int) -> Orders:
    """Group the hypotheses by who feeds whom, and by condition."""
    h = ensemble.hypotheses
    feeds = fed(h, n)
    kind, near = h.condition
    near = np.where(kind == Kind.CLOSED, 0, near)
    closed = [int(row) for row in np.flatnonzero(h.kind == Kind.CLOSED)]
    rings = {row: _ring_key(h, row) for row in closed}
    number = {key: i for i, key in enumerate(dict.fromkeys(rings.values()), 1)}
    ring = np.array([number[rings[row]] if row in rings else 0 for row in range(len(h))])
    table = np.column_stack([feeds, kind, near, ring])
    unique, inverse = np.unique(table, axis=0, return_inverse=True)
    of_tree = inverse.reshape(-1)
    probability = np.bincount(of_tree, ensemble.weights).astype(np.float64)
    return Orders(of_tree, probability, unique[:, :n], unique[:, n], unique[:, n + 1])


def first_probabilities(orders: Orders, n: int) -> Floats:
    """Probability of each receptacle to feed all others, and of none, shape ``(n + 1,)``.

    A receptacle of another circuit need not be fed.
    """
    every = (1 << n) - 1
    away = np.where(orders.kind == Kind.ELSEWHERE, orders.near, 0)
    feeds_all = orders.clades == (every & ~away)[:, None]
    each = (feeds_all * orders.probability[:, None]).sum(axis=0)
    none = float(orders.probability[~feeds_all.any(axis=1)].sum())
    return np.append(each, none)


def relations(orders: Orders, n: int) -> Floats:
    """``[i, j]``: probability that receptacle ``i`` feeds ``j``, shape ``(n, n)``."""
    bits = np.int64(1) << np.arange(n, dtype=np.int64)
    feeds = (orders.clades[:, :, None] & bits) != 0
    result: Floats = (feeds * orders.probability[:, None, None]).sum(axis=0)
    np.fill_diagonal(result, 0.0)
    return result


def unseparated(orders: Orders, n: int, sure: float) -> list[tuple[int, ...]]:
    """Groups of receptacles whose order is not told with probability ``sure``."""
    feeds = relations(orders, n)
    known = np.maximum(np.maximum(feeds, feeds.T), 1 - feeds - feeds.T) >= sure
    group = list(range(n))
    for i, j in np.argwhere(~known):
        old, new = group[j], group[i]
        group = [new if g == old else g for g in group]
    members = [tuple(i for i in range(n) if group[i] == g) for g in dict.fromkeys(group)]
    return [m for m in members if len(m) > 1]


def best_tree(ensemble: Ensemble, orders: Orders) -> int:
    """Row of the most probable tree within the most probable order."""
    weight = np.where(orders.of_tree == orders.best, ensemble.weights, -1.0)
    return int(weight.argmax())


@dataclass(frozen=True, slots=True)
class Run:
    """One run of the chosen tree, averaged over all trees that have it.

    Attributes:
        mask: The receptacles beyond it, as bits.
        feed: The point that feeds it: ``PANEL``, ``-1 - receptacle``, or the mask of a splice.
        receptacle: The receptacle at its far end; ``None`` for a splice.
        probability: That the far end is fed from there, over all trees.
        mohm, u_mohm: Neutral resistance and its standard uncertainty.
        separate: Some test tells this run from its neighbours.
        hot_log, hot_u_log: Log of hot over neutral resistance and its standard deviation; ``None``
            where no test sees its hot side.
    """

    mask: int
    feed: int
    receptacle: int | None
    probability: float
    mohm: float
    u_mohm: float
    separate: bool
    hot_log: float | None = None
    hot_u_log: float | None = None


@dataclass(frozen=True, slots=True)
class Fitted:
    """The heaviest hypotheses of an ensemble with their runs fitted.

    Attributes:
        rows: Rows of the ensemble; ``weight`` their weights.
        columns, fit: As ``fit.refit`` gives them.
        hot: Where the hot ratios are among the parameters.
        misnamed: Tests that were done elsewhere than written, ``(K, m)``.
    """

    rows: NDArray[np.intp]
    weight: Floats
    columns: Columns
    fit: Fit
    hot: slice
    misnamed: Flags

    @classmethod
    def of(cls, ensemble: Ensemble, chosen: int, known: Known) -> "Fitted":
        """Those that carry nearly all weight, the chosen one among them."""
        weight = ensemble.weights
        order = np.argsort(-weight, kind="stable")
        enough = int(np.searchsorted(np.cumsum(weight[order]), FITTED_MASS)) + 1
        rows = order[: min(enough, FITTED_MOST)]
        rows = rows if chosen in rows else np.append(rows, chosen)
        some = ensemble.hypotheses.take(rows)
        columns, fitted, parts = refit(some, known)
        misnamed = np.broadcast_to(some.misnamed(known.tests), columns.void.shape)
        return cls(rows, weight[rows], columns, fitted, parts[1], misnamed)

    def outliers(self) -> tuple[Floats, Floats]:
        """For each test the probability that it is an outlier, and what it should have shown.

        A test that says nothing, without a ground contact or on another circuit, is none.
        """
        share = self.weight / self.weight.sum()
        says_nothing = self.columns.void & ~self.misnamed
        outlier = np.where(says_nothing, 0.0, self.fit.grounded - self.fit.inlier)
        return share @ np.maximum(outlier, 0.0), share @ self.fit.predicted_mv


def feeding_points(ensemble: Ensemble, mask: int, inner: Masks, own: Masks) -> Masks:
    """For each tree the point that feeds the run ``inner``, as ``Run.feed`` numbers it.

    Args:
        ensemble: The trees.
        mask: Any receptacles beyond the run (they tell which runs lead to it).
        inner: The run's own mask in each tree, shape ``(K,)``.
        own: Masks of the receptacles' own runs in each tree, shape ``(K, n)``.
    """
    masks = ensemble.masks
    outer = ((masks & mask) == mask) & (masks > inner[:, None])
    above = np.where(outer, masks, NO_RUN).min(axis=1)
    above = np.where(outer.any(axis=1), above, PANEL)
    is_receptacle = own == above[:, None]
    number = -1 - is_receptacle.argmax(axis=1)
    return np.where(is_receptacle.any(axis=1), number, above)


def runs_of(
    ensemble: Ensemble, chosen: int, n: int, fitted: Fitted, known: Known, explained: float
) -> list[Run]:
    """The runs of the chosen tree, nearest to the panel first."""
    own = clades(ensemble.masks, n)
    weight, kind = ensemble.weights, ensemble.hypotheses.condition[0]
    runs = []
    for e in np.argsort(-ensemble.masks[chosen], kind="stable"):
        mask = int(ensemble.masks[chosen, e])
        if mask == 0:
            continue
        ends = np.flatnonzero(own[chosen] == mask)
        receptacle = int(ends[0]) if len(ends) else None
        if receptacle is None:
            inner = np.full(len(weight), mask)
            there = (ensemble.masks == mask).any(axis=1) & ~(own == mask).any(axis=1)
        else:
            inner = own[:, receptacle]
            there = inner != NO_RUN
        beyond = mask if receptacle is None else 1 << receptacle
        feed = feeding_points(ensemble, beyond, inner, own)
        same_feed = there & (feed == feed[chosen])
        same_run = same_feed & (inner == mask) & (kind == kind[chosen])
        position = [(i, int(t)) for i, t in enumerate(fitted.rows) if same_run[t]]
        mohm, u_mohm, separate, hot = _average(ensemble, mask, position, fitted, known)
        runs.append(
            Run(
                mask=mask,
                feed=int(feed[chosen]),
                receptacle=receptacle,
                probability=float(weight[same_feed].sum()) * explained,
                mohm=mohm,
                u_mohm=u_mohm,
                separate=separate,
                hot_log=hot[0] if hot else None,
                hot_u_log=hot[1] if hot else None,
            )
        )
    return runs


def _average(
    ensemble: Ensemble, mask: int, position: list[tuple[int, int]], fitted: Fitted, known: Known
) -> tuple[float, float, bool, tuple[float, float] | None]:
    """Mean, uncertainty, separateness and hot ratio of a run over the trees at ``position``."""
    prior, columns, x = known.prior, fitted.columns, fitted.fit.x
    means, variances, shares, hots, separate = [], [], [], [], False
    for i, t in position:
        e = int(np.flatnonzero(ensemble.masks[t] == mask)[0])
        column = int(columns.group[i, e])
        shares.append(fitted.weight[i])
        if column < 0:
            mean = float(prior.means(ensemble.home[t, e]))
            means.append(mean)
            variances.append(prior.relative_variance * mean**2)
            continue
        k = int(columns.size[i, column])
        separate |= k == 1
        total = float(np.exp(x[i, column]))
        relative = float(fitted.fit.covariance[i, column, column])
        split = (k - 1) / k**2 / (k * prior.runs.split_alpha + 1)
        means.append(total / k)
        variances.append((total / k) ** 2 * relative + total**2 * split)
        if fitted.hot.stop > fitted.hot.start:
            at = fitted.hot.start + column
            hots.append((float(x[i, at]), float(fitted.fit.covariance[i, at, at]), shares[-1]))
    share = np.array(shares) + 1e-300
    share /= share.sum()
    mean = float(share @ np.array(means))
    variance = float(share @ (np.array(variances) + (np.array(means) - mean) ** 2))
    u = float(np.hypot(np.sqrt(variance), prior.runs.amps_scale_rel_u * mean))
    if not hots:
        return mean, u, separate, None
    logs, spread, parts = (np.array(values) for values in zip(*hots, strict=True))
    parts = (parts + 1e-300) / (parts + 1e-300).sum()
    log = float(parts @ logs)
    return mean, u, separate, (log, float(np.sqrt(parts @ (spread + (logs - log) ** 2))))


def names_in(mask: int, names: Sequence[str]) -> tuple[str, ...]:
    """Names of the receptacles in a mask."""
    return tuple(names[i] for i in bits_of(mask))
