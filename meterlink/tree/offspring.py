"""What the fit of a tree foretells of the trees that are grown from it.

A receptacle more changes a tree in one place, and only the tests that name it are new. So the runs
of the old tree, as its tests left them, are carried over; a new run has its prior, a parted one
keeps its sum; and the new tests are taken in one after another by linear updating (Kalman 1960).
That costs a fraction of a fit and is good to a few nats, enough to choose what is worth one.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.objective import log_lies, log_phi, with_hot_unknown
from meterlink.tree.observations import Tests
from meterlink.tree.run_prior import EYE_WIDTH, SPLIT_ALPHA, RunPrior
from meterlink.tree.runs import Runs
from meterlink.tree.trees import Flags, Floats, Grown

CHUNK = 2000  # trees at once: bounds memory
WORTH_DROPPING = 0.2  # part of the trees; going on with fewer costs a copy of the rest
LEAST_MOHM = 0.1  # a linear update may overshoot; no run is shorter


def foretold(
    runs: Runs, grown: Grown, news: Tests, prior: RunPrior, least: Floats | None = None
) -> Floats:
    """Log probability of the new tests on each grown tree, given the tests on its parent.

    Args:
        runs: Of the parents.
        grown: The trees, as ``trees.grow`` made them.
        news: Tests that name the new receptacle and others inside.
        prior: Of the runs.
        least: What each tree must reach, shape ``(N,)``; the others are given up, with ``-inf``,
            as soon as they cannot.
    """
    if least is None:
        least = np.full(len(grown.masks), -np.inf)
    # clear jumps first: they say how long the new runs are, and rule out most
    news = news.only(np.argsort(-np.abs(news.drop) / news.u, kind="stable"))
    most = np.where(news.measured, -np.log(with_hot_unknown(news)) - 0.9, 0.0)  # a perfect forecast
    rest = np.append(np.cumsum(most[::-1])[::-1][1:], 0.0)
    result = np.full(len(grown.masks), -np.inf)
    for rows in np.array_split(np.arange(len(result)), max(1, -(-len(result) // CHUNK))):
        if not len(rows):
            continue
        state = _State.before(runs, grown, rows, news, prior)
        for j in range(len(news)):
            state.take_in(j)
            hopeless = state.total + rest[j] < least[state.rows]
            if hopeless.sum() > WORTH_DROPPING * len(hopeless):
                state.keep(~hopeless)
        result[state.rows] = state.total
    return result


@dataclass
class _State:
    """Grown trees on the way through the new tests.

    Attributes:
        rows: Which of the grown trees these are.
        news: The tests.
        mean, covariance: Of the runs and the source, in mohm.
        usual_sag: As in ``Runs``.
        seen: Which tests see a run, ``(N, E, m)``.
        loaded: Which tests have their load beyond it, ``(N, E, m)``.
        total: Log probability of the tests taken in so far.
    """

    rows: NDArray[np.intp]
    news: Tests
    mean: Floats
    covariance: Floats
    usual_sag: Floats
    seen: Flags
    loaded: Flags
    total: Floats

    def __post_init__(self) -> None:
        self.u = with_hot_unknown(self.news)
        self.log_lie = log_lies(self.news, self.u)
        self.log_true = np.log1p(-self.news.lie)

    @classmethod
    def before(
        cls, runs: Runs, grown: Grown, rows: NDArray[np.intp], news: Tests, prior: RunPrior
    ) -> "_State":
        """Some of the grown trees before any new test."""
        masks = grown.masks[rows]
        mean, covariance = _carried_over(runs, grown, rows, prior)
        loaded = (masks[:, :, None] & news.load) != 0
        usual = runs.usual_sag[grown.origin[rows]]
        seen = news.carrying(masks)
        return cls(rows, news, mean, covariance, usual, seen, loaded, np.zeros(len(rows)))

    def keep(self, which: Flags) -> None:
        """Go on with some of the trees."""
        for name in ("rows", "mean", "covariance", "usual_sag", "seen", "loaded", "total"):
            setattr(self, name, getattr(self, name)[which])

    def take_in(self, j: int) -> None:
        """Learn from one test: add to ``total``, and update the runs where it is believed."""
        news, u = self.news, self.u[j]
        sag = (self.mean[:, :-1] * self.loaded[:, :, j]).sum(axis=1) * news.sag_per_mohm[j]
        amps = news.amps[j] * np.clip(1 + self.usual_sag - sag, 0.5, 1.5)
        design = np.zeros_like(self.mean)
        design[:, :-1] = self.seen[:, :, j] * (amps * (1.0 + news.line[j]))[:, None]
        design[:, -1] = amps * news.line[j]
        expected = (design * self.mean).sum(axis=1)
        if not news.measured[j]:
            honest = self.log_true[j] + log_phi((expected - u) / (EYE_WIDTH * u))
            self.total += np.logaddexp(honest, self.log_lie[j])
            return
        reach = (self.covariance @ design[:, :, None])[:, :, 0]
        variance = (design * reach).sum(axis=1) + u**2
        off = news.drop[j] - expected
        honest = self.log_true[j] - 0.5 * off**2 / variance - 0.5 * np.log(2 * np.pi * variance)
        self.total += np.logaddexp(honest, self.log_lie[j])
        gain = np.where(honest > self.log_lie[j], 1 / variance, 0.0)[:, None] * reach
        self.mean += gain * off[:, None]
        self.covariance -= gain[:, :, None] * reach[:, None, :]
        np.maximum(self.mean, LEAST_MOHM, out=self.mean)


def _carried_over(
    runs: Runs, grown: Grown, rows: NDArray[np.intp], prior: RunPrior
) -> tuple[Floats, Floats]:
    """Means and covariances of the runs of grown trees before the new tests.

    The columns are those of ``grown.masks``, and the source.
    """
    origin, split = grown.origin[rows], grown.split[rows]
    count, width = len(rows), grown.masks.shape[1]
    old = grown.before
    mean = np.zeros((count, width + 1))
    covariance = np.zeros((count, width + 1, width + 1))
    mean[:, :old], mean[:, -1] = runs.mean[origin, :old], runs.mean[origin, -1]
    covariance[:, :old, :old] = runs.covariance[origin, :old, :old]
    covariance[:, -1, -1] = runs.covariance[origin, -1, -1]
    usual = prior.means(grown.home[rows])
    at = np.flatnonzero(split >= 0)
    e = split[at]
    share = usual[at, old] / (usual[at, old] + usual[at, e])  # of the nearer part
    whole = mean[at, e]
    spread = whole**2 * share * (1 - share) / (2 * SPLIT_ALPHA + 1)
    line = covariance[at, e, :]
    covariance[at, old, :] = share[:, None] * line
    covariance[at, :, old] = share[:, None] * line
    covariance[at, e, :] *= (1 - share)[:, None]
    covariance[at, :, e] *= (1 - share)[:, None]
    own = line[np.arange(len(at)), e]
    covariance[at, old, old] = share**2 * own + spread
    covariance[at, e, e] = (1 - share) ** 2 * own + spread
    covariance[at, old, e] = covariance[at, e, old] = share * (1 - share) * own - spread
    mean[at, old], mean[at, e] = share * whole, (1 - share) * whole
    fresh = grown.masks[rows] != 0
    fresh[:, :old] = False
    fresh[at, old] = False
    t, column = np.nonzero(fresh)
    mean[t, column] = usual[t, column]
    covariance[t, column, column] = prior.relative_variance * usual[t, column] ** 2
    return mean, covariance
