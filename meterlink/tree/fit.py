"""How probable the tests are under given hypotheses, runs integrated out, many at once.

The modes of the runs are found by damped Gauss-Newton steps, and the integral about them by
Laplace's approximation. What a fit leaves known of the runs predicts other tests.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from meterlink.assumptions import MAX_RECEPTACLES
from meterlink.tree.hypotheses import Columns, Hypotheses, RunPrior, columns_of, evidence_key
from meterlink.tree.likelihood import Grounds, Problem
from meterlink.tree.observations import Tests
from meterlink.tree.trees import Flags, Floats

Stages = tuple[tuple[float, int], ...]
PATH_STARTS, START_SD = 4, 1.0  # starts where there is another path, and their spread in logs
MAX_ITERATIONS = 40
CONVERGED = 1e-3  # nats gained by the last step
MOST_DAMPING = 1e6
WORTH_DROPPING = 0.75  # part that is left of a batch; going on without the rest costs a copy
# standard uncertainties beyond which a rough fit begins to distrust a test, and iterations; wide
# first, so that a poor joint on the hot side is not taken for outliers of all tests behind it, and
# a start far from another path's mode does not decide which tests count
TREE_ROUGH = ((3.0, 8),)
RATIO_ROUGH = ((30.0, 5), (3.0, 8))
PATH_ROUGH = ((30.0, 5), (3.0, 6))
# where a believed test is so many standard uncertainties off the mode, others are looked for: from
# what the tests that are off say themselves, and where several are, from there with a wide loss
FAR_OFF_SDS = 4.0
SECOND_LOOK = ((30.0, 5), (10.0, 4), (3.0, 6))
OTHERS_WEIGHT = 0.005  # of the tests that were believed so far
# how much of the curvature of a sum of exponentials counts: 1 is right for a run seen alone and too
# much where only the sum of two is known; 0.7 halves the error or better (numerical integration in
# tests/tree/test_laplace.py)
CURVATURE_CORRECTION, LEAST_CURVATURE = 0.7, 0.2
Sides = tuple[bool, bool, bool]  # whether a test sees neutral, hot and ground
NEUTRAL: Sides = (True, False, False)
CHUNK = 400_000  # hypotheses times runs times tests fitted at once: bounds memory


@dataclass(frozen=True, slots=True)
class Known:
    """What all fits of one log share: the tests, the runs' prior, and the ground contacts."""

    tests: Tests
    prior: RunPrior
    grounds: Grounds

    def only(self, which: Flags | NDArray[np.intp]) -> "Known":
        """The same with a part of the tests."""
        return Known(self.tests.only(which), self.prior, self.grounds)


@dataclass(frozen=True, slots=True)
class Fit:
    """Mode and curvature of the runs under each of ``N`` hypotheses.

    Attributes:
        log_evidence: Log probability (density) of all tests, shape ``(N,)``.
        x: Mode of the parameters (``likelihood.Problem``), ``(N, P)``.
        covariance: Of these, ``(N, P, P)``.
        inlier: Probability that each test is no outlier, ``(N, m)``.
        grounded: Probability that the ground contact used in each test is there, ``(N, m)``.
        predicted_mv: What each test should show at the mode, ``(N, m)``.
        badness: Nats that the tests and the runs lose against a perfect prediction, beyond what
            noise alone takes (half a nat each, less one standard deviation), ``(N,)``.
    """

    log_evidence: Floats
    x: Floats
    covariance: Floats
    inlier: Floats
    grounded: Floats
    predicted_mv: Floats
    badness: Floats

    def take(self, rows: NDArray[np.intp]) -> "Fit":
        """The same for some of the hypotheses, or for those that fit alike."""
        return Fit(*(getattr(self, one.name)[rows] for one in fields(self)))


