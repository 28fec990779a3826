"""How probable the tests are on a tree with one closing run, runs integrated out (Laplace).

With the neutral bar as zero, a tree has ``S(X, Y) = sum of r over the runs that both ways share``.
A closing run ``c`` between two of its points adds a rank-one term to the inverse of the grounded
Laplacian (Sherman and Morrison): for a test whose leads weigh the points as ``w`` and whose load
is at L, the drop per ampere is ``sum(r w l) - a b / (c + R)``, where ``a = sum(r k w)``, ``b =
sum(r k l)``, ``R = sum(r k^2)`` over the tree's runs, and ``w``, ``l``, ``k`` say whether a run is
on the way to the leads, to the load and between the two ends. Its derivative by a run is
``(w - a k / (c + R)) (l - b k / (c + R))``.
"""

from dataclasses import dataclass

import numpy as np

from meterlink.tree.network import Looped
from meterlink.tree.observations import Tests
from meterlink.tree.run_prior import EYE_WIDTH, JUMP_RANGE_MV, RunPrior
from meterlink.tree.trees import Floats

ROUGH_ITERATIONS, ITERATIONS = 6, 15
QUICK_ROUGH, QUICK = 3, 3  # iterations where only the good ones are to be told from the bad
MAX_STEP = 1.2  # in log mohm
CAUCHY_WIDTHS = (100.0, 10.0, 3.0)  # in standard uncertainties: beyond it a test is distrusted,
# at first hardly any, so that the start does not decide which tests are taken for lies
CHUNK = 2_000_000  # networks times runs times tests handled at once: bounds memory


@dataclass(frozen=True, slots=True)
class LoopFit:
    """The mode of the runs on ``N`` networks.

    Attributes:
        log_evidence: Log probability (density) of all tests, shape ``(N,)``.
        log_mohm: Logs of the runs of the tree, then of the closing run, ``(N, E + 1)``.
        sd: Standard deviation of these logs, same shape.
        truth: Probability that each test says what it seems to, ``(N, m)``.
        predicted_mv: What each test should show, ``(N, m)``.
    """

    log_evidence: Floats
    log_mohm: Floats
    sd: Floats
    truth: Floats
    predicted_mv: Floats


