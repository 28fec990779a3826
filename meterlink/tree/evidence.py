"""How probable the tests are on a given tree, runs integrated out (Laplace), many trees at once."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.columns import Columns
from meterlink.tree.objective import Problem
from meterlink.tree.observations import Tests
from meterlink.tree.trees import Floats

MAX_STEP = 1.2  # in log mohm
MAX_ITERATIONS = 40
CONVERGED = 1e-3  # nats gained by the last step
ROUGH_ITERATIONS = 8
CAUCHY_WIDTH = 3.0  # in standard uncertainties: beyond it the rough fit begins to distrust a test
FAR_WIDTH, FAR_ITERATIONS = 30.0, 5  # first, so that a poor joint on the hot side is not taken
# for so many lies of all the tests behind it
# how much of the bending of a sum of exponentials counts in the curvature: 1 is right for a run
# seen alone and too much where only the sum of two is known; 0.7 halves the error or better
# (numerical integration in tests/tree/test_laplace.py)
BENDING, LEAST_CURVATURE = 0.7, 0.2
TINY = 1e-300


@dataclass(frozen=True, slots=True)
class Fit:
    """Mode and curvature of the runs on each of ``N`` trees.

    Attributes:
        log_evidence: Log probability (density) of all tests, shape ``(N,)``.
        log_mohm: Mode of the log resistances of the columns, ``(N, D)``.
        covariance: Of these logs, ``(N, D, D)``.
        truth: Probability that each test says what it seems to, ``(N, m)``.
        log_hot: Mode of log(hot / neutral) of the columns; empty where no test is ``line-drop``
            or the hot side was not fitted.
        log_source: Mode of the log of the source's mohm, and its variance, ``(N, 2)``; empty where
            no test is ``line-drop``.
        hot_covariance: Joint covariance of log resistances and log hot ratios, ``(N, 2D, 2D)``.
        predicted_mv: What each test should show at the mode, ``(N, m)``.
    """

    log_evidence: Floats
    log_mohm: Floats
    covariance: Floats
    truth: Floats
    log_hot: Floats
    log_source: Floats
    hot_covariance: Floats
    predicted_mv: Floats

    def take(self, rows: NDArray[np.intp]) -> "Fit":
        """The same for some of the trees, or for trees that fit alike."""
        return Fit(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


def _climb(problem: Problem, x: Floats, iterations: int = MAX_ITERATIONS) -> Floats:
    """Damped Gauss-Newton ascent to the mode of each tree, finished trees left alone."""
    damping = np.full(problem.trees, 1e-3)
    value = problem.objective(x)
    active = np.arange(problem.trees)
    part = problem
    for _ in range(iterations):
        gradient, hessian = part.normal_equations(x[active])
        diagonal = np.arange(problem.size)
        hessian[:, diagonal, diagonal] *= 1 + damping[active][:, None]
        step = np.linalg.solve(hessian, gradient[..., None])[..., 0]
        largest = np.abs(step).max(axis=1)
        step *= np.minimum(1.0, MAX_STEP / np.maximum(largest, TINY))[:, None]
        candidate = x[active] + step
        new = part.objective(candidate)
        gain = new - value[active]
        better = gain >= -1e-9
        x[active[better]] = candidate[better]
        value[active[better]] = new[better]
        damping[active] *= np.where(better, 0.2, 10.0)
        done = (better & (gain < CONVERGED)) | (damping[active] > 1e6)
        if done.all():
            break
        if done.any():
            active = active[~done]
            part = problem.part(active)
    return x


def log_evidences(columns: Columns, tests: Tests) -> Floats:
    """Log evidence of each tree by Laplace's approximation, shape ``(N,)``.

    Cost grows with ``N * m * D**2``; memory with ``N * m * D``.
    """
    problem, x = _rough(columns, tests)
    if _nothing_seen(columns, tests):
        return _unseen(problem).log_evidence
    return _laplace(problem, _climb(problem, x))[0]


def fit(columns: Columns, tests: Tests, *, hot: bool = True) -> Fit:
    """Mode and curvature of the runs on each tree; without ``hot`` see ``objective.Problem``."""
    problem, x = _rough(columns, tests, hot=hot)
    if _nothing_seen(columns, tests):
        return _unseen(problem)
    x = _climb(problem, x)
    predicted = problem.predict(x)[0]
    log_evidence, hessian = _laplace(problem, x)
    covariance: Floats = np.linalg.inv(hessian).astype(np.float64)
    width = problem.width
    return Fit(
        log_evidence=log_evidence,
        log_mohm=x[:, :width],
        covariance=covariance[:, :width, :width],
        truth=problem.likelihood(predicted)[1],
        log_hot=x[:, width:-1] if problem.with_hot else np.zeros((problem.trees, 0)),
        log_source=np.stack([x[:, -1], covariance[:, -1, -1]], axis=1)
        if problem.with_line
        else np.zeros((problem.trees, 0)),
        hot_covariance=covariance[:, : 2 * width, : 2 * width]
        if problem.with_hot
        else np.zeros((problem.trees, 0, 0)),
        predicted_mv=predicted,
    )


def _nothing_seen(columns: Columns, tests: Tests) -> bool:
    """Whether the tests see no run of any tree, nor the source in front of all of them."""
    return not len(tests) or not (columns.used.any() or tests.line.any())


def _rough(columns: Columns, tests: Tests, *, hot: bool = True) -> tuple[Problem, Floats]:
    """The problem with the currents as the sag leaves them, and a point near the mode."""
    stated = np.tile(tests.amps, (len(columns.mean), 1))
    problem = Problem(columns, tests, stated, rough=0.0, hot=hot)
    if _nothing_seen(columns, tests):
        return problem, np.zeros((problem.trees, problem.size))
    x = problem.sagged(problem.start()).start()
    if problem.with_hot:
        x = _climb(problem.sagged(x, rough=FAR_WIDTH), x, FAR_ITERATIONS)
    x = _climb(problem.sagged(x, rough=CAUCHY_WIDTH), x, ROUGH_ITERATIONS)
    return problem.sagged(x), x


def _laplace(problem: Problem, x: Floats) -> tuple[Floats, Floats]:
    """Log evidence and curvature at the mode ``x`` of each tree.

    Gauss and Newton's curvature leaves out how the slope itself changes. At the mode that part is
    the slope of the prior, as all slopes add up to nothing there.
    """
    hessian = problem.normal_equations(x)[1]
    c = problem.columns
    z = (x[:, : problem.width] - c.mean) / c.sd
    prior = np.maximum(1 - BENDING * z * c.sd, LEAST_CURVATURE) / c.sd**2
    diagonal = np.arange(problem.width)
    hessian[:, diagonal, diagonal] += np.where(c.used, prior - 1 / c.sd**2, 0.0)
    log_det = np.linalg.slogdet(hessian)[1]
    return problem.objective(x) - 0.5 * log_det, hessian


def _unseen(problem: Problem) -> Fit:
    """The fit where no test sees any run: the prior itself."""
    c = problem.columns
    predicted = np.zeros((problem.trees, len(problem.tests)))
    likelihood, truth = problem.likelihood(predicted)
    covariance = np.zeros((problem.trees, problem.width, problem.width))
    covariance[:, np.arange(problem.width), np.arange(problem.width)] = c.sd**2
    return Fit(
        log_evidence=likelihood.sum(axis=1),
        log_mohm=c.mean.copy(),
        covariance=covariance,
        truth=truth,
        log_hot=np.zeros((problem.trees, 0)),
        log_source=np.zeros((problem.trees, 0)),
        hot_covariance=np.zeros((problem.trees, 0, 0)),
        predicted_mv=predicted,
    )