def maximise(problem: Problem, x: Floats, iterations: int = MAX_ITERATIONS) -> Floats:
    """Damped Gauss-Newton ascent to the mode of each hypothesis, finished ones left alone."""
    x = x.copy()
    damping = np.full(problem.count, 1e-3)
    value, gradient, hessian = problem.expansion(x)
    active = np.arange(problem.count)
    part, finished = problem, np.zeros(problem.count, dtype=bool)
    diagonal, runs = np.arange(problem.size), np.arange(problem.width)
    for _ in range(iterations):
        damped = hessian[active]
        damped[:, runs, runs] += part.bend(x[active])
        damped[:, diagonal, diagonal] *= 1 + damping[active][:, None]
        step = np.linalg.solve(damped, gradient[active][..., None])[..., 0]
        candidate = part.moved(x[active], step.astype(np.float64, copy=False))
        new, new_gradient, new_hessian = part.expansion(candidate)
        gain = new - value[active]
        better = (gain >= -1e-9) & ~finished[active]
        taken = active[better]
        x[taken], value[taken] = candidate[better], new[better]
        gradient[taken], hessian[taken] = new_gradient[better], new_hessian[better]
        damping[active] *= np.where(better, 0.2, 10.0)
        finished[active] |= (better & (gain < CONVERGED)) | (damping[active] > MOST_DAMPING)
        left = active[~finished[active]]
        if not len(left):
            break
        if len(left) < WORTH_DROPPING * len(active):
            active = left
            part = problem.like(rows=active)
    return x


def _mode(columns: Columns, known: Known, *, ratios: bool) -> tuple[Problem, Floats]:
    """The problem with the currents as the sag leaves them, and its mode."""
    problem = Problem(columns, known.tests, known.prior, known.grounds, ratios=ratios)
    if problem.unseen().all():
        return problem, problem.start()
    x = problem.start()
    if problem.with_path:
        return _best_mode(problem, x)
    rough = RATIO_ROUGH if problem.fitted_sides else TREE_ROUGH
    best, found = _second_look(*_near(problem, problem.sagged(x).start(), rough), rough)
    for way in (-1, 1):  # a current that opposes the load's does so in all tests alike
        leaning = known.tests.leaning(way)
        if (leaning.drop != known.tests.drop).any():
            other = Problem(columns, leaning, known.prior, known.grounds, ratios=ratios)
            near = _near(other, other.sagged(other.start()).start(), rough)
            best, found = _better(best, found, np.arange(best.count), *near)
    return best, found


def _second_look(problem: Problem, x: Floats, rough: Stages) -> tuple[Problem, Floats]:
    """The same mode, or a better one where tests that contradict each other chose a poor one.

    Of three tests of one run a precise wrong one may draw the first guess so far that both right
    ones are given up; and two that seem to agree, one of them wrong, make a right one look alone.
    """
    off = np.abs(problem.tests.drop - problem.predict(x)[0]) / problem.u
    far = problem.believed & (off > FAR_OFF_SDS)
    looks = []
    if len(rows := np.flatnonzero(far.any(axis=1))):
        some = problem.like(rows=rows)
        turned = some.start(np.where(far[rows], 1.0, OTHERS_WEIGHT))
        looks.append((rows, *_near(some, turned, rough)))
    if len(rows := np.flatnonzero(far.sum(axis=1) > 1)):
        looks.append((rows, *_near(problem.like(rows=rows), x[rows], SECOND_LOOK)))
    for look in looks:
        problem, x = _better(problem, x, *look)
    return problem, x


def _better(
    problem: Problem, x: Floats, rows: NDArray[np.intp], other: Problem, at: Floats
) -> tuple[Problem, Floats]:
    """The better of two modes of some of the hypotheses."""
    gained = other.expansion(at)[0] > problem.expansion(x)[0][rows]
    x, amps = x.copy(), np.array(problem.amps)
    x[rows[gained]], amps[rows[gained]] = at[gained], other.amps[gained]
    return problem.like(amps=amps), x


def _near(problem: Problem, x: Floats, stages: Stages) -> tuple[Problem, Floats]:
    """The mode that a rough fit from ``x`` leads to."""
    for width, iterations in stages:
        x = maximise(problem.sagged(x, rough=width), x, iterations)
    problem = problem.sagged(x)
    return problem, maximise(problem, x)


