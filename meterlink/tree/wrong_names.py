"""Tests done at other receptacles than written: what that is worth to each hypothesis.

A wrong name mostly contradicts the other tests; the hypotheses then gain where the reading fits
another name. One kind contradicts nothing: with lead or load by mistake somewhere beyond X, the
test that tells how far X itself is reads the point where X leaves the way, and X seems to be there.
Where one test alone says so, a branch of its own and a place farther on are weighed with that test
misnamed.
"""

from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from meterlink.assumptions import Assumptions
from meterlink.tree.fit import Fit, Known, refit
from meterlink.tree.hypotheses import Columns, Hypotheses, Kind
from meterlink.tree.likelihood import inliers
from meterlink.tree.local_search import log_prior_of, padded
from meterlink.tree.observations import LOG_ROOT_2_PI
from meterlink.tree.posterior import Ensemble
from meterlink.tree.runs import Runs, Sides, expected, runs_by_sides
from meterlink.tree.search import Setting, Stratum
from meterlink.tree.trees import Floats, Masks, clades, homes

MOST_HYPOTHESES, MOST_TESTS = 400, 120  # that wrong names are tried on
LEAST_GAIN = 0.1  # nats that a wrong name may gain at a test that is looked at closely
BRANCHED_TREES, WORTH_BRANCHING = 6, 1e-3  # heaviest trees that get branches; least weight


