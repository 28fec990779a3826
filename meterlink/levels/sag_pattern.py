"""When a load took a wandering supply down: all on/off cycles of a test found together.

The supply's wander is a random walk within the seconds that matter, so what tells of a switching
is how readings move across its moment, and each moment tells apart from all others. The load's
state is then a hidden Markov chain, off or on, whose switchings take or give back one sag; taps say
about when. For each sag of a grid and each size of the wander all chains are summed exactly
(forward and backward; Rabiner 1989). So a moment that is not known is averaged over, not guessed: a
sag far below what one switching would show is found by its repetition, and where there is none no
chance moment is chosen that looks like one.
"""

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np

from meterlink.assumptions import Levels
from meterlink.levels.stages import EDGE_S, Explanation, Run, Stages, lag_costs
from meterlink.levels.statistics import Floats, averaged, blocks, covariance, display_sd
from meterlink.levels.trace import Marks, Plateau, Samples

MOMENT_S = 0.25  # between the moments at which the load may have switched
CHUNK_S, MARGIN_S = 45.0, 4.0  # of a trace whose noise is weighed as one; what is seen beside it
MOST_BLOCKS = 160  # of a chunk
WALK_S = 60.0  # correlation time of a wander that is a random walk within a cycle
SAGS = np.concatenate([[0.0], np.geomspace(5e-4, 0.3, 60)])  # of the supply
GUARD = 0.05  # chance that a switching lies before, or after, the readings left out about it
LEAST_READINGS = 8
LONGEST_S = 400.0  # that are looked at, the last of a test
IDLE_S = 15.0  # before the first tap's earliest load: what was long before tells no more
FOLLOWED = 0.95  # of taps a switching is near
UNTAPPED, RHYTHM = 1e-3, 0.05  # switchings in a second without a tap near, and without any tap
PHASES = 3  # of a moment: between two readings it matters when
BEFORE_S = 10.0  # a step that long before the first reading is part of the level
SETTLES_S = 0.6  # after a switching until readings belong to what follows, but for a small tail
OTHERS_S = 2.0  # of a switching of the load: a change that near it is no other appliance's


class Moment(NamedTuple):
    """When a switching came: between ``from_s`` and ``to_s``, likeliest at ``at_s``."""

    from_s: float
    at_s: float
    to_s: float


Cycle = tuple[Moment, Moment | None]  # when the load came, and when it went, if it did


@dataclass(frozen=True, slots=True)
class SagPattern:
    """The cycles of a test.

    Attributes:
        cycles: When the load came and went.
        sag_u_mv: Standard uncertainty of the sag from not knowing when it came and went.
        log_some: Evidence for a sag of any size over that for none, as a logarithm.
        idle_from_s: When the load had gone off that was on as the test began, ``None`` if it was
            off.
        stands_out: Sag over what the supply wanders within a second, as a logarithm, at least 0.
    """

    cycles: list[Cycle]
    sag_u_mv: float
    log_some: float
    idle_from_s: float | None
    stands_out: float

    def is_certain(self, assumed: Levels) -> bool:
        """Whether there is a sag."""
        odds = math.log((1.0 - assumed.no_drop) / assumed.no_drop)
        return bool(self.cycles) and self.log_some + odds > -math.log(1.0 / assumed.certain - 1.0)


Cache = dict[tuple[float, int], tuple[Floats, Floats]]  # of chunks that are over