def _best_mode(problem: Problem, x: Floats) -> tuple[Problem, Floats]:
    """The best of the modes that a few starts lead to.

    On a ring a meter without sign leaves open from which side a reading comes: the posterior of
    its runs has several modes, and one start finds about two in three of the best ones.
    """
    rng = np.random.default_rng(1)  # the same for a column whatever is fitted beside it
    shifts = np.zeros((PATH_STARTS, problem.size))
    shifts[1:, -2:] = rng.normal(0.0, START_SD, (PATH_STARTS - 1, 2))
    runs = rng.normal(0.0, START_SD, (PATH_STARTS - 1, 2 * MAX_RECEPTACLES))
    shifts[1:, : problem.width] = runs[:, : problem.width]
    every = np.tile(np.arange(problem.count), PATH_STARTS)
    starts = (x + shifts[:, None, :]).reshape(-1, problem.size)
    many, found = _near(problem.like(rows=every), starts, PATH_ROUGH)
    value = many.expansion(found)[0].reshape(PATH_STARTS, -1)
    best = value.argmax(axis=0) * problem.count + np.arange(problem.count)
    return problem.like(amps=many.amps[best]), found[best]


def _laplace(problem: Problem, x: Floats) -> tuple[Floats, Floats]:
    """Log evidence and curvature at the mode ``x`` of each hypothesis.

    Gauss and Newton's curvature leaves out how the slope itself changes. At the mode that part is
    the slope of the prior, as all slopes add up to nothing there.
    """
    value, _, hessian = problem.expansion(x)
    c = problem.columns
    z = (x[:, : problem.width] - c.mean) / c.sd
    prior = np.maximum(1 - CURVATURE_CORRECTION * z * c.sd, LEAST_CURVATURE) / c.sd**2
    diagonal = np.arange(problem.width)
    hessian[:, diagonal, diagonal] += np.where(c.used, prior - 1 / c.sd**2, 0.0)
    return value - 0.5 * np.linalg.slogdet(hessian)[1], hessian


def fit(columns: Columns, known: Known, *, ratios: bool = True) -> Fit:
    """Mode and curvature of the runs; for ``ratios`` see ``likelihood.Problem``.

    Cost grows with ``N * m * D**2``; memory with ``N * m * D``.
    """
    problem, x = _mode(columns, known, ratios=ratios)
    predicted = problem.predict(x)[0]
    log_evidence, hessian = _laplace(problem, x)
    total, inlier, _, _, grounded = problem.likelihood(predicted)
    tests = known.tests
    perfect = np.where(tests.measured, tests.log_inlier - np.log(problem.u) - 0.919, 0.0)
    noise = max(len(tests) / 2 - np.sqrt(len(tests) / 2), 0.0)
    z = np.where(columns.used, (x[:, : problem.width] - columns.mean) / columns.sd, 0.0)
    return Fit(
        log_evidence=log_evidence,
        x=x,
        covariance=np.linalg.inv(hessian).astype(np.float64),
        inlier=inlier,
        grounded=grounded,
        predicted_mv=predicted,
        badness=np.maximum(perfect.sum() - total + 0.5 * (z**2).sum(axis=1) - noise, 0.0),
    )


def refit(
    h: Hypotheses, known: Known, *, ratios: bool = True
) -> tuple[Columns, Fit, tuple[slice, ...]]:
    """Columns and fit of hypotheses, and where each part of the parameters is."""
    columns = columns_of(h, known.tests, known.prior)
    return columns, fit(columns, known, ratios=ratios), parts_of(columns, known, ratios=ratios)


