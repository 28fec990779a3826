"""How probable the tests are under given hypotheses, runs integrated out, many at once.

The modes of the runs are found by damped Gauss-Newton steps, and the integral about them by
Laplace's approximation. What a fit leaves known of the runs predicts other tests.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from meterlink.assumptions import MAX_RECEPTACLES
from meterlink.tree.hypotheses import (
    Columns,
    Hypotheses,
    Patterns,
    RunPrior,
    columns_of,
    evidence_key,
)
from meterlink.tree.likelihood import Grounds, Problem
from meterlink.tree.observations import LOG_ROOT_2_PI, Tests, on_way
from meterlink.tree.trees import Flags, Floats

Stages = tuple[tuple[float, int], ...]
SHORT_LIST, MAY_GAIN = 4, 2.0  # iterations from each before the best is followed, where worth it
# starts where there is another path, those of a fit that is near enough, and their spread in logs
PATH_STARTS, NEARLY_STARTS, START_SD = 4, 2, 1.0
MAX_ITERATIONS = 40
# nats that another step promises where a fit ends, one that is near enough, and a rough one
CONVERGED, NEARLY, ROUGHLY = 1e-3, 0.02, 0.1
MOST_DAMPING, MORE_DAMPING = 1e6, 5.0
WORD, DAMPING = (0.5, 0.9), (2.0, 0.1)  # part of its promise that a step kept, and what follows
WORTH_DROPPING = 0.75  # part that is left of a batch; going on without the rest costs a copy
# standard uncertainties beyond which a rough fit begins to distrust a test, and iterations; wide
# first, so that a poor joint on the hot side is not taken for outliers of all tests behind it, and
# a start far from another path's mode does not decide which tests count
TREE_ROUGH = ((3.0, 8),)
RATIO_ROUGH = ((30.0, 5), (3.0, 8))
PATH_ROUGH = ((30.0, 5), (3.0, 6))
# where a believed test is so many standard uncertainties off the mode, others are looked for: from
# what the tests that are off say themselves, and where several are, from there with a wide loss
FAR_OFF_SDS, WIDE = 4.0, 30.0
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


@dataclass(frozen=True)
class Fit:
    """Mode and curvature of the runs under each of ``N`` hypotheses.

    Attributes:
        log_evidence: Log probability (density) of all tests, shape ``(N,)``.
        x: Mode of the parameters (``likelihood.Problem``), ``(N, P)``.
        hessian: Curvature there, ``(N, P, P)``.
        inlier: Probability that each test is no outlier, ``(N, m)``.
        grounded: Probability that the ground contact used in each test is there, ``(N, m)``.
        predicted_mv: What each test should show at the mode, ``(N, m)``.
        badness: Nats that the tests and the runs lose against a perfect prediction, beyond what
            noise alone takes (half a nat each, less one standard deviation), ``(N,)``.
        parts: Where runs, hot ratios, ground ratios, source, and other path with bond are in ``x``.
    """

    log_evidence: Floats
    x: Floats
    hessian: Floats
    inlier: Floats
    grounded: Floats
    predicted_mv: Floats
    badness: Floats
    parts: tuple[slice, ...]

    @cached_property
    def covariance(self) -> Floats:
        """Of the parameters, ``(N, P, P)``."""
        return np.linalg.inv(self.hessian).astype(np.float64, copy=False)

    def take(self, rows: NDArray[np.intp]) -> "Fit":
        """The same for some of the hypotheses, or for those that fit alike."""
        of_each = {one.name: getattr(self, one.name)[rows] for one in fields(self)[:-1]}
        return replace(self, **of_each)


def maximise(
    problem: Problem, x: Floats, iterations: int = MAX_ITERATIONS, enough: float | None = None
) -> tuple[Floats, Floats]:
    """Damped Gauss-Newton ascent to the mode of each hypothesis, finished ones left alone.

    A row is finished when its next step promises less than ``enough`` nats.

    Returns:
        The modes and the log posteriors there.
    """
    enough = enough or (CONVERGED if problem.ratios else NEARLY)
    modes, values = x.copy(), np.empty(problem.count)
    part, rows = problem, np.arange(problem.count)
    x, damping = x.copy(), np.full(problem.count, 1e-3)
    diagonal, runs = np.arange(problem.size), np.arange(problem.width)
    value, gradient, hessian = problem.expansion(x)
    for _ in range(iterations):
        damped = hessian.copy()
        damped[:, runs, runs] += part.bend(x)
        damped[:, diagonal, diagonal] *= 1 + damping[:, None]
        step: Floats = np.linalg.solve(damped, gradient[..., None])[..., 0].astype(
            float, copy=False
        )
        promised = np.abs(np.einsum("np,np->n", gradient, step))
        left = (promised > enough) & (damping < MOST_DAMPING)
        if left.sum() < WORTH_DROPPING * len(left):
            modes[rows], values[rows] = x, value
            if not left.any():
                return modes, values
            rows = rows[left]
            part = problem.like(rows=rows)
            x, step, promised, damping = x[left], step[left], promised[left], damping[left]
            value, gradient, hessian = value[left], gradient[left], hessian[left]
            left = left[left]
        scale = hessian[:, diagonal, diagonal]
        forecast = 0.5 * (promised + damping * (step**2 * scale).sum(axis=1))
        candidate = part.moved(x, step)
        found = part.expansion(candidate)
        gain = found[0] - value
        better = (gain >= -1e-9) & left
        kept_word = gain / np.maximum(forecast, 1e-12)
        damping *= np.where(better, np.interp(kept_word, WORD, DAMPING), MORE_DAMPING)
        damping[better & (gain < enough)] = MOST_DAMPING
        if better.all():
            x, (value, gradient, hessian) = candidate, found
        else:
            x[better] = candidate[better]
            for old, new in zip((value, gradient, hessian), found, strict=True):
                old[better] = new[better]
    modes[rows], values[rows] = x, value
    return modes, values


def _mode(columns: Columns, known: Known, *, ratios: bool) -> tuple[Problem, Floats]:
    """The problem with the currents as the sag leaves them, and its mode."""
    problem = Problem(columns, known.tests, known.prior, known.grounds, ratios=ratios)
    x = problem.start()
    if problem.unseen().all():
        return problem, x
    if problem.with_path:
        return _best_mode(problem, x, PATH_STARTS if ratios else NEARLY_STARTS)
    rough = RATIO_ROUGH if problem.fitted_sides else TREE_ROUGH
    best = _second_look(_near(problem, x, rough), rough)
    for way in (-1, 1):  # a current that opposes the load's does so in all tests alike
        leaning = known.tests.leaning(way)
        if (leaning.drop != known.tests.drop).any():
            other = Problem(columns, leaning, known.prior, known.grounds, ratios=ratios)
            best = best.or_better(_near(other, other.start(), rough), np.arange(problem.count))
    return best.problem, best.x


@dataclass(frozen=True, slots=True)
class _Modes:
    """Modes ``x`` of the hypotheses of a problem, and their log posteriors."""

    problem: Problem
    x: Floats
    value: Floats

    def best_of(self, starts: int) -> "_Modes":
        """The best for each hypothesis where they stand here once for each start."""
        of_each = self.value.reshape(starts, -1)
        rows = of_each.argmax(axis=0) * of_each.shape[1] + np.arange(of_each.shape[1])
        return self.take(rows)

    def take(self, rows: NDArray[np.intp]) -> "_Modes":
        """Those of some of the hypotheses."""
        return _Modes(self.problem.like(rows=rows), self.x[rows], self.value[rows])

    def or_better(self, other: "_Modes", rows: NDArray[np.intp]) -> "_Modes":
        """The better of two modes of some of the hypotheses."""
        gained = other.value > self.value[rows]
        if not gained.any():
            return self
        x, amps, value = self.x.copy(), np.array(self.problem.amps), self.value.copy()
        at = rows[gained]
        x[at], amps[at] = other.x[gained], other.problem.amps[gained]
        value[at] = other.value[gained]
        return _Modes(self.problem.like(amps=amps), x, value)


def _second_look(first: _Modes, rough: Stages) -> _Modes:
    """The same modes, or better ones where tests that contradict each other chose poor ones.

    Of three tests of one run a precise wrong one may draw the first guess so far that both right
    ones are given up; and two that seem to agree, one of them wrong, make a right one look alone.
    """
    problem, x = first.problem, first.x
    off = np.abs(problem.tests.drop - problem.predict(x)[0]) / problem.u
    far = problem.believed & (off > FAR_OFF_SDS)
    rows, several = (np.flatnonzero(far.sum(axis=1) > few) for few in (0, 1))
    if not len(rows):
        return first
    turned = problem.like(rows=rows).start(np.where(far[rows], 1.0, OTHERS_WEIGHT))
    wide = problem.like(rows=several).sagged(x[several], rough=WIDE)
    loose = maximise(wide, x[several], SHORT_LIST, ROUGHLY)[0]
    every = np.concatenate([rows, several])
    found = _near(problem.like(rows=every), np.concatenate([turned, loose]), rough, SHORT_LIST)
    hopeful = np.flatnonzero(found.value > first.value[every] - MAY_GAIN)
    part = found.problem.like(rows=hopeful)
    found, best = _Modes(part, *maximise(part, found.x[hopeful])), first
    for look in (np.flatnonzero(hopeful < len(rows)), np.flatnonzero(hopeful >= len(rows))):
        best = best.or_better(found.take(look), every[hopeful[look]])
    return best


def _near(problem: Problem, x: Floats, stages: Stages, iterations: int = MAX_ITERATIONS) -> _Modes:
    """The modes that a rough fit from ``x`` leads to."""
    for width, most in stages:
        x = maximise(problem.sagged(x, rough=width), x, most, ROUGHLY)[0]
    problem = problem.sagged(x)
    return _Modes(problem, *maximise(problem, x, iterations))


def _best_mode(problem: Problem, x: Floats, starts: int) -> tuple[Problem, Floats]:
    """The best of the modes that a few starts lead to.

    On a ring a meter without sign leaves open from which side a reading comes: the posterior of
    its runs has several modes, and one start finds about two in three of the best ones.
    """
    rng = np.random.default_rng(1)  # the same for a column whatever is fitted beside it
    shifts = np.zeros((PATH_STARTS, problem.size))
    shifts[1:, -2:] = rng.normal(0.0, START_SD, (PATH_STARTS - 1, 2))
    runs = rng.normal(0.0, START_SD, (PATH_STARTS - 1, 2 * MAX_RECEPTACLES))
    shifts[1:, : problem.width] = runs[:, : problem.width]
    x = (x + shifts[:starts, None, :]).reshape(-1, problem.size)
    many = problem.like(rows=np.tile(np.arange(problem.count), starts))
    best = _near(many, x, PATH_ROUGH, SHORT_LIST).best_of(starts)
    return best.problem, maximise(best.problem, best.x)[0]


def fit(columns: Columns, known: Known, *, ratios: bool = True) -> Fit:
    """Mode and curvature of the runs; for ``ratios`` see ``likelihood.Problem``.

    Gauss and Newton's curvature leaves out how the slope itself changes. At the mode that part is
    the slope of the prior, as all slopes add up to nothing there. Cost grows with ``N * m * D**2``;
    memory with ``N * m * D``.
    """
    problem, x = _mode(columns, known, ratios=ratios)
    predicted, slope = problem.predict(x)
    seen = problem.likelihood(predicted)
    value, _, hessian = problem.normal_equations(x, slope, seen)
    z = np.where(columns.used, (x[:, : problem.width] - columns.mean) / columns.sd, 0.0)
    prior = np.maximum(1 - CURVATURE_CORRECTION * z * columns.sd, LEAST_CURVATURE)
    diagonal = np.arange(problem.width)
    hessian[:, diagonal, diagonal] += (prior - 1) * problem.precision
    counted, tests = columns.counted & known.tests.measured, known.tests
    perfect = (counted * (tests.log_inlier - np.log(problem.u) - LOG_ROOT_2_PI)).sum(axis=1)
    half = columns.counted.sum(axis=1) / 2
    noise = np.maximum(half - np.sqrt(half), 0.0)
    return Fit(
        log_evidence=value - 0.5 * np.linalg.slogdet(hessian)[1],
        x=x,
        hessian=hessian,
        inlier=seen[1],
        grounded=seen[4],
        predicted_mv=predicted,
        badness=np.maximum(perfect - seen[0] + 0.5 * (z**2).sum(axis=1) - noise, 0.0),
        parts=problem.parts,
    )


def refit(
    h: Hypotheses, known: Known, *, ratios: bool = True
) -> tuple[Columns, Fit, tuple[slice, ...]]:
    """Columns and fit of hypotheses, and where each part of the parameters is."""
    columns = columns_of(h, known.tests, known.prior)
    fitted = fit(columns, known, ratios=ratios)
    return columns, fitted, fitted.parts


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


def weigh(h: Hypotheses, known: Known) -> tuple[Floats, Floats]:
    """Log evidence of each hypothesis and its badness, each different one computed once."""
    evidence, badness = np.empty(len(h)), np.empty(len(h))
    for rows, _, fitted in _fits(h, known):
        evidence[rows], badness[rows] = fitted.log_evidence, fitted.badness
    return evidence, badness


def nearly_weighed(
    h: Hypotheses, known: Known, counted: Flags | None = None
) -> tuple[Floats, Runs]:
    """Log evidence of each hypothesis and what its fit says of the runs, nearly.

    Where hot sides are seen, they are taken as equal to the neutral, within what is usual: half as
    many unknowns, good enough to choose which trees to grow. ``counted`` says which tests count for
    which hypothesis, ``(N, m)``.
    """
    evidence, pieces, places = np.empty(len(h)), [], []
    for rows, columns, fitted in _fits(h, known, counted, ratios=False):
        evidence[rows] = fitted.log_evidence
        pieces.append(runs_of_fit(h.take(rows), known, columns, fitted))
        places.append(rows)
    return evidence, Runs.joined(pieces).take(np.argsort(np.concatenate(places)))


def _fits(
    h: Hypotheses, known: Known, counted: Flags | None = None, *, ratios: bool = True
) -> Iterator[tuple[NDArray[np.intp], Columns, Fit]]:
    """Rows, columns and fits of all hypotheses in parts; those that fit alike are fitted once."""
    tests = known.tests
    patterns = Patterns.of(h, tests)
    key = evidence_key(h, tests, patterns, counted)
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    room = max(1, CHUNK // max(1, h.masks.shape[1] * len(tests)))
    done = 0
    for part in np.array_split(first, max(1, -(-len(first) // room))):
        rows = np.flatnonzero((inverse >= done) & (inverse < done + len(part)))
        count = None if counted is None else counted[rows]
        columns = columns_of(h.take(rows), tests, known.prior, patterns.take(rows), count)
        if len(rows) == len(part):
            yield rows, columns, fit(columns, known, ratios=ratios)
        else:
            fitted = fit(columns.part(np.searchsorted(rows, part)), known, ratios=ratios)
            yield rows, columns, fitted.take(inverse[rows] - done)
        done += len(part)
