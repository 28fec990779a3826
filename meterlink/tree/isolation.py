"""Evidence that is in no drop: what was found with the power off, and idle readings of the ground.

With the onward conductors of a receptacle disconnected from its feed, whatever is dead hangs on it
and whatever is live does not. With a device tripped by its test button, whatever is dead hangs on
its load terminals; what is live does not, or nothing hangs on them because the onward conductors
are joined to the line side. With this circuit's breaker off, whatever is live is on another one. A
finding speaks of who feeds whom alone, so its probability is a function of the tree's masks and
multiplies the weight of each tree.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from meterlink.assumptions import USUAL, Assumptions
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup
from meterlink.levels.test_flags import Flag
from meterlink.testlog.columns import TestRow
from meterlink.testlog.findings import AT_A_RECEPTACLE, Cut, Finding, State
from meterlink.tree.trees import Flags, Floats, Masks

NAMED = 0.5  # a finding is named when it is more probably wrong than right


@dataclass(frozen=True, slots=True)
class Isolation:
    """Findings as pairs of receptacles.

    Attributes:
        pairs: For each looked-at pair the indices of where it was cut and where looked at, and
            the log of how much more probable the finding is where the first feeds the second.
        presses: For each device that was tripped its index and what was found at others: index
            and whether it was dead.
        wrong: Probability of a finding to be wrong.
        load_terminals_used: That a device protects what it feeds.
    """

    pairs: tuple[tuple[int, int, float], ...] = ()
    presses: tuple[tuple[int, tuple[tuple[int, bool], ...]], ...] = ()
    wrong: float = USUAL.outliers.finding
    load_terminals_used: float = USUAL.faults.load_terminals_used

    @classmethod
    def of(
        cls,
        findings: Iterable[Finding],
        names: Sequence[str],
        assumptions: Assumptions = USUAL,
    ) -> "Isolation":
        """What was found at a receptacle; the same thing found twice counts once."""
        index = {name: i for i, name in enumerate(names)}
        seen = sorted(
            {
                (f.cut, index[f.at], index[f.receptacle], f.state is State.DEAD)
                for f in findings
                if f.at in index and f.receptacle in index and f.at != f.receptacle
            }
        )
        wrong = assumptions.outliers.finding
        ratio = float(np.log((1 - wrong) / wrong))
        looks: dict[int, list[tuple[int, bool]]] = {}
        for cut, at, looked, dead in seen:
            if cut is Cut.TRIPPED:
                looks.setdefault(at, []).append((looked, dead))
        return cls(
            tuple(
                (at, looked, ratio if dead else -ratio)
                for cut, at, looked, dead in seen
                if cut is Cut.DISCONNECTED
            ),
            tuple((at, tuple(found)) for at, found in looks.items()),
            wrong,
            assumptions.faults.load_terminals_used,
        )

    def log_weight(self, masks: Masks, away: int | None = None) -> Floats:
        """Log probability of the findings on each tree, up to a constant, shape ``(trees,)``.

        Pairs of which a tree does not have both receptacles yet say nothing; a receptacle that is
        ``away``, on another circuit, feeds none and is fed by none.
        """
        total = np.zeros(len(masks))
        for at, looked, log_ratio in self.pairs:
            there = _there(masks, at, away) & _there(masks, looked, away)
            total += np.where(feeds(masks, at, looked), log_ratio / 2, -log_ratio / 2) * there
        for at, found in self.presses:
            total += self._log_press(masks, at, found, away)
        return total

    def _log_press(
        self, masks: Masks, at: int, found: tuple[tuple[int, bool], ...], away: int | None
    ) -> Floats:
        """Log probability of what a tripped device made dead, on each tree."""
        right, wrong = np.log(1 - self.wrong), np.log(self.wrong)
        used, unused = np.zeros((2, len(masks)))
        for looked, dead in found:
            there = _there(masks, at, away) & _there(masks, looked, away)
            used += np.where(feeds(masks, at, looked) == dead, right, wrong) * there
            unused += (wrong if dead else right) * there
        result: Floats = np.logaddexp(
            np.log(self.load_terminals_used) + used, np.log1p(-self.load_terminals_used) + unused
        )
        return result


def _there(masks: Masks, receptacle: int, away: int | None) -> Flags:
    """On which trees it is known where a receptacle is."""
    return np.ones(len(masks), dtype=bool) if receptacle == away else has(masks, receptacle)


def has(masks: Masks, receptacle: int) -> Flags:
    """Which trees have a receptacle."""
    result: Flags = np.asarray(((masks >> receptacle) & 1).any(axis=1))
    return result


def feeds(masks: Masks, upper: int, lower: int) -> Flags:
    """On which trees one receptacle feeds another, shape ``(trees,)``."""
    with_upper = np.where((masks >> upper) & 1, masks, np.iinfo(np.int64).max)
    own = with_upper.min(axis=1)  # nested masks: the smallest number is the inner one
    result: Flags = (((own >> lower) & 1) != 0) & has(masks, upper)
    return result


def elsewhere(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Receptacles found not to be on this circuit, by the last finding on each."""
    last: dict[str, bool] = {}
    for finding in findings:
        if finding.cut not in AT_A_RECEPTACLE:
            off = finding.cut is Cut.BREAKER_OFF
            last[finding.receptacle] = (finding.state is State.LIVE) == off
    return tuple(name for name, away in last.items() if away)