def parts_of(columns: Columns, known: Known, *, ratios: bool = True) -> tuple[slice, ...]:
    """Slices of the parameters: runs, hot ratios, ground ratios, source, other path and bond."""
    problem = Problem(columns, known.tests, known.prior, known.grounds, ratios=ratios)
    width, at = problem.width, problem.width
    found = [slice(0, width)]
    for side in (1, 2):
        more = width if side in problem.fitted_sides else 0
        found.append(slice(at, at + more))
        at += more
    found.append(slice(at, at + problem.with_source))
    return (*found, slice(at + problem.with_source, problem.size))


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
    ratios: bool = True,
    sides: Sides = NEUTRAL,
) -> Runs:
    """The runs as a fit leaves them: of the neutral, or the mean of some conductors.

    Runs that no test tells apart share what is known of their sum (Dirichlet); runs that no test
    sees have their prior.
    """
    prior, tests = known.prior, known.tests
    trees, runs = h.masks.shape
    width = columns.mean.shape[1]
    parts = parts_of(columns, known, ratios=ratios)
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
    to_load = (h.masks[:, :, None] & tests.load) != 0
    sag = (mean[:, None, :runs] @ to_load)[:, 0, :] * tests.sag_per_mohm
    usual_sag = sag.mean(axis=1) if len(tests) else np.zeros(trees)
    return Runs(mean, every, usual_sag)


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
    lead = np.swapaxes(tests.lead(h.masks), 1, 2)
    current = np.swapaxes(tests.current(h.masks), 1, 2)
    neutral, others = tests.sides[:, 0], tests.sides[:, 1:].sum(axis=1)
    slope = np.zeros((*lead.shape[:2], mean.shape[1]))
    part = lead * current
    value = (part @ runs[:, :, None])[:, :, 0] * (neutral + others)
    slope[:, :, :-3] = part * (neutral + others)[:, None]
    if h.paths.any():
        k = h.between()
        bonded = h.bonded[:, None]
        ratio = np.where(bonded, path[:, None], 0.0)
        shown = neutral * (1 + ratio * (tests.grounded_at >= 0)) + others * ~bonded
        shown = shown * h.paths[:, None]
        lead, current = lead * k[:, None, :], current * k[:, None, :]
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
    to_load = np.swapaxes((h.masks[:, :, None] & tests.load) != 0, 1, 2)
    sag = (to_load @ runs[:, :, None])[:, :, 0] * tests.sag_per_mohm
    amps = tests.amps * np.clip(1 + usual_sag[:, None] - sag, 0.5, 1.5)
    amps = np.where((value < 0) & ~tests.signed, -amps, amps)
    return value * amps, slope * amps[..., None]


def weigh(h: Hypotheses, known: Known) -> tuple[Floats, Floats]:
    """Log evidence of each hypothesis and its badness, each different one computed once."""
    parts, inverse = _different(h, known)
    fits = [refit(h.take(part), known)[1] for part in parts]
    evidence, badness = (
        np.concatenate([getattr(one, name) for one in fits])[inverse]
        for name in ("log_evidence", "badness")
    )
    return evidence, badness


def nearly_weighed(h: Hypotheses, known: Known) -> tuple[Floats, Runs]:
    """Log evidence of each hypothesis and what its fit says of the runs, nearly.

    Where hot sides are seen, they are taken as equal to the neutral, within what is usual: half as
    many unknowns, good enough to choose which trees to grow.
    """
    parts, inverse = _different(h, known)
    evidence = np.zeros(len(h))
    pieces, places = [], []
    seen = 0
    for part in parts:
        fitted = refit(h.take(part), known, ratios=False)[1]
        rows = np.flatnonzero((inverse >= seen) & (inverse < seen + len(part)))
        fitted = fitted.take(inverse[rows] - seen)
        some = h.take(rows)
        columns = columns_of(some, known.tests, known.prior)
        evidence[rows] = fitted.log_evidence
        pieces.append(runs_of_fit(some, known, columns, fitted, ratios=False))
        places.append(rows)
        seen += len(part)
    return evidence, Runs.joined(pieces).take(np.argsort(np.concatenate(places)))


def _different(h: Hypotheses, known: Known) -> tuple[list[NDArray[np.intp]], NDArray[np.intp]]:
    """One of each kind that the tests cannot tell apart, in parts; the kind of each."""
    _, first, inverse = np.unique(
        evidence_key(h, known.tests), return_index=True, return_inverse=True
    )
    room = max(1, CHUNK // max(1, h.masks.shape[1] * len(known.tests)))
    return np.array_split(first, max(1, -(-len(first) // room))), inverse.reshape(-1)
