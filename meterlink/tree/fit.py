"""How probable the tests are under given hypotheses, runs integrated out, many at once.

The modes of the runs are found by damped Gauss-Newton steps, and the integral about them by
Laplace's approximation. What a fit leaves known of the runs predicts other tests.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields, replace
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
from meterlink.tree.observations import LOG_ROOT_2_PI, Tests
from meterlink.tree.trees import Flags, Floats

Stages = tuple[tuple[float, int], ...]
SHORT_LIST, MAY_GAIN = 4, 2.0  # iterations from each before the best is followed, where worth it
# starts where there is another path, those of a fit that is near enough, and their spread in logs
PATH_STARTS, NEARLY_STARTS, START_SD = 4, 2, 1.0
MAX_ITERATIONS = 40
# nats that another step promises where a fit ends, one that is near enough, and a rough one (times
# its width)
CONVERGED, NEARLY, ROUGHLY = 1e-3, 0.02, 0.03
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
CHUNK = 400_000  # hypotheses times runs times tests fitted at once: bounds memory


@dataclass(frozen=True, slots=True)
class Known:
    """What all fits of one log share: the tests, the runs' prior, and the ground contacts.

    ``modes`` has those of hypotheses weighed before, by their evidence keys, for whoever wants
    their runs too.
    """

    tests: Tests
    prior: RunPrior
    grounds: Grounds
    modes: dict[int, list[Floats]] = field(default_factory=dict, compare=False, repr=False)

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


def start(problem: Problem, share: Floats | float = 1.0) -> Floats:
    """A first guess: the linear least-squares runs with the prior as ridge, kept positive.

    Hot and ground count as much as neutral here, and the source is one more unknown. Other
    paths are left out, and where there is one the guess is the prior's. ``share`` is how much
    each believed test counts, ``(N, m)``.
    """
    c, tests, assumed = problem.columns, problem.tests, problem.run_prior.runs
    source = np.full((problem.count, 1), assumed.source_mohm)
    mean = np.concatenate([np.exp(c.mean + c.sd**2 / 2), source], axis=1)
    relative = np.concatenate(
        [np.expm1(c.sd**2), np.full((problem.count, 1), np.expm1(assumed.source_log_sd**2))],
        axis=1,
    )
    scale = problem.amps * tests.sides.sum(axis=1)
    design = np.concatenate(
        [c.seen * scale[:, :, None], (problem.amps * tests.source)[:, :, None]], axis=2
    )
    weight = np.where(problem.believed, share / problem.u**2, 0.0)
    weighted = np.swapaxes(design * weight[..., None], 1, 2)
    normal = weighted @ design
    diagonal = np.arange(problem.width + 1)
    ridge = 1 / (mean**2 * relative)
    normal[:, diagonal, diagonal] += ridge
    signs = np.where(tests.signed, 1.0, np.where(c.seen.sum(axis=2) < 0, -1.0, 1.0))
    right = (weighted @ (tests.drop * signs)[..., None])[..., 0] + ridge * mean
    solved = np.linalg.solve(normal, right[..., None])[..., 0]
    least = 0.1 * np.concatenate([np.exp(c.mean), source], axis=1)
    held = solved < least
    rows = np.flatnonzero(held.any(axis=1))
    if len(rows):  # hold what came out too small at the least value and solve for the rest
        firm = np.where(held[rows], 1e6 * ridge[rows] + 1e3, 0.0)
        normal[rows[:, None], diagonal, diagonal] += firm
        right[rows] += firm * least[rows]
        solved[rows] = np.linalg.solve(normal[rows], right[rows][..., None])[..., 0]
    x = np.zeros((problem.count, problem.size))
    solved = np.log(np.clip(solved, least, 1e9))
    x[:, : problem.width] = np.where(c.paths[:, None], c.mean, solved[:, :-1])
    if problem.with_source:
        x[:, problem.source_at] = np.where(c.paths, np.log(assumed.source_mohm), solved[:, -1])
    if problem.with_path:
        x[:, -2], x[:, -1] = c.path_mean, np.log(problem.run_prior.bond_mohm)
    return x


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


def _mode(problem: Problem, x: Floats, known: Known) -> tuple[Problem, Floats]:
    """The problem with the currents as the sag leaves them, and its mode."""
    columns, ratios = problem.columns, problem.ratios
    if not (columns.used.any() or problem.with_source):  # the tests see nothing
        return problem, x
    if problem.with_path:
        return _best_mode(problem, x, PATH_STARTS if ratios else NEARLY_STARTS)
    rough = RATIO_ROUGH if problem.fitted_sides else TREE_ROUGH
    best = _second_look(_near(problem, x, rough), rough)
    if known.tests.likely_modes.shape[1] > 1:
        # a current that opposes the load's does so in all tests alike; or the certain ones decide
        for tests in (known.tests.leaning(-1), known.tests.leaning(1), known.tests.levelled()):
            other = Problem(columns, tests, known.prior, known.grounds, ratios=ratios)
            best = best.or_better(_near(other, start(other), rough), np.arange(problem.count))
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
    turned = start(problem.like(rows=rows), np.where(far[rows], 1.0, OTHERS_WEIGHT))
    wide = problem.like(rows=several).sagged(x[several], rough=WIDE)
    loose = maximise(wide, x[several], SHORT_LIST, ROUGHLY * WIDE)[0]
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
        x = maximise(problem.sagged(x, rough=width), x, most, ROUGHLY * width)[0]
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


def fit(
    columns: Columns, known: Known, *, ratios: bool = True, keys: NDArray[np.int64] | None = None
) -> Fit:
    """Mode and curvature of the runs; for ``ratios`` see ``likelihood.Problem``.

    Gauss and Newton's curvature leaves out how the slope itself changes. At the mode that part is
    the slope of the prior, as all slopes add up to nothing there. Cost grows with ``N * m * D**2``;
    memory with ``N * m * D``. Hypotheses with ``keys`` that were all fitted before are not again.
    """
    problem = Problem(columns, known.tests, known.prior, known.grounds, ratios=ratios)
    found = [] if keys is None else [known.modes.get(int(key)) for key in keys]
    x = start(problem)
    if found and all(found):
        x = _recalled(problem, x, [one for one in found if one])
        problem = problem.sagged(x)
        x = maximise(problem, x)[0]
    else:
        problem, x = _mode(problem, x, known)
        for i, key in enumerate([] if keys is None else keys):
            used = int(columns.used[i].sum())
            ends = [*(min(part.start + used, part.stop) for part in problem.parts[:3])]
            ends += [part.stop for part in problem.parts[3:]]
            known.modes[int(key)] = [
                x[i, part.start : end] for part, end in zip(problem.parts, ends, strict=True)
            ]
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


def _recalled(problem: Problem, x: Floats, found: Sequence[Sequence[Floats]]) -> Floats:
    """Modes that were found before, in the columns of a problem; ``x`` where they say nothing."""
    x = x.copy()
    for row, one in zip(x, found, strict=True):
        for part, values in zip(problem.parts, one, strict=True):
            here = row[part]
            here[: len(values)] = values[: len(here)]
    return x


def refit(
    h: Hypotheses, known: Known, *, ratios: bool = True
) -> tuple[Columns, Fit, tuple[slice, ...]]:
    """Columns and fit of hypotheses, and where each part of the parameters is."""
    patterns = Patterns.of(h, known.tests)
    columns = columns_of(h, known.tests, known.prior, patterns)
    keys = evidence_key(h, known.tests, patterns) if ratios else None
    fitted = fit(columns, known, ratios=ratios, keys=keys)
    return columns, fitted, fitted.parts


def weigh(h: Hypotheses, known: Known) -> tuple[Floats, Floats]:
    """Log evidence of each hypothesis and its badness, each different one computed once."""
    evidence, badness = np.empty(len(h)), np.empty(len(h))
    for rows, _, fitted in fits(h, known):
        evidence[rows], badness[rows] = fitted.log_evidence, fitted.badness
    return evidence, badness


def fits(
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
        keys = key[part] if ratios else None
        if len(rows) == len(part):
            keys = key[rows] if ratios else None
            yield rows, columns, fit(columns, known, ratios=ratios, keys=keys)
        else:
            some = columns.part(np.searchsorted(rows, part))
            fitted = fit(some, known, ratios=ratios, keys=keys)
            yield rows, columns, fitted.take(inverse[rows] - done)
        done += len(part)