def find_pattern(
    usable: Samples, marks: Marks, assumed: Levels, cache: Cache | None = None
) -> SagPattern | None:
    """The likeliest cycles of one sag; ``None`` where there is too little to look at.

    Args:
        usable: Readings of the supply in mV, strays left out.
        marks: Taps, which may be missing.
        assumed: Priors.
        cache: What was found of the trace's earlier parts, while it grows.
    """
    from_s = float(usable.t_s[-1]) - LONGEST_S if len(usable) else 0.0
    if marks.on:
        from_s = max(from_s, marks.on[0] - assumed.tap_after_s - IDLE_S)
    usable = usable.between(from_s, math.inf)
    if len(usable) < LEAST_READINGS or usable.t_s[-1] - usable.t_s[0] < 2.0:
        return None
    level = float(np.median(usable.mv[usable.t_s < usable.t_s[0] + CHUNK_S]))
    if level <= assumed.least_noise_mv:
        return None
    at_s = np.arange(usable.t_s[0], usable.t_s[-1], MOMENT_S)
    hazards = _hazards(at_s, marks, assumed)
    sags = SAGS * level
    score, evidence = _shown_by_chunks(usable, at_s, sags, assumed, {} if cache is None else cache)
    score += np.log(hazards)[:, :, np.newaxis, np.newaxis]
    evidence -= 0.5 * (np.log2(assumed.wander_times) / assumed.wander_octaves) ** 2
    dwell = round(assumed.shortest_load_s / MOMENT_S)
    log, ups, downs = _summed(score, hazards, dwell, marks)
    joint = log + evidence[:, np.newaxis]  # (models, sags)
    by_sag = np.logaddexp.reduce(joint, axis=0)
    best = int(np.argmax(by_sag[1:])) + 1
    width = np.gradient(sags)
    weight = np.exp(by_sag - by_sag[best]) * width * (sags > 0)
    log_some = math.log(float(weight.sum()) / float(sags[-1])) + float(by_sag[best] - by_sag[0])
    weight /= weight.sum()
    sd = float(np.sqrt(weight @ (sags - weight @ sags) ** 2))
    if 1 < best < sags.size - 1 and sd < width[best]:  # between the grid's points it is normal
        near = slice(best - 1, best + 2)
        bent = float(np.polyfit(sags[near] - sags[best], by_sag[near], 2)[0])
        sd = min(sd, math.sqrt(0.5 / max(-bent, 1e-12)))
    model = int(np.argmax(joint[:, best]))
    cycles = _cycles(at_s, ups[:, model, best], downs[:, model, best])
    idle_from_s = None
    if cycles and cycles[0][0].at_s <= at_s[1]:
        (_, went), *rest = cycles
        cycles, idle_from_s = rest, went.to_s if went else float(at_s[-1])
    wander_mv = assumed.wander_times[model] * assumed.supply_wander * level
    wander_mv *= math.sqrt(2.0 / assumed.supply_wander_s)  # within a second
    stands_out = math.log(max(sags[best] / wander_mv, 1.0))
    return SagPattern(cycles, sd, log_some, idle_from_s, stands_out)


def _shown_by_chunks(
    usable: Samples, at_s: Floats, sags: Floats, assumed: Levels, cache: Cache
) -> tuple[Floats, Floats]:
    """What ``_shown`` says of each stretch of the trace."""
    chunk = round(CHUNK_S / MOMENT_S)
    shown = []
    for k in range(0, at_s.size, chunk):
        some_s = at_s[k : k + chunk]
        part = usable.between(some_s[0] - MARGIN_S, some_s[-1] + MOMENT_S + MARGIN_S)
        key = float(some_s[0]), len(part)
        if key not in cache:
            cache[key] = _shown(part, some_s, sags, assumed, first=k == 0)
        shown.append(cache[key])
        if usable.t_s[-1] < some_s[-1] + MOMENT_S + MARGIN_S:  # may still grow
            del cache[key]
    return np.concatenate([one for one, _ in shown]), np.sum([one for _, one in shown], axis=0)


def _shown(
    part: Samples, at_s: Floats, sags: Floats, assumed: Levels, *, first: bool
) -> tuple[Floats, Floats]:
    """What the readings say of each sag at each moment, under each size of wander.

    The level is free, of two lags of a meter the likelier counts, and a moment is averaged over.

    Returns:
        Log likelihood that a sag adds where it comes and where it goes, of shape (moments, 2,
        models, sags); and the log evidence of the readings without any, of shape (models,).
    """
    level = sags[-1] / SAGS[-1]
    t, mv, sizes = blocks(part.t_s, part.mv - level, MOST_BLOCKS)
    starts = (np.cumsum(sizes) - sizes).astype(int)
    white = np.diag(max(display_sd(part.display_mv), 1e-5 * level) ** 2 / sizes)
    walk = assumed.supply_wander * level * math.sqrt(WALK_S / assumed.supply_wander_s)
    fine_s = (at_s[:, np.newaxis] + MOMENT_S * ((np.arange(PHASES) + 0.5) / PHASES - 0.5)).ravel()
    if first:  # on since before the test: part of the level
        fine_s[:PHASES] -= BEFORE_S
    late = np.clip(part.t_s[:, np.newaxis] - fine_s, 0.0, None)
    kinds = []
    for lag_s in (0.4 * assumed.rms_lag_s, assumed.rms_lag_s):
        unit = covariance(part.t_s, np.zeros(len(part)), walk, WALK_S, lag_s)
        steps = np.add.reduceat(-np.expm1(-late / lag_s), starts) / sizes[:, np.newaxis]
        kinds.append((averaged(unit, sizes), steps))
    scores, evidence = [], []
    for times in assumed.wander_times:
        both = [_whitened(times**2 * unit + white, mv) for unit, _ in kinds]
        which = int(both[0][-1] < both[1][-1])
        factor, one, y, log = both[which]
        tall = np.linalg.solve(factor, kinds[which][1])
        tall = tall - one[:, np.newaxis] * (one @ tall)
        moved = (tall.T @ y)[:, np.newaxis] * sags
        lost = 0.5 * (tall * tall).sum(axis=0)[:, np.newaxis] * sags**2
        fine = np.stack([-moved - lost, moved - lost], axis=1).reshape(-1, PHASES, 2, sags.size)
        scores.append(np.logaddexp.reduce(fine, axis=1) - math.log(PHASES))
        evidence.append(log * at_s.size * MOMENT_S / max(t[-1] - t[0], MOMENT_S))
    return np.stack(scores, axis=2), np.array(evidence)


