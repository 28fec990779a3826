"""Log posterior of the runs on many trees at once, and its derivatives.

A run has a log-normal prior. A test sees ``amps`` times the sum of the runs that take part in it,
with Gaussian error; with a small probability it lies: then it saw no change (a load that never ran,
a lead that slipped) or a jump of any size (something else switched). ``line-drop`` sees hot and
neutral of each run and the source in front. The current at a place is the stated one less what a
heater loses with the voltage it gets there, relative to the mean over the places used; the tree and
the runs on it say how much that is.
"""

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.columns import Columns
from meterlink.tree.observations import Tests
from meterlink.tree.run_prior import (
    EYE_WIDTH,
    HOT_RATIO_SD,
    JUMP_RANGE_MV,
    POOR_HOT_SD,
    POOR_HOT_SHARE,
    SHORT_MOHM,
    SOURCE_MOHM,
    SOURCE_SD,
)
from meterlink.tree.trees import Floats


def _normal(x: Floats, sd: Floats | float) -> Floats:
    """Log density of a normal with mean 0."""
    result: Floats = -0.5 * (x / sd) ** 2 - np.log(sd) - 0.9189385332046727
    return result


def log_phi(x: Floats) -> Floats:
    """Log of the standard normal distribution function (logistic match, from memory: 1.4e-4)."""
    result: Floats = -np.logaddexp(0.0, -(0.07056 * x**3 + 1.5976 * x))
    return result


def log_lies(tests: Tests, u: Floats) -> Floats:
    """Log probability of each test as a lie, with standard uncertainties ``u`` in mV."""
    false_jump = -np.log(
        np.maximum(np.abs(tests.drop), 1.0) * np.log(JUMP_RANGE_MV[1] / JUMP_RANGE_MV[0])
    )
    measured = np.where(tests.no_change, _normal(tests.drop, u), false_jump)
    result: Floats = np.log(tests.lie) + np.where(tests.measured, measured, 0.0)
    return result


def with_hot_unknown(tests: Tests) -> Floats:
    """Standard uncertainty of each drop in mV where the hot side is taken as equal to neutral."""
    hot_u = np.where(tests.line, HOT_RATIO_SD / 2 * np.abs(tests.drop), 0.0)
    result: Floats = np.hypot(tests.u, hot_u)
    return result


