"""Which changes in a trace are the load, and which readings belong to idle, on and after.

The trace says what happened, the taps only say about when. Every plateau of the trace gets a state,
off or on, such that the whole is most plausible: steps of the load have one size, up when it comes
and down when it goes; taps are near them; a test begins and ends without load; whatever else
changes is somebody else's appliance, or a joint that moves. The best states are found exactly
(dynamic programming over the plateaus, once for each size of a step that the trace has).
"""

from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np

from meterlink.assumptions import USUAL, Levels
from meterlink.levels.changes import (
    FEW,
    STEP_SDS,
    Changes,
    Plateau,
    Switching,
    find_switching,
    first_sign,
    near_level,
    settled,
)
from meterlink.levels.statistics import Floats, difference_sd, display_sd
from meterlink.levels.trace import Marks, Samples
from meterlink.levels.two_settings import by_setting

MOST_CYCLES = 12  # that are measured; more would hardly better the answer
SIZES = 6  # of steps that are tried as the load's

QUIET_MOST = 0.25  # of a jump: a reading further from the level before has left it
ON_QUIET_SHARE = 0.01  # of the jump: a reading that is lower by more has begun to fall
EDGE_S = 0.3  # a reading tells of what was so long ago


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch with the load on, by the plateaus from ``first`` to ``last``.

    Attributes:
        tapped: A tap is near its begin or its end.
        restless: Sudden changes within it.
    """

    first: int
    last: int
    tapped: bool
    restless: int


@dataclass(frozen=True, slots=True)
class Explanation:
    """What the changes of a trace mean.

    Attributes:
        plateaus: Of the trace.
        runs: Stretches with the load on that begin within the test.
        already_on: The load was on when the test began, and went off.
        others: Times of sudden changes that are not the load's.
        noise_mv: Spread of a block about a small level.
    """

    plateaus: tuple[Plateau, ...]
    runs: tuple[Run, ...] = ()
    already_on: bool = False
    others: tuple[float, ...] = ()
    noise_mv: float = 0.0

    @property
    def is_on(self) -> bool:
        """Whether the load is on at the end."""
        return bool(self.runs) and self.runs[-1].last == len(self.plateaus) - 1


@dataclass(frozen=True, slots=True)
class _Steps:
    """The changes between plateaus, as the search needs them: shape (n - 1,) each."""

    size: Floats
    other: Floats  # cost of a change that is not the load's
    comes: Floats  # cost of its time, as the load's coming
    goes: Floats  # ... and going
    sudden: list[bool]


def explain(
    changes: Changes, marks: Marks, *, line: bool, signed: bool, assumed: Levels = USUAL.levels
) -> Explanation:
    """Find which changes are the load's.

    Args:
        changes: All changes of the test.
        marks: Its taps.
        line: The readings are the supply's volts, which the load takes down.
        signed: The readings have a sign; the load may take them either way.
        assumed: Priors.
    """
    plateaus = changes.plateaus
    if len(plateaus) < 2:
        return Explanation(plateaus, others=changes.odd_s, noise_mv=changes.noise_mv)
    steps = _steps(plateaus, marks, assumed)
    largest = np.unique(np.abs(steps.size))[::-1][:SIZES]
    best, states = _taps_left(marks, [False] * len(plateaus), steps, assumed), None
    against = (0.0, 0.0) if signed else (assumed.rises, 0.0) if line else (0.0, assumed.falls)
    for size, (sign, odd) in product(largest, zip((1.0, -1.0), against, strict=True)):
        cost, found = _best_states(steps, sign * float(size), marks, assumed)
        cost += odd + _taps_left(marks, found, steps, assumed)
        if cost < best and any(found):
            best, states = cost, found
    if marks.has_settings and states is not None:  # from setting to setting is no surprise
        for k, (a, b) in enumerate(pairwise(states)):
            if a and b and steps.comes[k] < assumed.odd_tap:
                steps.sudden[k] = False
    return _explanation(changes, states or [False] * len(plateaus), steps, assumed)


def _steps(plateaus: tuple[Plateau, ...], marks: Marks, assumed: Levels) -> _Steps:
    pairs = list(pairwise(plateaus))
    size = np.array([b.head_mv - a.tail_mv for a, b in pairs])
    whole = np.array([b.mv - a.mv for a, b in pairs])
    sudden = [bool(abs(s) >= 0.5 * abs(w) and s * w > 0) for s, w in zip(size, whole, strict=True)]
    times = [(a.last_s, b.first_s) for a, b in pairs]
    return _Steps(
        size=size,
        other=np.where(sudden, assumed.other_change, assumed.slow_change),
        comes=np.array([_lag_cost(*t, marks.on_s, assumed, bool(marks.off)) for t in times]),
        goes=np.array([_lag_cost(*t, marks.off, assumed, bool(marks.on)) for t in times]),
        sudden=sudden,
    )


def _lag_cost(
    before_s: float, after_s: float, taps: list[float], assumed: Levels, has_others: bool
) -> float:
    """Cost of a switch between two times, given the taps for it."""
    if not taps:
        return assumed.ended_on if has_others else 0.0
    return min(_one_lag(before_s - tap, after_s - tap, assumed) for tap in taps)


def _one_lag(from_s: float, to_s: float, assumed: Levels) -> float:
    """Cost of a lag, known to be between two times, of the switch behind its tap."""
    if from_s > assumed.tap_before_s or to_s < -assumed.tap_after_s:
        return assumed.no_tap
    if from_s > assumed.late_s:
        return assumed.odd_tap * from_s / assumed.tap_before_s
    return -assumed.odd_tap * to_s / assumed.tap_after_s if to_s < -assumed.early_s else 0.0


def _best_states(
    steps: _Steps, size: float, marks: Marks, assumed: Levels
) -> tuple[float, list[bool]]:
    """States of all plateaus at least cost, if the load's step is ``size``.

    The states are off, on, and on since before the test, in which case nobody tapped.
    """
    ratio = steps.size / size
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(np.abs(ratio))
        off_by = 0.5 * (logs / assumed.size_log_sd) ** 2
    up = np.where(ratio > 0, off_by, np.inf)
    down = np.where(ratio < 0, off_by, np.inf)
    same = steps.other + assumed.larger_change * np.maximum(logs, 0.0)
    moves = np.where(
        np.abs(ratio) < assumed.joint_share, np.minimum(same, assumed.joint_moves), same
    )
    if marks.has_settings:  # a smaller step first, and one more while it is on
        up = np.where((ratio > 0) & (ratio < 1.0), 0.0, up)
        moves = np.where(steps.comes < assumed.odd_tap, np.minimum(moves, steps.comes), moves)
    cost = np.array([0.0, np.inf, assumed.already_on])
    came: list[tuple[int, int, int]] = []
    for k in range(steps.size.size):
        off = (cost[0] + same[k], cost[1] + down[k] + steps.goes[k], cost[2] + down[k])
        on = (cost[0] + up[k] + steps.comes[k], cost[1] + moves[k], np.inf)
        came.append((int(np.argmin(off)), int(np.argmin(on)), 2))
        cost = np.array([min(off), min(on), cost[2] + moves[k]])
    cost[1:] += _end_cost(marks, assumed)
    state = int(np.argmin(cost))
    total, states = float(cost[state]), [state]
    for back in reversed(came):
        state = back[state]
        states.append(state)
    return total, [bool(state) for state in reversed(states)]


def _end_cost(marks: Marks, assumed: Levels) -> float:
    """Cost of a load that is on at the end."""
    if marks.ends_off:
        long = marks.now_s - marks.off[-1] > assumed.tap_before_s
        return assumed.still_on if long else assumed.ended_on
    return 0.0 if marks.on else assumed.ended_on


def _taps_left(marks: Marks, states: list[bool], steps: _Steps, assumed: Levels) -> float:
    """Cost of taps without a switch, and of everything that is not the load's if nothing is."""
    turns = np.diff(np.array(states, dtype=np.int8))
    ups = int(((turns > 0) & (steps.comes < assumed.no_tap)).sum())
    downs = int(((turns < 0) & (steps.goes < assumed.no_tap)).sum())
    wanted = len(marks.pairs())
    left = max(wanted - ups, 0) + max(min(len(marks.off), wanted) - downs, 0)
    return assumed.no_switch * left + (0.0 if any(states) else float(steps.other.sum()))


