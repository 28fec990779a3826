"""What the fit of smaller trees predicts of new tests on the trees grown from them.

The runs of the old tree, as its tests left them, are carried over; a new run has its prior, a
divided one keeps its sum; and the new tests are taken in one after another by linear updating
(Kalman 1960).
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.fit import Known, Runs, linear_prediction
from meterlink.tree.hypotheses import Hypotheses, RunPrior
from meterlink.tree.likelihood import log_phi, ratio_unknown
from meterlink.tree.observations import LOG_ROOT_2_PI
from meterlink.tree.trees import Floats, Grown

CHUNK = 400_000  # covariances of trees predicted at once: fits a core's cache
LEAST_ROWS = 100
LEAST_MOHM = 0.1  # a linear update may overshoot; no run is shorter


def predicted(runs: Runs, trees: Hypotheses, grown: Grown, news: Known) -> Floats:
    """Log probability of new tests on each grown tree, given the tests on its parent.

    Good to a few nats, enough to choose what is worth a fit.

    Args:
        runs: Of the parents.
        trees: The grown trees with their conditions, columns as in ``grown``.
        grown: How they were grown.
        news: Tests that name the new receptacle and others inside.
    """
    # clear jumps first: they say how long the new runs are
    tests = news.tests.only(np.argsort(-np.abs(news.tests.drop) / news.tests.u, kind="stable"))
    # other paths are not linear: their tests are taken in one by one
    blocks = np.array_split(np.arange(len(tests)), len(tests) if trees.paths.any() else 1)
    known = [replace(news, tests=tests.only(block)) for block in blocks]
    result = np.zeros(len(trees))
    room = max(LEAST_ROWS, CHUNK // (grown.masks.shape[1] + 3) ** 2)
    for rows in np.array_split(np.arange(len(result)), max(1, -(-len(result) // room))):
        mean, covariance = _carried_over(runs, grown, rows, news.prior)
        usual = runs.usual_sag[grown.origin[rows]]
        state = _State(trees.take(rows), mean, covariance, usual, np.zeros(len(rows)))
        for some in known:
            state.take_in(some)
        result[rows] = state.total
    return result


@dataclass
class _State:
    """Grown trees on the way through the new tests.

    Attributes:
        trees: The trees.
        mean, covariance, usual_sag: As in ``Runs``.
        total: Log probability of the tests taken in so far.
    """

    trees: Hypotheses
    mean: Floats
    covariance: Floats
    usual_sag: Floats
    total: Floats

    def take_in(self, some: Known) -> None:
        """Learn from some tests, one after another: add to ``total``, and update what they tell.

        What one says of those after it follows from their covariance; of the runs themselves, where
        it is just one.
        """
        tests, trees = some.tests, self.trees
        value, slope = linear_prediction(trees, tests, self.mean, self.usual_sag)
        reach = self.covariance @ np.swapaxes(slope, 1, 2)  # (N, E + 3, k)
        shared = slope @ reach
        void, more_u = trees.void(tests), ratio_unknown(tests, some.prior)
        missing = -np.logaddexp(0.0, -np.append(some.grounds.log_odds, -np.inf))[tests.grounded_at]
        outlier = np.logaddexp(tests.log_outlier, missing + tests.log_void)
        for j in range(len(tests)):
            turned = np.where((value[:, j] < 0) & ~tests.signed[j], -1.0, 1.0)
            expected = turned * value[:, j]
            if not tests.measured[j]:
                u = tests.u[j]
                seen = tests.log_inlier[j] + log_phi((expected - u) / (tests.eye_width * u))
                both = np.logaddexp(seen, outlier[j])
                self.total += np.where(void[:, j], tests.log_away[j], both)
                continue
            spread = np.maximum(shared[:, j, j], 0.0)[:, None]
            variance = spread + (tests.modes_u[j] ** 2 + more_u[j] ** 2)  # (N, modes)
            off = tests.modes[j] - expected[:, None]
            each = tests.log_modes[j] - 0.5 * off**2 / variance - 0.5 * np.log(variance)
            inlier = tests.log_inlier[j] + np.logaddexp.reduce(each, axis=1) - LOG_ROOT_2_PI
            both = np.logaddexp(inlier, outlier[j])
            self.total += np.where(void[:, j], tests.log_away[j], both)
            mode = each.argmax(axis=1)[:, None]
            off, variance = (np.take_along_axis(x, mode, axis=1)[:, 0] for x in (off, variance))
            firm = np.where((inlier > outlier[j]) & ~void[:, j], 1 / variance, 0.0)
            if len(tests) == 1:
                gain = reach[:, :, 0] * (turned * firm)[:, None]
                self.mean = np.maximum(self.mean + gain * off[:, None], LEAST_MOHM)
                self.covariance -= gain[:, :, None] * (reach[:, :, 0] * turned[:, None])[:, None, :]
            else:
                gain = shared[:, :, j] * firm[:, None]
                value += gain * (turned * off)[:, None]
                shared -= gain[:, :, None] * shared[:, j, None, :]


def _carried_over(
    runs: Runs, grown: Grown, rows: NDArray[np.intp], prior: RunPrior
) -> tuple[Floats, Floats]:
    """Means and covariances of the runs of grown trees before the new tests.

    The columns are those of ``grown.masks``, the other path and the source.
    """
    origin, split = grown.origin[rows], grown.split[rows]
    count, width = len(rows), grown.masks.shape[1]
    old = grown.before
    kept = np.append(np.arange(old), [width, width + 1, width + 2])
    before = np.append(np.arange(old), [-3, -2, -1])
    known_mean = np.zeros((len(runs.mean), width + 3))
    known_mean[:, kept] = runs.mean[:, before]
    spread = np.zeros((len(runs.mean), width + 3, width + 3))
    spread[:, kept[:, None], kept] = runs.covariance[:, before[:, None], before]
    mean, covariance = known_mean[origin], spread[origin]
    usual = np.zeros((count, width + 1))
    usual[:, :width] = prior.means(grown.home[rows])
    usual[:, width] = prior.mean(prior.home_median_mohm)
    at = np.flatnonzero(split >= 0)
    e = split[at]
    share = usual[at, old] / (usual[at, old] + usual[at, e])  # of the nearer part
    whole = mean[at, e]
    apart = whole**2 * share * (1 - share) / (2 * prior.runs.split_alpha + 1)
    line = covariance[at, e, :]
    covariance[at, old, :] = share[:, None] * line
    covariance[at, :, old] = share[:, None] * line
    covariance[at, e, :] *= (1 - share)[:, None]
    covariance[at, :, e] *= (1 - share)[:, None]
    own = line[np.arange(len(at)), e]
    covariance[at, old, old] = share**2 * own + apart
    covariance[at, e, e] = (1 - share) ** 2 * own + apart
    covariance[at, old, e] = covariance[at, e, old] = share * (1 - share) * own - apart
    mean[at, old], mean[at, e] = share * whole, (1 - share) * whole
    fresh = grown.masks[rows] != 0
    fresh[:, :old] = False
    fresh[at, old] = False
    t, column = np.nonzero(fresh)
    mean[t, column] = usual[t, column]
    covariance[t, column, column] = prior.relative_variance * usual[t, column] ** 2
    return mean, covariance
