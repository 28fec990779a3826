"""What a fit leaves known of the runs, and what that predicts of other tests.

Runs have means and covariances under each hypothesis. Of trees grown from others, the runs of the
old tree are carried over; a new run has its prior, a divided one keeps its sum; and new tests are
taken in one after another by linear updating (Kalman 1960).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from meterlink.tree.fit import Fit, Known, fits, refit
from meterlink.tree.hypotheses import Columns, Hypotheses, RunPrior
from meterlink.tree.likelihood import log_phi, ratio_unknown
from meterlink.tree.observations import LOG_ROOT_2_PI, Tests, on_way
from meterlink.tree.trees import Flags, Floats, Grown

Sides = tuple[bool, bool, bool]  # whether a test sees neutral, hot and ground
NEUTRAL: Sides = (True, False, False)
CHUNK = 400_000  # covariances of trees predicted at once: fits a core's cache
LEAST_ROWS = 100
LEAST_MOHM = 0.1  # a linear update may overshoot; no run is shorter
VOID_MV = 500.0  # spread of what a test may read that says nothing of the wiring


@dataclass(frozen=True, slots=True)
class Runs:
    """What is known of the runs under ``K`` hypotheses, in mohm.

    Attributes:
        mean: Shape ``(K, E + 3)``; the other path (for a bonded ground its ratio), the bond and the
            source are the last three.
        covariance: ``(K, E + 3, E + 3)``.
        usual_sag: Part by which the load's current falls at the usual place, ``(K,)``.
    """

    mean: Floats
    covariance: Floats
    usual_sag: Floats

    def take(self, rows: NDArray[np.intp] | Flags) -> "Runs":
        """Those of some of the hypotheses."""
        return Runs(self.mean[rows], self.covariance[rows], self.usual_sag[rows])

    @classmethod
    def joined(cls, parts: Sequence["Runs"]) -> "Runs":
        """Those of trees of the same width one after another."""
        return cls(*(np.concatenate([getattr(p, one.name) for p in parts]) for one in fields(cls)))


def runs_of_fit(
    h: Hypotheses,
    known: Known,
    columns: Columns,
    fitted: Fit,
    *,
    sides: Sides = NEUTRAL,
) -> Runs:
    """The runs as a fit leaves them: of the neutral, or the mean of some conductors.

    Runs that no test tells apart share what is known of their sum (Dirichlet); runs that no test
    sees have their prior.
    """
    prior, tests = known.prior, known.tests
    trees, runs = h.masks.shape
    width = columns.mean.shape[1]
    parts = fitted.parts
    alpha = prior.runs.split_alpha
    part = columns.group[:, None, :] == np.arange(width)[:, None]  # (K, D, E)
    share = part / np.maximum(columns.size, 1)[:, :, None]
    covariance = fitted.covariance
    total, by_x = _mean_of(sides, fitted.x, parts)
    total, by_x = total * columns.used, by_x * columns.used[:, :, None]
    mean = np.zeros((trees, runs + 3))
    mean[:, :runs] = (total[:, None, :] @ share)[:, 0, :]
    known_sum = by_x @ covariance @ np.swapaxes(by_x, 1, 2)
    every = np.zeros((trees, runs + 3, runs + 3))
    inner = np.swapaxes(share, 1, 2) @ known_sum @ share
    loose = (total**2 / np.maximum(columns.size * (columns.size * alpha + 1), 1))[:, :, None]
    inner -= np.swapaxes(share * loose, 1, 2) @ part
    each = np.arange(runs)
    inner[:, each, each] += (loose * part).sum(axis=1)
    unseen = (h.masks != 0) & (columns.group < 0)
    usual = prior.means(h.home)
    mean[:, :runs] += np.where(unseen, usual, 0.0)
    inner[:, each, each] += np.where(unseen, prior.relative_variance * usual**2, 0.0)
    every[:, :runs, :runs] = inner
    *_, source, path = parts
    mean[:, runs] = np.exp(columns.path_mean)
    every[:, runs, runs] = np.expm1(columns.path_sd**2) * mean[:, runs] ** 2
    mean[:, runs + 1] = prior.bond_mohm
    every[:, runs + 1, runs + 1] = np.expm1(prior.bond_log_sd**2) * prior.bond_mohm**2
    mean[:, -1] = prior.runs.source_mohm
    every[:, -1, -1] = np.expm1(prior.runs.source_log_sd**2) * mean[:, -1] ** 2
    found = [(runs + 2, source.start)] if source.stop > source.start else []
    found += [(runs, path.start), (runs + 1, path.start + 1)] if path.stop > path.start else []
    for at, where in found:
        value = np.exp(fitted.x[:, where])
        mean[:, at] = value
        across = value[:, None] * (by_x @ covariance[:, :, where, None])[:, :, 0]
        every[:, at, :runs] = every[:, :runs, at] = (across[:, None, :] @ share)[:, 0, :]
        every[:, at, at] = value**2 * covariance[:, where, where]
    sag = (mean[:, None, :runs] @ on_way(h.masks, tests.load))[:, 0] * tests.sag_per_mohm
    return Runs(mean, every, columns.mean_of(sag))


def _mean_of(sides: Sides, x: Floats, parts: Sequence[slice]) -> tuple[Floats, Floats]:
    """Mean of some conductors of each column's runs in mohm, and its slopes by all of ``x``."""
    neutral = np.exp(x[:, parts[0]])
    width = neutral.shape[1]
    each = np.arange(width)
    mean, by_x = np.zeros_like(neutral), np.zeros((len(x), width, x.shape[1]))
    for seen, part in zip(sides, parts[:3], strict=True):
        ratio = np.exp(x[:, part]) if part.stop > part.start and part.start else 1.0
        own = seen / sum(sides) * neutral * ratio
        mean += own
        by_x[:, each, each] += own
        if part.stop > part.start and part.start:
            by_x[:, each, part.start + each] += own
    return mean, by_x