def belonging(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Receptacles found to be on this circuit, by the last finding on each."""
    away = set(elsewhere(findings))
    looked = dict.fromkeys(f.receptacle for f in findings if f.cut not in AT_A_RECEPTACLE)
    return tuple(name for name in looked if name not in away)


def finding_notes(
    findings: Sequence[Finding], names: Sequence[str], relation: Floats
) -> tuple[str, ...]:
    """Sentences on findings that the tests or other findings contradict.

    Args:
        findings: All of them.
        names: Of the receptacles.
        relation: Probability that one feeds another after tests and findings, shape ``(n, n)``.
    """
    index = {name: i for i, name in enumerate(names)}
    notes = [
        f"{name} was found to be on another circuit. Take it out of job.toml; tests that used it "
        "say nothing about this circuit's wiring. If it was live with this breaker off, two "
        "circuits reach that room: prove every conductor dead before work."
        for name in elsewhere(findings)
    ]
    said: set[tuple[str, str, State]] = set()
    for finding in findings:
        if finding.at is None or (finding.at, finding.receptacle, finding.state) in said:
            continue
        fed = float(relation[index[finding.at], index[finding.receptacle]])
        if note := _contradiction(finding, fed):
            said.add((finding.at, finding.receptacle, finding.state))
            notes.append(note)
    return tuple(notes)


def _contradiction(finding: Finding, fed: float) -> str:
    """What to say of a finding that everything else contradicts; empty where nothing does.

    Args:
        finding: Something found with a device opened or tripped.
        fed: Probability that this device feeds the receptacle that was looked at.
    """
    at, name, dead = finding.at, finding.receptacle, finding.state is State.DEAD
    tripped = finding.cut is Cut.TRIPPED
    if at == name:
        return (
            f"{name} stayed live with its own device tripped: another device was pressed, or this "
            "one does not switch off what it feeds. Do not rely on it; have it replaced."
            if tripped and not dead
            else ""
        )
    wrong = 1 - fed if dead else fed
    if wrong <= NAMED:
        return ""
    sure = f"({100 * min(wrong, 0.999):.1f} %)"
    if tripped and not dead:
        return (
            f"{name} was found live with the device at {at} tripped, though {at} feeds it {sure}: "
            f"it is wired to the line side there, so that device does not protect {name}; or the "
            "map is wrong."
        )
    cut = f"the device at {at} tripped" if tripped else f"{at} disconnected from what it feeds"
    does = "does not feed" if dead else "feeds"
    return (
        f"{name} was found {finding.state} with {cut}; everything else says that {at} {does} it "
        f"{sure}. Look again whether it was that box and that breaker."
    )


def no_ground_log_odds(
    circuit: Circuit, rows: Sequence[TestRow], assumptions: Assumptions = USUAL
) -> Floats:
    """Log odds, for each receptacle, that it has no ground contact: what idle readings say.

    Connected leads pick up some millivolts, or show the current of other appliances; without
    ground contact the reading is anything up to tens of volts and mostly restless.
    """
    meter, conditions = assumptions.meter, assumptions.conditions
    low, high = meter.floating_mv
    result = []
    for name in circuit.receptacles:
        stated = name in circuit.no_ground or not circuit.grounded
        prior = conditions.no_ground_stated if stated else conditions.no_ground
        odds = math.log(prior / (1 - prior))
        here = [
            row
            for row in rows
            if row.setup.hookup is Hookup.NEUTRAL_GROUND and row.setup.lead_a == name
        ]
        levels = [abs(r.idle_mv) for r in here if r.idle_mv and math.isfinite(r.idle_mv)]
        if levels:
            log = math.log(max(float(np.median(levels)), 0.1))
            sound = (1 - meter.current_share) * _normal(log, meter.pickup_mv, meter.pickup_log_sd)
            sound += meter.current_share * _normal(log, meter.current_mv, meter.current_log_sd)
            # a floating lead may be quiet by chance: one in fifty
            free = 0.98 / math.log(high / low) if math.log(low) <= log <= math.log(high) else 0.0
            free += 0.02 * sound
            odds += math.log(free / max(sound, 1e-12))
        if here:
            flagged = sum(Flag.FLOATING in r.flags for r in here) > len(here) / 2
            seen, false = meter.floating_flag, meter.false_floating_flag
            odds += math.log(seen / false if flagged else (1 - seen) / (1 - false))
        result.append(min(max(odds, -20.0), 20.0))
    return np.array(result)


def _normal(log: float, median: float, sd: float) -> float:
    """Density of a log at a log-normal's."""
    return math.exp(-0.5 * ((log - math.log(median)) / sd) ** 2) / (sd * 2.5066282746310002)