def _explanation(
    changes: Changes, states: list[bool], steps: _Steps, assumed: Levels
) -> Explanation:
    plateaus, turns = changes.plateaus, list(pairwise(states))
    runs: list[Run] = []
    first: int | None = None
    for k, on in enumerate([*states, False]):
        if on and first is None:
            first = k
        elif not on and first is not None:
            if first > 0:
                ends = [steps.comes[first - 1]] + ([steps.goes[k - 1]] if k < len(states) else [])
                moved = sum(steps.sudden[first : k - 1])
                runs.append(Run(first, k - 1, min(ends) < assumed.no_tap, moved))
            first = None
    others = [
        0.5 * (plateaus[k].last_s + plateaus[k + 1].first_s)
        for k, (a, b) in enumerate(turns)
        if a == b and steps.sudden[k]
    ]
    return Explanation(
        plateaus, tuple(runs), states[0], (*others, *changes.odd_s), changes.noise_mv
    )


@dataclass(frozen=True, slots=True)
class Stages:
    """The usable readings of one on/off cycle by stage.

    Attributes:
        before: Everything usable before the load, settled or not.
        during: Everything usable with the load on, once the meter has settled.
        idle, on, after: Settled readings; may be empty.
        low: With the load on at its lower setting, where a test has two; may be empty.
        on_at_s, off_at_s: When the jump and the fall were seen, ``None`` where not.
        moved: Sudden changes with the load on.
        warm: The load had run just before: its current starts no higher.
    """

    before: Samples
    during: Samples
    idle: Samples
    on: Samples
    after: Samples
    low: Samples
    on_at_s: float | None = None
    off_at_s: float | None = None
    moved: int = 0
    warm: bool = False


