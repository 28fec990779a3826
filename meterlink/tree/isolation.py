"""What was found with the power off or a device opened, as evidence for the wiring.

With the onward conductors of a receptacle parted from its feed, whatever is dead hangs on it and
whatever is live does not. With this circuit's breaker off, whatever is live is on another one. A
finding speaks of who feeds whom alone, so its probability is a function of the tree's masks and
multiplies the weight of each tree.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from meterlink.testlog.findings import Cut, Finding, State
from meterlink.tree.trees import Flags, Floats, Masks

WRONG = 0.01  # another box opened than written down, a tester read wrongly (common practice)
NAMED = 0.5  # a finding is named when it is more probably wrong than right


@dataclass(frozen=True, slots=True)
class Isolation:
    """Findings as pairs of receptacles.

    Attributes:
        pairs: For each looked-at pair its ``(parted at, looked at)`` indices and the log of how
            much more probable the finding is where the first feeds the second.
    """

    pairs: tuple[tuple[int, int, float], ...] = ()

    @classmethod
    def of(cls, findings: Iterable[Finding], names: Sequence[str]) -> "Isolation":
        """The findings of parted conductors; the same thing found twice counts once."""
        index = {name: i for i, name in enumerate(names)}
        seen = {
            (index[f.at], index[f.receptacle], f.state)
            for f in findings
            if f.cut is Cut.PARTED and f.at in index and f.receptacle in index
        }
        ratio = float(np.log((1 - WRONG) / WRONG))
        return cls(
            tuple(
                (at, looked, ratio if state is State.DEAD else -ratio)
                for at, looked, state in sorted(seen)
                if at != looked
            )
        )

    def log_weight(self, masks: Masks) -> Floats:
        """Log probability of the findings on each tree, up to a constant, shape ``(trees,)``.

        Pairs of which a tree does not have both receptacles yet say nothing.
        """
        total = np.zeros(len(masks))
        for at, looked, log_ratio in self.pairs:
            total += np.where(feeds(masks, at, looked), log_ratio / 2, -log_ratio / 2) * (
                has(masks, at) & has(masks, looked)
            )
        return total


def has(masks: Masks, receptacle: int) -> Flags:
    """Which trees have a receptacle."""
    result: Flags = np.asarray(((masks >> receptacle) & 1).any(axis=1))
    return result


def feeds(masks: Masks, upper: int, lower: int) -> Flags:
    """On which trees one receptacle feeds another, shape ``(trees,)``."""
    with_upper = np.where((masks >> upper) & 1, masks, np.iinfo(np.int64).max)
    own = with_upper.min(axis=1)  # nested masks: the smallest number is the inner one
    result: Flags = ((own >> lower) & 1) != 0
    return result


def elsewhere(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Receptacles found not to be on this circuit, by the last finding on each."""
    last: dict[str, bool] = {}
    for finding in findings:
        if finding.cut is not Cut.PARTED:
            off = finding.cut is Cut.BREAKER_OFF
            last[finding.receptacle] = (finding.state is State.LIVE) == off
    return tuple(name for name, away in last.items() if away)


def belonging(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Receptacles found to be on this circuit, by the last finding on each."""
    away = set(elsewhere(findings))
    looked = dict.fromkeys(f.receptacle for f in findings if f.cut is not Cut.PARTED)
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
        if finding.cut is not Cut.PARTED or finding.at is None:
            continue
        key = (finding.at, finding.receptacle, finding.state)
        fed = float(relation[index[finding.at], index[finding.receptacle]])
        wrong = 1 - fed if finding.state is State.DEAD else fed
        if wrong > NAMED and key not in said:
            said.add(key)
            does = "does not feed" if finding.state is State.DEAD else "feeds"
            notes.append(
                f"{finding.receptacle} was found {finding.state} with the onward conductors of "
                f"{finding.at} parted; everything else says that {finding.at} {does} it "
                f"({100 * min(wrong, 0.999):.1f} %). Look again whether it was that box and that "
                "breaker."
            )
    return tuple(notes)
