"""How probable the tests are on a given tree, runs integrated out (Laplace), many trees at once.

Model. A run has a log-normal prior (``RunPrior``). A test sees ``amps`` times the sum of the runs
that take part in it, with Gaussian error; with a small probability it lies: then it saw no change
(a load that never ran, a lead that slipped) or a jump of any size (something else switched).
``line-drop`` sees hot and neutral of each run and the source in front. The current at a place is
the stated one less what a heater loses with the voltage it gets there, relative to the mean over
the places used; the tree and the runs on it say how much that is.

Runs that the same tests see cannot be told apart; only their sum can. They are merged into one
column whose prior has the mean and variance of the sum (Fenton and Wilkinson's match of a sum of
log-normals), which makes the integral smaller and Laplace's approximation better.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.observations import Tests
from meterlink.tree.trees import Flags, Floats, Masks

JUMP_RANGE_MV = (5.0, 5000.0)  # a false jump may be of any size in here (log-uniform)
EYE_WIDTH = 0.35  # spread of what a person calls a jump, as a part of the limit
HOT_RATIO_SD = 0.12  # hot over neutral of the same run: same cable, other joints (common practice)
POOR_HOT_SD = 1.2  # the same where one of them has a poor joint
POOR_HOT_SHARE = 0.03
SOURCE_MOHM, SOURCE_SD = 150.0, 0.8  # median of source impedance and its log spread (from memory)
SPLIT_ALPHA = 1.2  # Dirichlet weight that gives a share of a sum the spread of one run's prior
MAX_STEP = 1.2  # in log mohm
MAX_ITERATIONS = 40
CONVERGED = 1e-3  # nats gained by the last step
ROUGH_ITERATIONS = 8
CAUCHY_WIDTH = 3.0  # in standard uncertainties: beyond it the rough fit begins to distrust a test
DEPTH_U, DEPTH_COST = 5.0, 8.0  # depths that far apart are in order, or one of them is a lie
FAR_WIDTH, FAR_ITERATIONS = 30.0, 5  # first, so that a poor joint on the hot side is not taken
# for so many lies of all the tests behind it
TINY = 1e-300


@dataclass(frozen=True, slots=True)
class RunPrior:
    """Log-normal prior of a run's neutral resistance.

    The median is that of a run's usual length in the stated conductor and two sound joints; the
    home run from the panel is longer. The spread is a factor of 2.2 (METHOD section 3).
    """

    median_mohm: float = 30.0
    home_median_mohm: float = 75.0
    log_sd: float = 0.79

    @classmethod
    def for_conductor(cls, ohm_per_m: float | None) -> "RunPrior":
        """Prior for a conductor of ``ohm_per_m``.

        3 m between neighbours, 9 m of home run, 6 mohm of joints (common practice for dwellings).
        """
        if ohm_per_m is None:
            return cls()
        return cls(median_mohm=3.0e3 * ohm_per_m + 6.0, home_median_mohm=9.0e3 * ohm_per_m + 6.0)

    @property
    def relative_variance(self) -> float:
        """Variance over mean squared of one run."""
        return float(np.expm1(self.log_sd**2))

    def mean(self, median: float) -> float:
        """Mean of a run with the given median."""
        return float(median * np.exp(self.log_sd**2 / 2))


@dataclass(frozen=True, slots=True)
class Columns:
    """The groups of runs that the tests can tell apart, for ``N`` trees padded to ``D`` columns.

    Attributes:
        seen: Which tests see a column, shape ``(N, D, m)``.
        mean, sd: Normal prior of the log of the column's resistance in mohm, shape ``(N, D)``.
        used: Columns that exist.
        group: For each run of each tree the column it is in, -1 where no test sees it, ``(N, E)``.
        size: Number of runs in a column.
        way: Part of each column that is on the way to each test's load, ``(N, D, m)``.
        way_unseen: Prior mean in mohm of the runs on that way that no test sees, ``(N, m)``.
    """

    seen: Flags
    mean: Floats
    sd: Floats
    used: Flags
    group: NDArray[np.intp]
    size: NDArray[np.intp]
    way: Floats
    way_unseen: Floats

    def part(self, rows: NDArray[np.intp]) -> "Columns":
        """The same for some of the trees."""
        return Columns(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


@dataclass(frozen=True, slots=True)
class Fit:
    """Mode and curvature of the runs on each of ``N`` trees.

    Attributes:
        log_evidence: Log probability (density) of all tests, shape ``(N,)``.
        log_mohm: Mode of the log resistances of the columns, ``(N, D)``.
        covariance: Of these logs, ``(N, D, D)``.
        truth: Probability that each test says what it seems to, ``(N, m)``.
        log_hot: Mode of log(hot / neutral) of the columns; empty where no test is ``line-drop``.
        hot_covariance: Joint covariance of log resistances and log hot ratios, ``(N, 2D, 2D)``.
        predicted_mv: What each test should show at the mode, ``(N, m)``.
    """

    log_evidence: Floats
    log_mohm: Floats
    covariance: Floats
    truth: Floats
    log_hot: Floats
    hot_covariance: Floats
    predicted_mv: Floats


def columns_of(masks: Masks, home: Flags, tests: Tests, prior: RunPrior) -> Columns:
    """Merge the runs of each tree that the same tests see.

    Args:
        masks: Trees, shape ``(N, E)``.
        home: Which runs start at the panel, same shape.
        tests: ``m`` tests.
        prior: Of the runs.
    """
    trees = len(masks)
    seen = tests.carrying(masks)
    weights = np.random.default_rng(1).integers(1, 1 << 62, size=len(tests), dtype=np.int64)
    key = np.where(seen, weights, 0).sum(axis=2)  # wraps: a hash of the set of tests
    key = np.where(masks == 0, 0, key)
    order = np.argsort(key, axis=1, kind="stable")
    ordered = np.take_along_axis(key, order, axis=1)
    starts = np.ones_like(ordered, dtype=bool)
    starts[:, 1:] = ordered[:, 1:] != ordered[:, :-1]
    starts &= ordered != 0
    rank = np.cumsum(starts, axis=1) - 1
    group = np.empty_like(order)
    np.put_along_axis(group, order, np.where(ordered != 0, rank, -1), axis=1)
    width = max(1, int(rank.max(initial=0)) + 1)

    member = (group[:, None, :] == np.arange(width)[:, None]).astype(np.float64)  # (N, D, E)
    run_mean = np.where(home, prior.mean(prior.home_median_mohm), prior.mean(prior.median_mohm))
    size = member.sum(axis=2).astype(np.intp)
    total = (member @ run_mean[:, :, None])[:, :, 0]
    variance = prior.relative_variance * (member @ run_mean[:, :, None] ** 2)[:, :, 0]
    to_load = (masks[:, :, None] & tests.load) != 0
    way = (member @ to_load.astype(np.float64)) / np.maximum(size, 1)[:, :, None]
    unseen = to_load & (group == -1)[:, :, None]
    used = size > 0
    pattern = np.zeros((trees, width, len(tests)), dtype=bool)
    t, e = np.nonzero(group >= 0)
    pattern[t, group[t, e]] = seen[t, e]
    safe = np.where(used, total, 1.0)
    log_variance = np.log1p(np.where(used, variance, 0.0) / safe**2)
    return Columns(
        seen=pattern,
        mean=np.log(safe) - log_variance / 2,
        sd=np.sqrt(np.where(used, log_variance, 1.0)),
        used=used,
        group=group,
        size=size,
        way=way,
        way_unseen=(unseen * run_mean[:, :, None]).sum(axis=1),
    )


def evidence_key(masks: Masks, home: Flags, tests: Tests, *, sag: bool = True) -> NDArray[np.int64]:
    """A number for each tree; trees with the same number have the same evidence.

    It hashes the multiset of (tests that see the run, tests whose load is beyond it, home run or
    not) over the runs on the way to any load. Without ``sag`` runs that no test sees are left out,
    though they lower the current a little: fewer different trees for a quick estimate.
    """
    rng = np.random.default_rng(2)
    weights = rng.integers(1, 1 << 62, size=(2, len(tests)), dtype=np.int64)
    unique, inverse = np.unique(masks, return_inverse=True)
    hashed = np.where(tests.carrying(unique), weights[0], 0).sum(axis=-1)
    if sag:
        on_way = ((unique[:, None] & tests.load) != 0) & (tests.sag_per_mohm > 0)
        hashed += np.where(on_way, weights[1], 0).sum(axis=-1)
    pattern = hashed[inverse.reshape(masks.shape)]
    with np.errstate(over="ignore"):
        mixed = (pattern ^ (pattern >> 31)) * np.int64(0x1D8E4E27C47D124F)
        mixed = (mixed ^ (mixed >> 29)) * np.int64(0x6B5FCA6AF2BF4AD1) + home * np.int64(0x51ED270B)
        mixed = (mixed ^ (mixed >> 32)) * np.int64(0x3C79AC492BA7B653)
        key: NDArray[np.int64] = np.where(pattern == 0, 0, mixed).sum(axis=1)
    return key


def conflict_cost(masks: Masks, tests: Tests) -> Floats:
    """Nats that each tree loses at least by tests whose jump or rest it cannot explain.

    A jump where no run of the tree takes part must be false; no change where one does must be a
    lie, or a run far shorter than any cable. Cheap: bits, no fit. Shape ``(trees,)``.
    """
    unique, inverse = np.unique(masks, return_inverse=True)
    seen = np.packbits(tests.carrying(unique), axis=1)
    any_seen = np.bitwise_or.reduce(seen[inverse.reshape(masks.shape)], axis=1)
    some = np.unpackbits(any_seen, axis=1, count=len(tests)).astype(bool)
    peak = -np.log(tests.u) - 0.92
    false_jump = peak - np.log(tests.lie) + np.log(np.maximum(np.abs(tests.drop), 1.0) * 6.9)
    jump = np.where(tests.measured, false_jump, -np.log(tests.lie))
    cost = np.where(some, np.where(tests.no_change, -np.log(tests.lie), 0.0), 0.0)
    # the source in front of the panel makes a line-drop jump whatever the runs
    cost += np.where(~some & ~tests.no_change & ~tests.line, np.maximum(jump, 0.0), 0.0)
    total: Floats = cost.sum(axis=1) + DEPTH_COST * _wrong_depths(masks, tests)
    return total


def _wrong_depths(masks: Masks, tests: Tests) -> Flags:
    """Trees in which a receptacle feeds another that was measured to be nearer to the panel.

    With meter and load at one receptacle, ``neutral-ground`` shows the depth of the receptacle in
    the tree, and that grows on the way from the panel whatever the runs are.
    """
    own = tests.ground & tests.measured & ~tests.no_change & (tests.lead_a == tests.load)
    result = np.zeros(len(masks), dtype=bool)
    depth = tests.drop / tests.amps
    u = tests.u / tests.amps
    index = np.flatnonzero(own)
    for i in index:
        having = np.where((masks & tests.load[i]) != 0, masks, np.iinfo(np.int64).max)
        below = having.min(axis=1)
        sag = 1 + depth[i] * tests.sag_per_mohm[i]
        nearer = index[depth[index] * sag + DEPTH_U * np.hypot(u[index], u[i]) < depth[i]]
        bits = np.bitwise_or.reduce(tests.load[nearer], initial=0)
        result |= (below & bits) != 0
    return result


def _normal(x: Floats, sd: Floats | float) -> Floats:
    """Log density of a normal with mean 0."""
    result: Floats = -0.5 * (x / sd) ** 2 - np.log(sd) - 0.9189385332046727
    return result


def _log_phi(x: Floats) -> Floats:
    """Log of the standard normal distribution function (logistic match, from memory: 1.4e-4)."""
    result: Floats = -np.logaddexp(0.0, -(0.07056 * x**3 + 1.5976 * x))
    return result


class _Problem:
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
        # no change although some run takes part: most probably a lie, left out of the rough fit
        self.believed = tests.measured & ~(tests.no_change & columns.seen.any(axis=1))
        self.with_hot = self.with_line and hot
        self.size = self.width * (1 + self.with_hot) + self.with_line
        hot_u = np.where(tests.line & (not hot), HOT_RATIO_SD / 2 * np.abs(tests.drop), 0.0)
        self.u = np.hypot(tests.u, hot_u)
        false_jump = -np.log(
            np.maximum(np.abs(tests.drop), 1.0) * np.log(JUMP_RANGE_MV[1] / JUMP_RANGE_MV[0])
        )
        log_false = np.where(
            tests.no_change,
            _normal(tests.drop, self.u),
            np.where(tests.measured, false_jump, 0.0),
        )
        self.log_lie = np.log(tests.lie) + log_false
        self.log_true = np.log1p(-tests.lie)

    def part(self, rows: NDArray[np.intp]) -> "_Problem":
        """The same for some of the trees."""
        return _Problem(
            self.columns.part(rows), self.tests, self.amps[rows], rough=self.rough, hot=self.hot
        )

    def sagged(self, x: Floats, *, rough: float = 0.0) -> "_Problem":
        """The same with the current at each place as the runs ``x`` leave it."""
        tests, c = self.tests, self.columns
        runs = np.where(c.used, np.exp(x[:, : self.width]), 0.0)
        way_mohm = (runs[:, None, :] @ c.way)[:, 0, :] + c.way_unseen
        sag = way_mohm * tests.sag_per_mohm
        usual = sag.mean(axis=1, keepdims=True)
        amps = tests.amps * np.clip(1 + usual - sag, 0.5, 1.5)
        return _Problem(c, tests, amps, rough=rough, hot=self.hot)

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
            _log_phi((predicted - tests.u) / (EYE_WIDTH * tests.u)),
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


def _climb(problem: _Problem, x: Floats, iterations: int = MAX_ITERATIONS) -> Floats:
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


def rough_log_evidences(columns: Columns, tests: Tests) -> Floats:
    """A quick estimate of ``log_evidences``, good to a few nats where it matters.

    Two steps from the linear solution instead of the climb to the mode, and the hot side taken as
    equal to the neutral.
    """
    stated = np.tile(tests.amps, (len(columns.mean), 1))
    problem = _Problem(columns, tests, stated, rough=0.0, hot=False)
    if _nothing_seen(columns, tests):
        return _unseen(problem).log_evidence
    for _ in range(2):  # the sag at the loads bends the linear solution
        problem = problem.sagged(problem.start())
    return _laplace(problem, _climb(problem, problem.start(), 2))[0]


def log_evidences(columns: Columns, tests: Tests) -> Floats:
    """Log evidence of each tree by Laplace's approximation, shape ``(N,)``.

    Cost grows with ``N * m * D**2``; memory with ``N * m * D``.
    """
    problem, x = _rough(columns, tests)
    if _nothing_seen(columns, tests):
        return _unseen(problem).log_evidence
    return _laplace(problem, _climb(problem, x))[0]


def fit(columns: Columns, tests: Tests) -> Fit:
    """Mode and curvature of the runs on each tree."""
    problem, x = _rough(columns, tests)
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
        log_hot=x[:, width:-1] if problem.with_line else np.zeros((problem.trees, 0)),
        hot_covariance=covariance[:, : 2 * width, : 2 * width]
        if problem.with_line
        else np.zeros((problem.trees, 0, 0)),
        predicted_mv=predicted,
    )


def _nothing_seen(columns: Columns, tests: Tests) -> bool:
    """Whether the tests see no run of any tree, nor the source in front of all of them."""
    return not len(tests) or not (columns.used.any() or tests.line.any())


def _rough(columns: Columns, tests: Tests) -> tuple[_Problem, Floats]:
    """The problem with the currents as the sag leaves them, and a point near the mode."""
    stated = np.tile(tests.amps, (len(columns.mean), 1))
    problem = _Problem(columns, tests, stated, rough=0.0)
    if _nothing_seen(columns, tests):
        return problem, np.zeros((problem.trees, problem.size))
    x = problem.sagged(problem.start()).start()
    if problem.with_hot:
        x = _climb(problem.sagged(x, rough=FAR_WIDTH), x, FAR_ITERATIONS)
    x = _climb(problem.sagged(x, rough=CAUCHY_WIDTH), x, ROUGH_ITERATIONS)
    return problem.sagged(x), x


def _laplace(problem: _Problem, x: Floats) -> tuple[Floats, Floats]:
    """Log evidence and curvature at the mode ``x`` of each tree."""
    hessian = problem.normal_equations(x)[1]
    log_det = np.linalg.slogdet(hessian)[1]
    return problem.objective(x) - 0.5 * log_det, hessian


def _unseen(problem: _Problem) -> Fit:
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
        hot_covariance=np.zeros((problem.trees, 0, 0)),
        predicted_mv=predicted,
    )