def runs_by_sides(h: Hypotheses, known: Known, columns: Columns, fitted: Fit) -> dict[Sides, Runs]:
    """The runs of the neutral, and the mean over each set of conductors that some test sees."""
    seen = {NEUTRAL, *(sides_of(row) for row in np.unique(known.tests.sides, axis=0))}
    return {sides: runs_of_fit(h, known, columns, fitted, sides=sides) for sides in sorted(seen)}


def sides_of(row: Floats) -> Sides:
    """The conductors that a test sees, from its row of ``Tests.sides``."""
    neutral, hot, ground = (bool(one) for one in row)
    return neutral, hot, ground


def expected(h: Hypotheses, tests: Tests, runs: Mapping[Sides, Runs]) -> tuple[Floats, Floats]:
    """Readings in mV of ``m`` tests and their variances from what is not known, ``(N, m)``.

    Conductors that no test has seen yet are taken as equal to the neutral.
    """
    mean, variance = np.zeros((len(h), len(tests))), np.zeros((len(h), len(tests)))
    kinds, kind = np.unique(tests.sides, axis=0, return_inverse=True)
    for k, row in enumerate(kinds):
        which = np.flatnonzero(kind.reshape(-1) == k)
        some = runs.get(sides_of(row), runs[NEUTRAL])
        part = tests if len(which) == len(tests) else tests.only(which)
        mean[:, which], slope = linear_prediction(h, part, some.mean, some.usual_sag)
        variance[:, which] = ((slope @ some.covariance) * slope).sum(axis=2)
    return mean, np.maximum(variance, 0.0)


