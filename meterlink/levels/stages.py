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
from meterlink.levels.statistics import Floats, difference_sd, display_sd
from meterlink.levels.trace import (
    FEW,
    STEP_SDS,
    Changes,
    Marks,
    Plateau,
    Samples,
    Switching,
    find_switching,
    first_sign,
    near_level,
    settled,
)
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


def explain(
    changes: Changes, marks: Marks, against: tuple[float, float], assumed: Levels = USUAL.levels
) -> Explanation:
    """Find which changes are the load's.

    Args:
        changes: All changes of the test.
        marks: Its taps.
        against: What speaks against a load that takes the readings up, and down, in nats.
        assumed: Priors.
    """
    steps = _Steps(changes.plateaus, marks, assumed)
    best, states = steps.taps_left(steps.none_on), steps.none_on
    largest = np.unique(np.abs(steps.size))[::-1][:SIZES]
    for size, (sign, odd) in product(largest, zip((1.0, -1.0), against, strict=True)):
        cost, found = steps.best_states(sign * float(size))
        cost += odd + steps.taps_left(found)
        if cost < best and any(found):
            best, states = cost, found
    return steps.explained(states, changes)


class _Steps:
    """The changes between plateaus, arrays of shape (n - 1,), as the search needs them."""

    def __init__(self, plateaus: tuple[Plateau, ...], marks: Marks, assumed: Levels) -> None:
        self._marks, self._assumed = marks, assumed
        pairs = list(pairwise(plateaus))
        whole = np.array([b.mv - a.mv for a, b in pairs])
        self.none_on = [False] * len(plateaus)
        self.size = np.array([b.head_mv - a.tail_mv for a, b in pairs])
        self._sudden = (np.abs(self.size) >= 0.5 * np.abs(whole)) & (self.size * whole > 0)
        # what a change costs that is not the load's, and its time as the load's coming and going
        self._other = np.where(self._sudden, assumed.other_change, assumed.slow_change)
        before_s, after_s = (
            np.array([a.last_s for a, _ in pairs]),
            np.array([b.first_s for _, b in pairs]),
        )
        self._comes = lag_costs(before_s, after_s, marks.on, bool(marks.off), assumed)
        self._goes = lag_costs(before_s, after_s, marks.off, bool(marks.on), assumed)

    def best_states(self, size: float) -> tuple[float, list[bool]]:
        """States of all plateaus at least cost, if the load's step is ``size``.

        The states are off, on, and on since before the test, in which case nobody tapped.
        """
        one, ratio = self._assumed, self.size / size
        with np.errstate(divide="ignore", invalid="ignore"):
            logs = np.log(np.abs(ratio))
            off_by = 0.5 * (logs / one.size_log_sd) ** 2
        up, down = (np.where(sign * ratio > 0, off_by, np.inf) for sign in (1.0, -1.0))
        same = self._other + one.larger_change * np.maximum(logs, 0.0)
        joint = np.where(np.abs(ratio) < one.joint_share, one.joint_moves, np.inf)
        moves = np.minimum(same, joint)
        if any(self._marks.settings):  # a smaller step first, and one more while it is on
            up = np.where((ratio > 0) & (ratio < 1.0), 0.0, up)
            moves = np.where(self._comes < one.odd_tap, np.minimum(moves, self._comes), moves)
        cost = np.array([0.0, np.inf, one.already_on])
        came: list[tuple[int, int, int]] = []
        for k in range(ratio.size):
            off = (cost[0] + same[k], cost[1] + down[k] + self._goes[k], cost[2] + down[k])
            on = (cost[0] + up[k] + self._comes[k], cost[1] + moves[k], np.inf)
            came.append((int(np.argmin(off)), int(np.argmin(on)), 2))
            cost = np.array([min(off), min(on), cost[2] + moves[k]])
        cost[1:] += self._end_cost()
        states = [int(np.argmin(cost))]
        for back in reversed(came):
            states.append(back[states[-1]])
        return float(cost.min()), [bool(state) for state in reversed(states)]

    def _end_cost(self) -> float:
        """Cost of a load that is on at the end."""
        one, marks = self._assumed, self._marks
        if marks.ends_off and marks.now_s - marks.off[-1] > one.tap_before_s:
            return one.still_on
        return 0.0 if marks.on and not marks.ends_off else one.ended_on

    def taps_left(self, states: list[bool]) -> float:
        """Cost of taps without a switch, and of all that is not the load's if nothing is."""
        turns, no_tap = np.diff(np.array(states, dtype=np.int8)), self._assumed.no_tap
        ups = int(((turns > 0) & (self._comes < no_tap)).sum())
        downs = int(((turns < 0) & (self._goes < no_tap)).sum())
        wanted = len(self._marks.pairs())
        left = max(wanted - ups, 0) + max(min(len(self._marks.off), wanted) - downs, 0)
        return self._assumed.no_switch * left + (0.0 if any(states) else float(self._other.sum()))

    def explained(self, states: list[bool], changes: Changes) -> Explanation:
        """What the states say of the changes."""
        one, plateaus, on = self._assumed, changes.plateaus, np.array(states, dtype=bool)
        stays, sudden = on[1:] == on[:-1], self._sudden
        if any(self._marks.settings):  # from setting to setting is no surprise
            sudden = sudden & ~(stays & on[1:] & (self._comes < one.odd_tap))
        turns = np.flatnonzero(np.diff([0, *states, 0])).tolist()
        runs = []
        for first, stop in zip(turns[::2], turns[1::2], strict=True):
            if first > 0:  # the cost of its coming, and of its going if it went
                ends = (self._comes[first - 1], *self._goes[stop - 1 : stop])
                moved = int(sudden[first : stop - 1].sum())
                runs.append(Run(first, stop - 1, bool(min(ends) < one.no_tap), moved))
        others = [
            0.5 * (plateaus[k].last_s + plateaus[k + 1].first_s)
            for k in np.flatnonzero(stays & sudden)
        ]
        already_on = bool(on[:1].any())
        odd = (*others, *changes.odd_s)
        return Explanation(plateaus, tuple(runs), already_on, odd, changes.noise_mv)