class Problem:
    """One batch of trees: objective, truth probabilities and normal equations at a point.

    Parameters are ``x = [log mohm (D), log hot ratio (D), log source (1)]``; the last two parts
    only where a test is ``line-drop``. Without ``hot`` the hot side is taken as equal to the
    neutral, and what that leaves open goes into the uncertainty of these tests. ``rough`` is the
    width of the loss in a rough fit, 0 for the likelihood itself.
    """

    def __init__(
        self, columns: Columns, tests: Tests, amps: Floats, *, rough: float, hot: bool = True
    ) -> None:
        self.rough = rough
        self.hot = hot
        self.tests = tests
        self.columns = columns
        self.amps = amps
        self.with_line = bool(tests.line.any())
        self.trees, self.width = columns.mean.shape
        self.design = np.swapaxes(columns.seen, 1, 2) * amps[:, :, None]  # (N, m, D)
        # no change although some run takes part that would have shown: most probably a lie, left
        # out of the rough fit
        telling = tests.no_change & (3 * tests.u < tests.amps * SHORT_MOHM)
        self.believed = tests.measured & ~(telling & columns.seen.any(axis=1))
        self.with_hot = self.with_line and hot
        self.size = self.width * (1 + self.with_hot) + self.with_line
        self.u = tests.u if hot else with_hot_unknown(tests)
        self.log_lie = log_lies(tests, self.u)
        self.log_true = np.log1p(-tests.lie)

    def part(self, rows: NDArray[np.intp]) -> "Problem":
        """The same for some of the trees."""
        return Problem(
            self.columns.part(rows), self.tests, self.amps[rows], rough=self.rough, hot=self.hot
        )

    def sagged(self, x: Floats, *, rough: float = 0.0) -> "Problem":
        """The same with the current at each place as the runs ``x`` leave it."""
        tests, c = self.tests, self.columns
        runs = np.where(c.used, np.exp(x[:, : self.width]), 0.0)
        way_mohm = (runs[:, None, :] @ c.way)[:, 0, :] + c.way_unseen
        sag = way_mohm * tests.sag_per_mohm
        usual = sag.mean(axis=1, keepdims=True)
        amps = tests.amps * np.clip(1 + usual - sag, 0.5, 1.5)
        return Problem(c, tests, amps, rough=rough, hot=self.hot)

    def start(self) -> Floats:
        """A first guess: the linear least-squares runs with the prior as ridge, kept positive.

        Hot counts as much as neutral here, and the source is one more unknown.
        """
        c, tests = self.columns, self.tests
        mean = np.concatenate(
            [np.exp(c.mean + c.sd**2 / 2), np.full((self.trees, 1), SOURCE_MOHM)], axis=1
        )
        relative = np.concatenate(
            [np.expm1(c.sd**2), np.full((self.trees, 1), np.expm1(SOURCE_SD**2))], axis=1
        )
        design = np.concatenate(
            [
                self.design * np.where(tests.line, 2.0, 1.0)[:, None],
                (self.amps * tests.line)[:, :, None],
            ],
            axis=2,
        )
        weight = np.where(self.believed, 1 / self.u**2, 0.0)
        weighted = np.swapaxes(design * weight[..., None], 1, 2)
        normal = weighted @ design
        diagonal = np.arange(self.width + 1)
        ridge = 1 / (mean**2 * relative)
        normal[:, diagonal, diagonal] += ridge
        right = weighted @ tests.drop + ridge * mean
        solved = np.linalg.solve(normal, right[..., None])[..., 0]
        least = 0.1 * np.concatenate(
            [np.exp(c.mean), np.full((self.trees, 1), SOURCE_MOHM)], axis=1
        )
        held = solved < least
        rows = np.flatnonzero(held.any(axis=1))
        if len(rows):  # hold what came out too small at the least value and solve for the rest
            firm = np.where(held[rows], 1e6 * ridge[rows] + 1e3, 0.0)
            normal[rows[:, None], diagonal, diagonal] += firm
            right[rows] += firm * least[rows]
            solved[rows] = np.linalg.solve(normal[rows], right[rows][..., None])[..., 0]
        x = np.zeros((self.trees, self.size))
        solved = np.log(np.maximum(solved, least))
        x[:, : self.width] = solved[:, :-1]
        if self.with_line:
            x[:, -1] = solved[:, -1]
        return x

    def predict(self, x: Floats) -> tuple[Floats, Floats]:
        """Predicted drops ``(N, m)`` and their derivatives ``(N, m, size)``."""
        runs = np.exp(x[:, : self.width])
        slope = self.design * runs[:, None, :]
        if not self.with_line:
            return slope.sum(axis=2), slope
        line = self.tests.line[:, None]
        source = np.exp(x[:, -1:]) * self.amps * self.tests.line
        if not self.with_hot:
            slope = slope * (1 + line)
            return slope.sum(axis=2) + source, np.concatenate([slope, source[..., None]], axis=2)
        hot = np.exp(x[:, self.width : -1])[:, None, :] * slope * line
        both = slope + hot
        return both.sum(axis=2) + source, np.concatenate([both, hot, source[..., None]], axis=2)

    def likelihood(self, predicted: Floats) -> tuple[Floats, Floats]:
        """Log likelihood of each test with lies mixed in, and the probability of its truth.

        In a rough fit instead a Cauchy loss and its weight, which reach tests from far away.
        """
        tests = self.tests
        if self.rough:
            far = ((tests.drop - predicted) / (self.rough * self.u)) ** 2
            loss = -0.5 * self.rough**2 * np.log1p(far)
            return np.where(self.believed, loss, 0.0), np.where(self.believed, 1 / (1 + far), 0.0)
        honest = np.where(
            tests.measured,
            _normal(tests.drop - predicted, self.u),
            log_phi((predicted - tests.u) / (EYE_WIDTH * tests.u)),
        )
        log_true = self.log_true + honest
        both = np.logaddexp(log_true, self.log_lie)
        return both, np.exp(log_true - both)

    def prior(self, x: Floats) -> tuple[Floats, Floats, Floats]:
        """Log prior, its gradient and (positive) curvature, per parameter."""
        c = self.columns
        z = (x[:, : self.width] - c.mean) / c.sd
        log_p = np.where(c.used, -0.5 * z**2 - np.log(c.sd), 0.0).sum(axis=1)
        gradient = np.zeros_like(x)
        curvature = np.ones_like(x)
        gradient[:, : self.width] = np.where(c.used, -z / c.sd, 0.0)
        curvature[:, : self.width] = np.where(c.used, 1 / c.sd**2, 1.0)
        if self.with_hot:
            ratio = x[:, self.width : -1]
            sound = np.log(1 - POOR_HOT_SHARE) - 0.5 * (ratio / HOT_RATIO_SD) ** 2
            sound -= np.log(HOT_RATIO_SD)
            poor = np.log(POOR_HOT_SHARE) - 0.5 * (ratio / POOR_HOT_SD) ** 2 - np.log(POOR_HOT_SD)
            both = np.logaddexp(sound, poor)
            log_p += np.where(c.used, both, 0.0).sum(axis=1)
            share = np.exp(sound - both)
            precision = share / HOT_RATIO_SD**2 + (1 - share) / POOR_HOT_SD**2
            gradient[:, self.width : -1] = np.where(c.used, -precision * ratio, 0.0)
            curvature[:, self.width : -1] = np.where(c.used, precision, 1.0)
        if self.with_line:
            z_source = (x[:, -1] - np.log(SOURCE_MOHM)) / SOURCE_SD
            log_p += -0.5 * z_source**2 - np.log(SOURCE_SD)
            gradient[:, -1] = -z_source / SOURCE_SD
            curvature[:, -1] = 1 / SOURCE_SD**2
        return log_p, gradient, curvature

    def objective(self, x: Floats) -> Floats:
        """Log posterior up to a constant."""
        total: Floats = self.likelihood(self.predict(x)[0])[0].sum(axis=1) + self.prior(x)[0]
        return total

    def normal_equations(self, x: Floats) -> tuple[Floats, Floats]:
        """Gradient ``(N, size)`` and Gauss-Newton curvature ``(N, size, size)`` at ``x``."""
        predicted, slope = self.predict(x)
        truth = self.likelihood(predicted)[1]
        weight = np.where(self.tests.measured, truth / self.u**2, 0.0)
        _, gradient, curvature = self.prior(x)
        weighted = np.swapaxes(slope * weight[..., None], 1, 2)
        gradient = gradient + (weighted @ (self.tests.drop - predicted)[..., None])[..., 0]
        hessian = weighted @ slope
        diagonal = np.arange(self.size)
        hessian[:, diagonal, diagonal] += curvature
        return gradient, hessian