def linear_prediction(
    h: Hypotheses, tests: Tests, mean: Floats, usual_sag: Floats
) -> tuple[Floats, Floats]:
    """Readings in mV of ``m`` tests ``(N, m)`` and their slopes by all of ``Runs.mean``.

    Hot and ground are taken as equal to the neutral. Slopes have the shape ``(N, m, E + 3)``.
    """
    runs, path, bond, source = mean[:, :-3], mean[:, -3], mean[:, -2], mean[:, -1]
    lead, current = tests.lead(h.masks), tests.current(h.masks)
    neutral, others = tests.sides[:, 0], tests.sides[:, 1:].sum(axis=1)
    part = lead * current
    part *= neutral + others
    value = (runs[:, None, :] @ part)[:, 0]
    slope = np.zeros((*value.shape, mean.shape[1]))
    slope[:, :, :-3] = np.swapaxes(part, 1, 2)
    if h.paths.any():
        k = h.between()
        bonded = h.bonded[:, None]
        ratio = np.where(bonded, path[:, None], 0.0)
        shown = neutral * (1 + ratio * (tests.grounded_at >= 0)) + others * ~bonded
        shown = shown * h.paths[:, None]
        lead, current = (np.swapaxes(x, 1, 2) * k[:, None, :] for x in (lead, current))
        a = (lead @ runs[:, :, None])[:, :, 0]
        b = (current @ runs[:, :, None])[:, :, 0]
        own = (runs * k**2).sum(axis=1, keepdims=True)
        whole = (1 + ratio) * own + np.where(bonded, bond[:, None], path[:, None])
        lost = a * b / whole
        inner = lead * b[..., None] + current * a[..., None]
        inner -= (lost * (1 + ratio))[..., None] * (k**2)[:, None, :]
        slope[:, :, :-3] -= (shown / whole)[..., None] * inner
        by_path = shown * lost / whole * np.where(bonded, own, 1.0)
        by_path -= np.where(bonded, lost * neutral * (tests.grounded_at >= 0), 0.0)
        slope[:, :, -3] = by_path
        slope[:, :, -2] = np.where(bonded, shown * lost / whole, 0.0)
        value = value - shown * lost
    value = value + source[:, None] * tests.source
    slope[:, :, -1] = tests.source
    sag = (runs[:, None, :] @ on_way(h.masks, tests.load))[:, 0] * tests.sag_per_mohm
    amps = tests.amps * np.clip(1 + usual_sag[:, None] - sag, 0.5, 1.5)
    amps = np.where((value < 0) & ~tests.signed, -amps, amps)
    return value * amps, slope * amps[..., None]


def nearly_weighed(
    h: Hypotheses, known: Known, counted: Flags | None = None
) -> tuple[Floats, Runs]:
    """Log evidence of each hypothesis and what its fit says of the runs, nearly.

    Where hot sides are seen, they are taken as equal to the neutral, within what is usual: half as
    many unknowns, good enough to choose which trees to grow. ``counted`` says which tests count for
    which hypothesis, ``(N, m)``.
    """
    evidence, pieces, places = np.empty(len(h)), [], []
    for rows, columns, fitted in fits(h, known, counted, ratios=False):
        evidence[rows] = fitted.log_evidence
        pieces.append(runs_of_fit(h.take(rows), known, columns, fitted))
        places.append(rows)
    return evidence, Runs.joined(pieces).take(np.argsort(np.concatenate(places)))


@dataclass(frozen=True, slots=True)
class Particles:
    """Some hypotheses of a posterior and what is known of their runs.

    Attributes:
        hypotheses: Trees with a condition each.
        runs: Of each, by the conductors that a test sees.
    """

    hypotheses: Hypotheses
    runs: Mapping[Sides, Runs]

    @classmethod
    def of(cls, some: Hypotheses, known: Known) -> "Particles":
        """Hypotheses with their runs fitted, to predict with."""
        columns, fitted, _ = refit(some, known)
        return cls(some, runs_by_sides(some, known, columns, fitted))

    def predict(self, tests: Tests) -> tuple[Floats, Floats]:
        """What tests would show under some hypotheses, conditions and all.

        Returns:
            Mean in mV (mohm for ohms) and variance from what is not known of the runs, ``(S, m)``.
            Tests that would say nothing may read anything (``Hypotheses.void``).
        """
        mean, variance = expected(self.hypotheses, tests, self.runs)
        void = self.hypotheses.void(tests)
        return np.where(void, 0.0, mean), np.where(void, VOID_MV**2, variance)


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
    sections = len(tests) if trees.paths.any() else 1
    blocks = np.array_split(np.arange(len(tests)), max(sections, 1))
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