def _whitened(noise: Floats, mv: Floats) -> tuple[Any, Floats, Floats, float]:
    """Cholesky factor; unit level and readings at noise 1; log evidence, the level left free."""
    factor = np.linalg.cholesky(noise)
    both: Any = np.linalg.solve(factor, np.column_stack([np.ones(mv.size), mv]))
    size = float(np.linalg.norm(both[:, 0]))
    one = both[:, 0] / size
    y = both[:, 1] - one * (one @ both[:, 1])
    half_log = float(np.log(np.diagonal(factor)).sum()) + math.log(size)
    return factor, one, y, -half_log - 0.5 * float(y @ y)


def _hazards(at_s: Floats, marks: Marks, assumed: Levels) -> Floats:
    """Chance of coming, and of going, at each moment: shape (moments, 2)."""
    columns = []
    for taps in (marks.on, marks.off):
        chance = np.full(at_s.size, MOMENT_S * (UNTAPPED if marks.on or marks.off else RHYTHM))
        for tap in taps:
            cost = lag_costs(at_s, at_s, [tap], True, assumed)
            share = np.exp(-cost) * (cost < assumed.no_tap)
            chance += FOLLOWED * share / max(float(share.sum()), 1.0)
        columns.append(np.minimum(chance, 0.9))
    hazards = np.stack(columns, axis=1)
    hazards[0, 0] = math.exp(-assumed.already_on)
    return hazards


def _summed(go: Floats, hazards: Floats, dwell: int, marks: Marks) -> tuple[Floats, Floats, Floats]:
    """All chains summed, in which the load is off, and on, for at least ``dwell`` moments each.

    Returns:
        Log likelihood of each sag over that of none, shape (models, sags); and for each moment
        the probability that the load came then, and that it went.
    """
    moments = go.shape[0]
    stay = np.log1p(-hazards)
    never = np.full(go.shape[2:], -1e300)
    end = (0.0, math.log(0.05) if marks.ends_off else 0.0)
    ready = [np.zeros(go.shape[2:]), never]  # off, and on, long enough to switch
    turns = np.empty((moments, 2, *go.shape[2:]))
    for k in range(moments):
        turns[k] = ready[0] + go[k, 0], ready[1] + go[k, 1]
        came, went = turns[k - dwell + 1] if k >= dwell - 1 else (never, never)
        ready = [
            np.logaddexp(ready[0] + stay[k, 0], went),
            np.logaddexp(ready[1] + stay[k, 1], came),
        ]
    ends = [ready[0] + end[0], ready[1] + end[1]]
    ends += [turns[k, s] + end[1 - s] for k in range(moments - dwell + 1, moments) for s in (0, 1)]
    log = np.logaddexp.reduce(ends)
    after = np.empty((moments + dwell, 2, *go.shape[2:]))
    after[moments - 1 :] = np.array(end)[:, np.newaxis, np.newaxis]
    for k in range(moments - 2, -1, -1):  # what follows where the load is off, on, after moment k
        for s in (0, 1):
            after[k, s] = np.logaddexp(
                after[k + 1, s] + stay[k + 1, s], go[k + 1, s] + after[k + dwell, 1 - s]
            )
    turned = np.exp(turns + after[dwell - 1 : dwell - 1 + moments, ::-1] - log)
    return log, turned[:, 0], turned[:, 1]