def fit_loops(networks: Looped, tests: Tests, prior: RunPrior, *, quick: bool = False) -> LoopFit:
    """Weigh ``N`` networks by ``m`` tests; ``line-drop`` tests must be left out before.

    A ``quick`` fit stops short of the mode: its evidence is too low, by little where it is high.
    """
    pieces = max(1, -(-networks.masks.size * max(1, len(tests)) // CHUNK))
    parts = [
        _fit(networks.part(rows), tests, prior, quick)
        for rows in np.array_split(np.arange(len(networks)), min(pieces, len(networks)))
    ]
    return LoopFit(
        *(
            np.concatenate([getattr(p, name) for p in parts])
            for name in LoopFit.__dataclass_fields__
        )
    )


def _fit(networks: Looped, tests: Tests, prior: RunPrior, quick: bool) -> LoopFit:
    problem = _Loops.of(networks, tests, prior)
    x = problem.mean.copy()
    for width in CAUCHY_WIDTHS:
        x = _climb(problem, x, QUICK_ROUGH if quick else ROUGH_ITERATIONS, width)
    problem = problem.sagged(x)
    x = _climb(problem, x, QUICK if quick else ITERATIONS)
    predicted, slope = problem.predict(x)
    both, truth = problem.likelihood(predicted)
    hessian = problem.curvature(slope, truth)
    covariance = np.linalg.inv(hessian)
    log_evidence = both.sum(axis=1) + problem.log_prior(x) - 0.5 * np.linalg.slogdet(hessian)[1]
    return LoopFit(
        log_evidence, x, np.sqrt(np.diagonal(covariance, axis1=1, axis2=2)), truth, predicted
    )


@dataclass(frozen=True, slots=True)
class _Loops:
    """One batch of networks; parameters are the logs of the tree's runs and of the closing run."""

    tests: Tests
    leads: Floats  # (N, E, m): 1, 0 or -1
    load: Floats  # (N, E, m)
    between: Floats  # (N, E)
    mean: Floats  # (N, E + 1)
    sd: float
    amps: Floats  # (N, m)

    @classmethod
    def of(cls, networks: Looped, tests: Tests, prior: RunPrior) -> "_Loops":
        """Incidences of all networks."""
        runs = networks.masks[..., None]
        load = ((runs & tests.load) != 0).astype(np.float64)
        a = ((runs & tests.lead_a) != 0).astype(np.float64)
        b = ((runs & tests.lead_b) != 0).astype(np.float64)
        medians = np.array([prior.median_mohm, prior.home_median_mohm])
        return cls(
            tests=tests,
            leads=np.where(tests.ground, a, a - b),
            load=load,
            between=networks.between,
            mean=np.log(medians)[networks.home.astype(np.intp)],
            sd=prior.log_sd,
            amps=np.tile(tests.amps, (len(networks), 1)),
        )

    def part(self, rows: np.ndarray) -> "_Loops":
        """The same for some of the networks."""
        return _Loops(
            self.tests,
            self.leads[rows],
            self.load[rows],
            self.between[rows],
            self.mean[rows],
            self.sd,
            self.amps[rows],
        )

    def sagged(self, x: Floats) -> "_Loops":
        """The same with the current at each place as the runs ``x`` leave it."""
        mohm = self._transfer(x, self.load)[0]
        sag = mohm * self.tests.sag_per_mohm
        amps = self.tests.amps * np.clip(1 + sag.mean(axis=1, keepdims=True) - sag, 0.5, 1.5)
        return _Loops(self.tests, self.leads, self.load, self.between, self.mean, self.sd, amps)

    def _transfer(self, x: Floats, leads: Floats) -> tuple[Floats, Floats]:
        """Drop per ampere in mohm ``(N, m)`` and its derivative by log runs ``(N, m, E + 1)``."""
        runs, closing = np.exp(x[:, :-1]), np.exp(x[:, -1:])
        way = (runs * self.between)[:, :, None]
        a, b = (way * leads).sum(axis=1), (way * self.load).sum(axis=1)
        whole = closing + (runs * self.between**2).sum(axis=1, keepdims=True)
        k = self.between[:, :, None]
        left = leads - k * (a / whole)[:, None, :]
        right = self.load - k * (b / whole)[:, None, :]
        value = (runs[:, :, None] * leads * self.load).sum(axis=1) - a * b / whole
        by_run = np.swapaxes(left * right * runs[:, :, None], 1, 2)
        by_closing = (a * b / whole**2 * closing)[..., None]
        return value, np.concatenate([by_run, by_closing], axis=2)

    def predict(self, x: Floats) -> tuple[Floats, Floats]:
        """Predicted drops in mV, and their derivatives by log runs."""
        value, slope = self._transfer(x, self.leads)
        factor = np.where(value < 0, -1.0, 1.0) * self.amps  # a meter on AC shows no sign
        return value * factor, slope * factor[..., None]

    def likelihood(self, predicted: Floats, width: float | None = None) -> tuple[Floats, Floats]:
        """Log likelihood of each test with lies mixed in, and the probability of its truth.

        With a ``width`` a Cauchy loss instead and its weight, which reach tests from far away.
        """
        tests = self.tests
        z = (tests.drop - predicted) / tests.u
        if width is not None:
            far = (z / width) ** 2
            loss = -0.5 * width**2 * np.log1p(far)
            # no change although some run takes part: most probably a lie, left out at first
            seen = ((self.leads != 0) & (self.load != 0)).any(axis=1)
            believed = tests.measured & ~(tests.no_change & seen)
            return np.where(believed, loss, 0.0), believed / (1 + far)
        eye = (predicted - tests.u) / (EYE_WIDTH * tests.u)
        honest = np.where(
            tests.measured,
            -0.5 * z**2 - np.log(tests.u) - 0.5 * np.log(2 * np.pi),
            -np.logaddexp(0.0, -(0.07056 * eye**3 + 1.5976 * eye)),
        )
        still = -0.5 * (tests.drop / tests.u) ** 2 - np.log(tests.u) - 0.5 * np.log(2 * np.pi)
        any_size = -np.log(
            np.maximum(np.abs(tests.drop), 1.0) * np.log(JUMP_RANGE_MV[1] / JUMP_RANGE_MV[0])
        )
        false = np.where(tests.no_change, still, np.where(tests.measured, any_size, 0.0))
        log_true = np.log1p(-tests.lie) + honest
        both = np.logaddexp(log_true, np.log(tests.lie) + false)
        return both, np.exp(log_true - both)

    def log_prior(self, x: Floats) -> Floats:
        """Log prior density, constants that cancel with Laplace's left out."""
        result: Floats = (-0.5 * ((x - self.mean) / self.sd) ** 2 - np.log(self.sd)).sum(axis=1)
        return result

    def objective(self, x: Floats, width: float | None) -> Floats:
        """Log posterior up to a constant."""
        both = self.likelihood(self.predict(x)[0], width)[0]
        total: Floats = both.sum(axis=1) + self.log_prior(x)
        return total

    def curvature(self, slope: Floats, truth: Floats) -> Floats:
        """Gauss-Newton curvature of the negative log posterior."""
        weight = np.where(self.tests.measured, truth / self.tests.u**2, 0.0)
        hessian = np.swapaxes(slope * weight[..., None], 1, 2) @ slope
        diagonal = np.arange(hessian.shape[1])
        hessian[:, diagonal, diagonal] += 1 / self.sd**2
        result: Floats = hessian
        return result

    def step(self, x: Floats, damping: Floats, width: float | None) -> Floats:
        """One damped Gauss-Newton step."""
        predicted, slope = self.predict(x)
        truth = self.likelihood(predicted, width)[1]
        hessian = self.curvature(slope, truth)
        weight = np.where(self.tests.measured, truth / self.tests.u**2, 0.0)
        pull = weight * (self.tests.drop - predicted)
        gradient = (slope * pull[..., None]).sum(axis=1) - (x - self.mean) / self.sd**2
        diagonal = np.arange(hessian.shape[1])
        hessian[:, diagonal, diagonal] *= 1 + damping[:, None]
        step: Floats = np.linalg.solve(hessian, gradient[..., None])[..., 0]
        largest = np.abs(step).max(axis=1, keepdims=True)
        shortened: Floats = step * np.minimum(1.0, MAX_STEP / np.maximum(largest, 1e-300))
        return shortened


def _climb(problem: _Loops, x: Floats, iterations: int, width: float | None = None) -> Floats:
    """Damped Gauss-Newton ascent to the mode of each network."""
    damping = np.full(len(x), 1e-3)
    value = problem.objective(x, width)
    active, part = np.arange(len(x)), problem
    for _ in range(iterations):
        candidate = x[active] + part.step(x[active], damping[active], width)
        new = part.objective(candidate, width)
        gain = new - value[active]
        better = gain >= -1e-9
        x[active[better]] = candidate[better]
        value[active[better]] = new[better]
        damping[active] *= np.where(better, 0.2, 10.0)
        done = (better & (gain < 1e-3)) | (damping[active] > 1e6)
        if done.all():
            break
        if done.any():
            active = active[~done]
            part = problem.part(active)
    return x
