"""What must be dead and what live with the power off: one computation for all who show it.

With the onward conductors of X disconnected from its feed, all that hangs on X is dead. With a
device at X tripped, its own face is dead as well. On a ring the other side still feeds. Each
probability is over all wirings that the tests leave.
"""

from dataclasses import dataclass

import numpy as np

from meterlink.answers.wirings import Wirings
from meterlink.testlog.findings import Cut, State
from meterlink.tree.isolation import WRONG
from meterlink.tree.trees import Floats

UNSURE_BELOW = 0.8  # less than that, and a receptacle is expected to be neither


@dataclass(frozen=True, slots=True)
class Expectation:
    """What should be found at one receptacle, and how probable that is."""

    name: str
    state: State
    probability: float

    @property
    def unsure(self) -> bool:
        """Whether the tests say too little to expect anything."""
        return self.probability < UNSURE_BELOW


def dead_probabilities(wirings: Wirings, cut: Cut, at: str | None = None) -> Floats:
    """For each receptacle the probability to be dead, shape ``(n,)``.

    Args:
        wirings: What the tests leave.
        cut: What is off.
        at: Where the conductors are disconnected or the device is tripped; ``None`` for a breaker.
    """
    if cut is Cut.BREAKER_OFF:
        return 1 - wirings.absent
    if cut is Cut.OTHERS_OFF or at is None:
        return wirings.absent
    index = wirings.names.index(at)
    dead = np.clip(wirings.at_or_beyond(index), 0.0, 1.0) * (1 - wirings.absent)
    if wirings.ring is not None:
        fed_twice = np.array([wirings.on_ring(name) for name in wirings.names])
        dead = np.where(fed_twice, dead * (1 - wirings.ring.probability), dead)
    if cut is Cut.TRIPPED:
        dead[index] = 1 - WRONG
    return dead


def expectations(
    wirings: Wirings, cut: Cut = Cut.PARTED, at: str | None = None
) -> tuple[Expectation, ...]:
    """Dead ones first, most probable first; the receptacle that is opened itself left out."""
    dead = dead_probabilities(wirings, cut, at)
    found = [
        Expectation(name, State.DEAD, float(p))
        if p >= 0.5
        else Expectation(name, State.LIVE, 1 - float(p))
        for name, p in zip(wirings.names, dead, strict=True)
        if name != at or cut is Cut.TRIPPED
    ]
    return tuple(sorted(found, key=lambda e: (e.state is State.LIVE, -e.probability)))


def place_to_open(wirings: Wirings) -> str:
    """The receptacle whose onward conductors most others probably hang on; equals: the first."""
    beyond = [
        float(wirings.at_or_beyond(i).sum() * (1 - wirings.absent[i]))
        for i in range(len(wirings.names))
    ]
    return wirings.names[int(np.argmax(np.round(beyond, 6)))]