def lag_costs(
    before_s: Floats, after_s: Floats, taps: list[float], has_others: bool, assumed: Levels
) -> Floats:
    """Cost of switches, each known to be between two times, of shape (n,), given the taps."""
    if not taps:
        return np.full(before_s.size, assumed.ended_on if has_others else 0.0)
    from_s, to_s = (times[:, np.newaxis] - np.array(taps) for times in (before_s, after_s))
    late = np.where(from_s > assumed.late_s, from_s / assumed.tap_before_s, 0.0)
    early = np.where(to_s < -assumed.early_s, -to_s / assumed.tap_after_s, 0.0)
    never = (from_s > assumed.tap_before_s) | (to_s < -assumed.tap_after_s)
    costs = np.where(never, assumed.no_tap, assumed.odd_tap * np.maximum(late, early))
    least: Floats = costs.min(axis=1)
    return least


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
    samples: Samples, usable: Samples, seen: Explanation, marks: Marks, assumed: Levels
) -> list[Stages]:
    """Sort the readings about each run into stages.

    Args:
        samples: Everything of the test.
        usable: Those with a value, strays left out.
        seen: What its changes mean; each run has a plateau before it.
        marks: For the settings.
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
        idle_stop_s = max(rise.moved_s - EDGE_S, min(idle_from_s + EDGE_S, rise.moved_s))
        idle = usable.between(idle_from_s, idle_stop_s)
        after, fall, after_from_s = usable.none(), None, idle_from_s
        end_s, off_s = marks.now_s, usable.t_s[-1] + 1.0
        if run.last + 1 < len(seen.plateaus):
            rest = seen.plateaus[run.last + 1]
            fall = _fall(usable, last, rest, jump, assumed)
            end_s, off_s = fall.quiet_s, fall.quiet_s + 1e-6 - EDGE_S
            # how long a meter takes to sink to the level after, within the time there is
            noise = max(difference_sd(idle.mv), display_sd(usable.display_mv), 1e-6)
            lag_s = assumed.fall_lag_s * float(np.log(max(jump / noise, np.e)))
            room_s = max(0.5 * (rest.last_s - fall.moved_s), 0.5)
            after_from_s = fall.moved_s + min(max(lag_s, 1.0), assumed.longest_fall_s, room_s)
            after = usable.between(after_from_s, rest.last_s + 1e-6)
        on_from_s = rise.at_s + min(assumed.meter_lag_s, 0.45 * max(end_s - rise.at_s, 0.0))
        during = usable.between(on_from_s, max(off_s, on_from_s + EDGE_S))
        during, low = by_setting(during, usable, seen, run, marks, idle_from_s, assumed)
        idle_from_s = after_from_s
        kept = (settled(idle, assumed), near_level(during, assumed), settled(after, assumed))
        seen_s = (rise.at_s, fall.at_s if fall else None)
        warm = bool(found) or seen.already_on
        low = near_level(low, assumed)
        found.append(Stages(idle, during, *kept, low, *seen_s, run.restless, warm))
    return found


def stages_of_taps(usable: Samples, marks: Marks, assumed: Levels) -> list[Stages]:
    """Stages where no jump stands out: the taps are taken at their word.

    Only readings outside the time in which a jump could usually have come are used.
    """
    found: list[Stages] = []
    from_s, wait_s = marks.start_s, assumed.late_s + assumed.meter_lag_s
    pairs = marks.pairs()[-MOST_CYCLES:]
    starts = [on_s for on_s, _ in pairs] + [marks.now_s + 1e-6]
    for (on_s, off_s), stop_s in zip(pairs, starts[1:], strict=True):
        before = usable.between(from_s, max(on_s - assumed.early_s, from_s))
        last_s = off_s if off_s >= marks.now_s else off_s - assumed.early_s
        during = usable.between(min(on_s + wait_s, 0.5 * (on_s + off_s)), last_s + 1e-6)
        if len(during) < FEW:
            during = usable.between(on_s, off_s + 1e-6)
        from_s = min(off_s + wait_s, 0.5 * (off_s + stop_s))
        idle, on = settled(before, assumed), near_level(during, assumed)
        after = usable.between(from_s, stop_s)
        found.append(Stages(before, during, idle, on, after, usable.none()))
    return found


def _fall(usable: Samples, high: Plateau, low: Plateau, jump: float, assumed: Levels) -> Switching:
    """When the load went off."""
    tail = usable.between(high.last_s - 3.0, high.last_s - EDGE_S)
    quiet = max(
        STEP_SDS * difference_sd(tail.mv),
        2.0 * tail.display_mv,
        ON_QUIET_SHARE * jump,
        0.5 * assumed.line_step_share * abs(high.tail_mv),
    )
    quiet = min(quiet, QUIET_MOST * abs(low.head_mv - high.tail_mv))
    return find_switching(usable, high, low, quiet)
