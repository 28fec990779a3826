"""What the fit of smaller trees predicts of new tests on the trees grown from them.

The runs of the old tree, as its tests left them, are carried over; a new run has its prior, a
divided one keeps its sum; and the new tests are taken in one after another by linear updating
(Kalman 1960).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.fit import Known, Runs, linear_prediction
from meterlink.tree.hypotheses import Hypotheses, RunPrior
from meterlink.tree.likelihood import log_phi, ratio_unknown
from meterlink.tree.observations import LOG_ROOT_2_PI
from meterlink.tree.trees import Flags, Floats, Grown

CHUNK = 400_000  # covariances of trees predicted at once: fits a core's cache
LEAST_ROWS = 100
WORTH_DROPPING = 0.2  # part of the trees; going on with fewer costs a copy of the rest
LEAST_MOHM = 0.1  # a linear update may overshoot; no run is shorter


def predicted(
    runs: Runs, trees: Hypotheses, grown: Grown, news: Known, least: Floats | None = None
) -> Floats:
    """Log probability of new tests on each grown tree, given the tests on its parent.

    Good to a few nats, enough to choose what is worth a fit.

    Args:
        runs: Of the parents.
        trees: The grown trees with their conditions, columns as in ``grown``.
        grown: How they were grown.
        news: Tests that name the new receptacle and others inside.
        least: What each tree must reach, shape ``(N,)``; the others are given up, with ``-inf``,
            as soon as they cannot.
    """
    if least is None:
        least = np.full(len(trees), -np.inf)
    # clear jumps first: they say how long the new runs are, and rule out most
    tests = news.tests.only(np.argsort(-np.abs(news.tests.drop) / news.tests.u, kind="stable"))
    u = np.hypot(tests.u, ratio_unknown(tests, news.prior))
    most = np.where(tests.measured, -np.log(u) - 0.9, 0.0)  # a perfect prediction
    rest = np.append(np.cumsum(most[::-1])[::-1][1:], 0.0)
    result = np.full(len(trees), -np.inf)
    room = max(LEAST_ROWS, CHUNK // (grown.masks.shape[1] + 3) ** 2)
    for rows in np.array_split(np.arange(len(result)), max(1, -(-len(result) // room))):
        if not len(rows):
            continue
        mean, covariance = _carried_over(runs, grown, rows, news.prior)
        usual = runs.usual_sag[grown.origin[rows]]
        state = _State(rows, trees.take(rows), mean, covariance, usual, np.zeros(len(rows)))
        for j in range(len(tests)):
            state.take_in(Known(tests.only(np.array([j])), news.prior, news.grounds))
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
        trees: They themselves.
        mean, covariance, usual_sag: As in ``Runs``.
        total: Log probability of the tests taken in so far.
    """

    rows: NDArray[np.intp]
    trees: Hypotheses
    mean: Floats
    covariance: Floats
    usual_sag: Floats
    total: Floats

    def keep(self, which: Flags) -> None:
        """Go on with some of the trees."""
        self.trees = self.trees.take(which)
        for name in ("rows", "mean", "covariance", "usual_sag", "total"):
            setattr(self, name, getattr(self, name)[which])

    def take_in(self, one: Known) -> None:
        """Learn from one test: add to ``total``, and update the runs where it is believed."""
        test, prior = one.tests, one.prior
        value, slope = linear_prediction(self.trees, test, self.mean, self.usual_sag)
        expected, design = value[:, 0], slope[:, 0]
        outlier = float(test.log_outlier[0])
        place = int(test.grounded_at[0])
        if 0 <= place < len(one.grounds.log_odds):
            none = -np.logaddexp(0.0, -one.grounds.log_odds[place])
            outlier = float(np.logaddexp(outlier, none + test.log_void[0]))
        void = self.trees.void(test)[:, 0]
        if not test.measured[0]:
            u = test.u[0]
            inlier = test.log_inlier[0] + log_phi((expected - u) / (test.eye_width * u))
            self.total += np.where(void, test.log_away[0], np.logaddexp(inlier, outlier))
            return
        reach = (self.covariance @ design[:, :, None])[:, :, 0]
        spread = (design * reach).sum(axis=1)
        u = np.hypot(test.modes_u[0], ratio_unknown(test, prior)[0])
        variance = np.maximum(spread, 0.0)[:, None] + u**2  # (N, modes)
        off = test.modes[0] - expected[:, None]
        each = test.log_modes[0] - 0.5 * off**2 / variance - 0.5 * np.log(variance) - LOG_ROOT_2_PI
        inlier = test.log_inlier[0] + np.logaddexp.reduce(each, axis=1)
        both = np.logaddexp(inlier, outlier)
        self.total += np.where(void, test.log_away[0], both)
        mode = each.argmax(axis=1)[:, None]
        believed = (inlier > outlier) & ~void
        firm = np.where(believed, 1 / np.take_along_axis(variance, mode, axis=1)[:, 0], 0.0)
        gain = firm[:, None] * reach
        self.mean += gain * np.take_along_axis(off, mode, axis=1)
        self.covariance -= gain[:, :, None] * reach[:, None, :]
        np.maximum(self.mean, LEAST_MOHM, out=self.mean)


def _carried_over(
    runs: Runs, grown: Grown, rows: NDArray[np.intp], prior: RunPrior
) -> tuple[Floats, Floats]:
    """Means and covariances of the runs of grown trees before the new tests.

    The columns are those of ``grown.masks``, the other path and the source.
    """
    origin, split = grown.origin[rows], grown.split[rows]
    count, width = len(rows), grown.masks.shape[1]
    old = grown.before
    mean = np.zeros((count, width + 3))
    covariance = np.zeros((count, width + 3, width + 3))
    kept = np.append(np.arange(old), [width, width + 1, width + 2])
    before = np.append(np.arange(old), [-3, -2, -1])
    mean[:, kept] = runs.mean[origin][:, before]
    covariance[:, kept[:, None], kept] = runs.covariance[origin][:, before[:, None], before]
    usual = np.zeros((count, width + 1))
    usual[:, :width] = prior.means(grown.home[rows])
    usual[:, width] = prior.mean(prior.home_median_mohm)
    at = np.flatnonzero(split >= 0)
    e = split[at]
    share = usual[at, old] / (usual[at, old] + usual[at, e])  # of the nearer part
    whole = mean[at, e]
    spread = whole**2 * share * (1 - share) / (2 * prior.runs.split_alpha + 1)
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