def with_wrong_names(
    ensemble: Ensemble, setting: Setting, sound: Stratum, assumptions: Assumptions
) -> Ensemble:
    """The heaviest hypotheses weighed with names that may be others than written."""
    known, n, rates = setting.known, len(sound.places), assumptions.outliers
    order = np.argsort(-ensemble.log_weight, kind="stable")[:MOST_HYPOTHESES]
    if n < 3 or not 0 < len(known.tests) <= MOST_TESTS:
        return ensemble
    evidence = ensemble.log_evidence.copy()
    believed: dict[bytes, Floats] = {}
    for rows in np.array_split(order, max(1, len(order) // 100)):
        some = ensemble.hypotheses.take(rows)
        columns, fitted, _ = refit(some, known)
        evidence[rows] += misnamed_gain(some, known, columns, fitted, n, rates.misnamed)
        keys = [masks.tobytes() for masks in padded(some.masks, n)]
        believed |= dict(zip(keys, fitted.inlier, strict=True))
    ensemble = replace(ensemble, log_evidence=evidence)
    branched = _branched(ensemble, setting, sound, believed, rates.misnamed_alone)
    return ensemble if branched is None else Ensemble.joined([ensemble, branched])


def misnamed_gain(
    h: Hypotheses, known: Known, columns: Columns, fitted: Fit, n: int, rate: float
) -> Floats:
    """Nats that each hypothesis gains where one name of a test may be another than written.

    What each test would have read elsewhere is predicted where it does not fit as written. Where it
    fits it gains next to nothing, about as much as under the first hypothesis.
    """
    tests = known.tests
    as_written = inliers(tests, fitted.predicted_mv)[0] + tests.log_inlier
    as_written = np.logaddexp(as_written, tests.log_outlier)
    most = np.log(rate) - np.log(tests.u) - LOG_ROOT_2_PI
    may_gain = ~columns.void & tests.measured
    closely = may_gain & (most - as_written > np.log(LEAST_GAIN))
    closely[0] = may_gain[0]
    rows = np.flatnonzero(closely.any(axis=1))
    some = h.take(rows)
    runs = runs_by_sides(some, known, columns.part(rows), fitted.take(rows))
    extra = np.full(as_written.shape, -np.inf)
    for j in np.flatnonzero(closely.any(axis=0)):
        here = np.flatnonzero(closely[rows, j])
        part = {sides: one.take(here) for sides, one in runs.items()}
        found = log_misnamed(some.take(here), known, int(j), part, n, rate)
        extra[:, j] = found[0] if closely[0, j] else -np.inf
        extra[rows[here], j] = found
    gained = np.where(may_gain, np.logaddexp(0.0, extra - as_written), 0.0)
    result: Floats = (gained * fitted.grounded).sum(axis=1)  # else it says nothing anyway
    return result


def log_misnamed(
    h: Hypotheses, known: Known, test: int, runs: Mapping[Sides, Runs], n: int, rate: float
) -> Floats:
    """Log density of a test with one name wrong, with the probability of that, ``(N,)``.

    Each lead and the load may have been at any other receptacle: what the test would have read
    there is predicted with the runs as they were fitted.
    """
    one = known.tests.only(np.array([test]))
    bits = np.int64(1) << np.arange(n, dtype=np.int64)
    leads = bits[((one.lead_a | one.lead_b) & bits) == 0]
    others = bits[((one.load & bits) == 0) & (one.back == 0)]
    ways = (leads, leads[: len(leads) * int(one.lead_b[0] != 0)], others)
    count = sum(map(len, ways))
    if not count:
        return np.full(len(h), -np.inf)
    way = np.repeat(np.arange(3), [len(moved) for moved in ways])
    moved = np.concatenate(ways)
    lead_a, lead_b, load = (
        np.where(way == k, moved, own) for k, own in enumerate((one.lead_a, one.lead_b, one.load))
    )
    every = replace(one.only(way * 0), lead_a=lead_a, lead_b=lead_b, load=load)
    mean, variance = expected(h, every, runs)
    variance += one.u**2
    log = -0.5 * (one.drop - mean) ** 2 / variance - 0.5 * np.log(variance) - LOG_ROOT_2_PI
    log = np.where(h.void(every), -np.inf, log)
    result: Floats = np.logaddexp.reduce(log, axis=1) + np.log(rate / count)
    return result


def _branched(
    ensemble: Ensemble,
    setting: Setting,
    sound: Stratum,
    believed: dict[bytes, Floats],
    rate: float,
) -> Ensemble | None:
    """The heaviest trees with a receptacle on a branch of its own, its one own test misnamed."""
    known, n = setting.known, len(sound.places)
    found = [
        (masks, j)
        for masks, j in _branches(ensemble, known, n)
        # else that tree is there already, with this test as an outlier
        if (inlier := believed.get(masks.tobytes())) is None or inlier[j] > 0.5
    ]
    if not found:
        return None
    masks = np.array([one for one, _ in found])
    tests, each = known.tests, np.arange(len(found))
    j = np.array([test for _, test in found])
    plain = Hypotheses(masks, homes(masks), each * 0, each * 0, each * 0)
    kind = np.full(len(found), int(Kind.MISNAMED))
    h = replace(plain, kind=kind, near=tests.number[j])
    columns, fitted, _ = refit(h, known)
    runs = runs_by_sides(h, known, columns, fitted)
    evidence = fitted.log_evidence - tests.log_away[j]
    for test in np.unique(j):
        here = np.flatnonzero(j == test)
        part = {sides: one.take(here) for sides, one in runs.items()}
        evidence[here] += log_misnamed(plain.take(here), known, int(test), part, n, rate)
    prior = log_prior_of(plain, setting, sound)
    return Ensemble(h, prior, evidence, evidence * 0, fitted.badness, ensemble.complete)


def _branches(ensemble: Ensemble, known: Known, n: int) -> Iterator[tuple[Masks, int]]:
    """Trees with one receptacle farther on, and the only test with load and lead there."""
    tests, weight = known.tests, ensemble.weights
    own = ((tests.lead_a | tests.lead_b) & tests.load) != 0
    rows = np.flatnonzero((ensemble.hypotheses.kind == Kind.SOUND) & (weight > WORTH_BRANCHING))
    seen: set[bytes] = set()
    for row in rows[np.argsort(-weight[rows], kind="stable")][:BRANCHED_TREES]:
        tree = ensemble.masks[row]
        feeds = clades(tree[None], n)[0]
        for i in range(n):
            here = np.flatnonzero(own & (tests.load == 1 << i) & tests.measured)
            if len(here) != 1:
                continue
            for moved in _farther(tree, int(feeds[i]), 1 << i):
                masks = padded(np.append(tree, np.int64(moved))[None], n)[0]
                if masks.tobytes() not in seen:
                    seen.add(masks.tobytes())
                    yield masks, int(here[0])


def _farther(tree: Masks, own: int, bit: int) -> list[int]:
    """Runs that a receptacle may be behind, seen from the point where it seems to be.

    A branch of its own, or the way on to one of several others.
    """
    beyond = [int(m) for m in tree if m and m & own == m and m != own]
    onward = [m for m in beyond if not any(m & o == m and m != o for o in beyond)]
    return [bit, *(m | bit for m in onward)] if len(onward) > 1 else [bit] * len(onward)
