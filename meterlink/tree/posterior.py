"""What a person needs from weighted trees: feeds, orders, runs and doubts with probabilities."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.columns import Columns
from meterlink.tree.ensemble import Ensemble, refit
from meterlink.tree.evidence import Fit
from meterlink.tree.observations import Tests
from meterlink.tree.run_prior import SPLIT_ALPHA, RunPrior
from meterlink.tree.trees import Floats, Masks, clades

PANEL = 0
FITTED_MASS = 0.999  # trees whose runs are averaged: the heaviest up to this weight
FITTED_MOST = 120
AMPS_SCALE_REL_U = 0.01  # a stated current is good to a per cent or so (common practice)


@dataclass(frozen=True, slots=True)
class Orders:
    """The posterior over orders among receptacles, splices left aside.

    Attributes:
        of_tree: For each tree of the ensemble the index of its order, shape ``(K,)``.
        probability: Of each order.
        clades: For each order and receptacle, what it feeds and itself as bits, ``(orders, n)``.
    """

    of_tree: NDArray[np.intp]
    probability: Floats
    clades: Masks

    @property
    def best(self) -> int:
        """Index of the most probable order."""
        return int(self.probability.argmax())


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
            where no ``line-drop`` test sees it.
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


def orders_of(ensemble: Ensemble, n: int) -> Orders:
    """Group the trees by who feeds whom."""
    unique, inverse = np.unique(clades(ensemble.masks, n), axis=0, return_inverse=True)
    of_tree = inverse.reshape(-1)
    probability = np.bincount(of_tree, ensemble.weights).astype(np.float64)
    return Orders(of_tree, probability, unique)


def first_probabilities(orders: Orders, n: int) -> Floats:
    """Probability of each receptacle to feed all others, and of none, shape ``(n + 1,)``."""
    feeds_all = orders.clades == (1 << n) - 1
    each = (feeds_all * orders.probability[:, None]).sum(axis=0)
    return np.append(each, max(0.0, 1.0 - each.sum()))


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
    above = np.where(outer, masks, np.iinfo(np.int64).max).min(axis=1)
    above = np.where(outer.any(axis=1), above, PANEL)
    is_receptacle = own == above[:, None]
    number = -1 - is_receptacle.argmax(axis=1)
    return np.where(is_receptacle.any(axis=1), number, above)


def runs_of(ensemble: Ensemble, orders: Orders, n: int, tests: Tests, prior: RunPrior) -> list[Run]:
    """The runs of the chosen tree, nearest to the panel first."""
    chosen = best_tree(ensemble, orders)
    own = clades(ensemble.masks, n)
    weight = ensemble.weights
    heavy = _heaviest(weight, chosen)
    columns, fitted = refit(ensemble, heavy, tests, prior)
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
            there = np.ones(len(weight), dtype=bool)
        beyond = mask if receptacle is None else 1 << receptacle
        feed = feeding_points(ensemble, beyond, inner, own)
        same_feed = there & (feed == feed[chosen])
        same_run = same_feed & (inner == mask)
        position = [(i, int(t)) for i, t in enumerate(heavy) if same_run[t]]
        mohm, u_mohm, separate, hot = _average(
            ensemble.masks, mask, position, weight, columns, fitted, prior
        )
        runs.append(
            Run(
                mask=mask,
                feed=int(feed[chosen]),
                receptacle=receptacle,
                probability=float(weight[same_feed].sum()),
                mohm=mohm,
                u_mohm=u_mohm,
                separate=separate,
                hot_log=hot[0] if hot else None,
                hot_u_log=hot[1] if hot else None,
            )
        )
    return runs


def _heaviest(weight: Floats, chosen: int) -> NDArray[np.intp]:
    """Rows of the trees that carry nearly all weight, the chosen one among them."""
    order = np.argsort(-weight, kind="stable")
    enough = int(np.searchsorted(np.cumsum(weight[order]), FITTED_MASS)) + 1
    rows = order[: min(enough, FITTED_MOST)]
    return rows if chosen in rows else np.append(rows, chosen)


def _average(
    masks: Masks,
    mask: int,
    position: list[tuple[int, int]],
    weight: Floats,
    columns: Columns,
    fitted: Fit,
    prior: RunPrior,
) -> tuple[float, float, bool, tuple[float, float] | None]:
    """Mean, uncertainty, separateness and hot ratio of a run over the trees at ``position``."""
    means, variances, shares, hots, separate = [], [], [], [], False
    for i, t in position:
        e = int(np.flatnonzero(masks[t] == mask)[0])
        column = int(columns.group[i, e])
        shares.append(weight[t])
        if column < 0:
            median = prior.home_median_mohm if _is_home(masks[t], mask) else prior.median_mohm
            mean = prior.mean(median)
            means.append(mean)
            variances.append(prior.relative_variance * mean**2)
            continue
        k = int(columns.size[i, column])
        separate |= k == 1
        total = float(np.exp(fitted.log_mohm[i, column]))
        relative = float(fitted.covariance[i, column, column])
        split = (k - 1) / k**2 / (k * SPLIT_ALPHA + 1)
        means.append(total / k)
        variances.append((total / k) ** 2 * relative + total**2 * split)
        if fitted.log_hot.size:
            width = columns.mean.shape[1]
            variance = float(fitted.hot_covariance[i, width + column, width + column])
            hots.append((float(fitted.log_hot[i, column]), variance, weight[t]))
    share = np.array(shares) / np.sum(shares)
    mean = float(share @ np.array(means))
    variance = float(share @ (np.array(variances) + (np.array(means) - mean) ** 2))
    u = float(np.hypot(np.sqrt(variance), AMPS_SCALE_REL_U * mean))
    if not hots:
        return mean, u, separate, None
    logs, spread, parts = (np.array(values) for values in zip(*hots, strict=True))
    parts = parts / parts.sum()
    log = float(parts @ logs)
    return mean, u, separate, (log, float(np.sqrt(parts @ (spread + (logs - log) ** 2))))


def _is_home(masks: Masks, mask: int) -> bool:
    """Whether no other run of the tree leads to this one."""
    return not bool((((masks & mask) == mask) & (masks > mask)).any())


def lie_probabilities(ensemble: Ensemble, tests: Tests, prior: RunPrior) -> tuple[Floats, Floats]:
    """For each test the probability that it lies, and what it should have shown, shape ``(m,)``."""
    heavy = _heaviest(ensemble.weights, int(ensemble.weights.argmax()))
    fitted = refit(ensemble, heavy, tests, prior)[1]
    share = ensemble.weights[heavy] / ensemble.weights[heavy].sum()
    return share @ (1 - fitted.truth), share @ fitted.predicted_mv