def _cycles(at_s: Floats, ups: Floats, downs: Floats) -> list[Cycle]:
    """Stretches that are rather on than off, and when each began and ended."""
    on = np.cumsum(ups - downs)
    state = np.concatenate([[False], on > 0.5, [False]])
    starts = np.flatnonzero(state[1:] & ~state[:-1]).tolist()
    stops = np.flatnonzero(~state[1:] & state[:-1]).tolist()
    middles = [(a + b) // 2 for a, b in zip(starts, stops, strict=True)]
    gaps = [0, *((b + c) // 2 for b, c in zip(stops[:-1], starts[1:], strict=True)), at_s.size]
    found: list[Cycle] = []
    for k, (middle, stop) in enumerate(zip(middles, stops, strict=True)):
        came = _moment(at_s, ups, gaps[k], middle + 1)
        went = None if stop >= at_s.size else _moment(at_s, downs, middle, gaps[k + 1])
        found.append((came, went))
    return found


def _moment(at_s: Floats, chance: Floats, first: int, stop: int) -> Moment:
    """Quantiles of a switching between two moments."""
    share = np.cumsum(chance[first:stop])
    at = np.interp(np.array([GUARD, 0.5, 1.0 - GUARD]) * share[-1], share, at_s[first:stop])
    return Moment(*map(float, at))


def as_explained(
    pattern: SagPattern, usable: Samples, seen: Explanation, marks: Marks, assumed: Levels
) -> Explanation:
    """What a trace's changes mean, given the cycles; what else was seen stays."""
    moments = [one for cycle in pattern.cycles for one in cycle if one is not None]
    already_on = pattern.idle_from_s is not None
    bounds = [
        pattern.idle_from_s or usable.t_s[0],
        *(one.at_s for one in moments),
        usable.t_s[-1] + 1e-6,
    ]
    plateaus = []
    for first_s, last_s in pairwise(bounds):
        part = usable.between(first_s, last_s)
        mv = float(np.median(part.mv)) if len(part) else float(np.median(usable.mv))
        plateaus.append(Plateau(float(first_s), float(last_s), mv, mv, mv, max(len(part), 1)))
    runs = tuple(
        Run(2 * k + 1, 2 * k + 1, _is_tapped(cycle, marks, assumed), 0)
        for k, cycle in enumerate(pattern.cycles)
    )
    others = tuple(
        t_s for t_s in seen.others if all(abs(t_s - one.at_s) > OTHERS_S for one in moments)
    )
    return Explanation(tuple(plateaus), runs, already_on, others, seen.noise_mv)


def _is_tapped(cycle: Cycle, marks: Marks, assumed: Levels) -> bool:
    """Whether a tap is near where a cycle begins or ends."""
    for one, taps in zip(cycle, (marks.on, marks.off), strict=True):
        if one and any(-assumed.tap_after_s < one.at_s - s < assumed.tap_before_s for s in taps):
            return True
    return False


def stages_of_pattern(
    pattern: SagPattern, usable: Samples, marks: Marks, assumed: Levels
) -> list[Stages]:
    """Readings without and with the load of each cycle, those about its switching left out."""
    found: list[Stages] = []
    # The further a sag stands out of the wander, the less of it may be left in a reading.
    early_s = EDGE_S * min(0.5 * pattern.stands_out, 1.0)
    late_s = max(SETTLES_S, assumed.rms_lag_s * pattern.stands_out)
    idle_from_s = marks.start_s
    if pattern.idle_from_s is not None:
        idle_from_s = pattern.idle_from_s + late_s
    for k, (came, went) in enumerate(pattern.cycles):
        following = pattern.cycles[k + 1 : k + 2]
        rest_s = following[0][0].from_s - early_s if following else math.inf
        idle = usable.between(idle_from_s, came.from_s - early_s)
        during = usable.between(
            came.to_s + late_s, math.inf if went is None else went.from_s - early_s
        )
        after = usable.none()
        if went is not None:
            idle_from_s = went.to_s + late_s
            after = usable.between(idle_from_s, rest_s)
        found.append(
            Stages(
                before=idle,
                during=during,
                idle=idle,
                on=during,
                after=after,
                low=usable.none(),
                on_at_s=came.at_s,
                off_at_s=None if went is None else went.at_s,
                warm=bool(found) or pattern.idle_from_s is not None,
            )
        )
    return found