def stages_of_runs(
    samples: Samples,
    usable: Samples,
    seen: Explanation,
    marks: Marks,
    *,
    line: bool,
    assumed: Levels = USUAL.levels,
) -> list[Stages]:
    """Sort the readings about each run into stages.

    Args:
        samples: Everything of the test.
        usable: Those with a value, strays left out.
        seen: What its changes mean; each run has a plateau before it.
        marks: For the settings.
        line: The levels are the supply.
        assumed: How a meter follows.
    """
    found: list[Stages] = []
    idle_from_s = marks.start_s
    for run in seen.runs[-MOST_CYCLES:]:
        before, first, last = (seen.plateaus[k] for k in (run.first - 1, run.first, run.last))
        idle_from_s = max(idle_from_s, before.first_s)
        jump = abs(first.head_mv - before.tail_mv)
        rise = find_switching(usable, before, first, QUIET_MOST * jump)
        rise = first_sign(samples, rise, assumed)
        rest = seen.plateaus[run.last + 1] if run.last + 1 < len(seen.plateaus) else None
        fall = None if rest is None else _fall(usable, last, rest, jump, line=line, assumed=assumed)
        end_s = marks.now_s if fall is None else fall.quiet_s
        off_s = usable.t_s[-1] + 1.0 if fall is None else fall.quiet_s + 1e-6 - EDGE_S
        idle_stop_s = max(rise.moved_s - EDGE_S, min(idle_from_s + EDGE_S, rise.moved_s))
        idle = usable.between(idle_from_s, idle_stop_s)
        on_from_s = rise.at_s + min(assumed.meter_lag_s, 0.45 * max(end_s - rise.at_s, 0.0))
        during = usable.between(on_from_s, max(off_s, on_from_s + EDGE_S))
        during, low = by_setting(during, usable, seen, run, marks, idle_from_s, assumed)
        after = usable.none()
        if fall is not None and rest is not None:
            noise = max(difference_sd(idle.mv), display_sd(usable.display_mv), 1e-6)
            idle_from_s = fall.moved_s + _fall_s(jump / noise, rest.last_s - fall.moved_s, assumed)
            after = usable.between(idle_from_s, rest.last_s + 1e-6)
        found.append(
            Stages(
                before=idle,
                during=during,
                idle=settled(idle, line=line, assumed=assumed),
                on=near_level(during, line=line, assumed=assumed),
                after=settled(after, line=line, assumed=assumed),
                low=near_level(low, line=line, assumed=assumed),
                on_at_s=rise.at_s,
                off_at_s=None if fall is None else fall.at_s,
                moved=run.restless,
                warm=bool(found) or seen.already_on,
            )
        )
    return found


def _fall_s(jump_in_noise: float, room_s: float, assumed: Levels) -> float:
    """How long a meter takes to sink to the level after the load, within the time there is."""
    lag_s = assumed.fall_lag_s * float(np.log(max(jump_in_noise, np.e)))
    return min(max(lag_s, 1.0), assumed.longest_fall_s, max(0.5 * room_s, 0.5))


def stages_of_taps(usable: Samples, marks: Marks, *, line: bool, assumed: Levels) -> list[Stages]:
    """Stages where no jump stands out: the taps are taken at their word.

    Only readings outside the time in which a jump could usually have come are used.
    """
    found: list[Stages] = []
    from_s = marks.start_s
    pairs = marks.pairs()[-MOST_CYCLES:]
    for k, (on_s, off_s) in enumerate(pairs):
        stop_s = pairs[k + 1][0] if k + 1 < len(pairs) else marks.now_s + 1e-6
        wait_s = assumed.late_s + assumed.meter_lag_s
        before = usable.between(from_s, max(on_s - assumed.early_s, from_s))
        last_s = off_s if off_s >= marks.now_s else off_s - assumed.early_s
        during = usable.between(min(on_s + wait_s, 0.5 * (on_s + off_s)), last_s + 1e-6)
        if len(during) < FEW:
            during = usable.between(on_s, off_s + 1e-6)
        from_s = min(off_s + wait_s, 0.5 * (off_s + stop_s))
        after = usable.between(from_s, stop_s)
        found.append(
            Stages(
                before=before,
                during=during,
                idle=settled(before, line=line, assumed=assumed),
                on=near_level(during, line=line, assumed=assumed),
                after=after if len(after) >= 3 else usable.none(),
                low=usable.none(),
            )
        )
    return found


def _fall(
    usable: Samples, high: Plateau, low: Plateau, jump: float, *, line: bool, assumed: Levels
) -> Switching:
    """When the load went off."""
    tail = usable.between(high.last_s - 3.0, high.last_s - EDGE_S)
    quiet = max(
        STEP_SDS * difference_sd(tail.mv),
        2.0 * tail.display_mv,
        ON_QUIET_SHARE * jump,
        0.5 * assumed.line_step_share * abs(high.tail_mv) if line else 0.0,
    )
    quiet = min(quiet, QUIET_MOST * abs(low.head_mv - high.tail_mv))
    return find_switching(usable, high, low, quiet)
