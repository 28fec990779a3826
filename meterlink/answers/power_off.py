"""What must be dead and what live with the power off: one computation for all who show it.

With the onward conductors of X disconnected from its feed, all that hangs on X is dead. With a
device at X tripped, its own face is dead as well. On a ring the other side still feeds. Each
probability is over all wirings that the tests leave.
"""

from dataclasses import dataclass

import numpy as np

from meterlink.answers.wirings import Wirings, has_bits
from meterlink.testlog.findings import AT_A_RECEPTACLE, Cut, State
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


def dead_probabilities(wirings: Wirings, cut: Cut, at: str | None = None) -> tuple[Floats, Floats]:
    """For each receptacle the probability to be dead, and to be live, each of shape ``(n,)``.

    They add up to less than 1 where something that is not modelled may be behind the tests.

    Args:
        wirings: What the tests leave.
        cut: What is off.
        at: Where the conductors are disconnected or the device is tripped; ``None`` for a breaker.
    """
    if cut in AT_A_RECEPTACLE and at is not None:
        beyond = wirings.clades[:, wirings.names.index(at)]
    else:
        beyond = wirings.on_circuit()
        beyond = beyond if cut is Cut.BREAKER_OFF else ~beyond
    flags = has_bits(beyond, len(wirings.names))
    dead, live = wirings.probability @ flags, wirings.probability @ ~flags
    if cut is Cut.TRIPPED and at is not None:
        wrong = wirings.assumptions.outliers.finding
        dead[wirings.names.index(at)], live[wirings.names.index(at)] = 1 - wrong, wrong
    return dead, live


def expectations(
    wirings: Wirings, cut: Cut = Cut.DISCONNECTED, at: str | None = None
) -> tuple[Expectation, ...]:
    """Dead ones first, most probable first; the receptacle that is opened itself left out."""
    dead, live = dead_probabilities(wirings, cut, at)
    found = [
        Expectation(name, State.DEAD, min(float(p), 1.0))
        if p >= q
        else Expectation(name, State.LIVE, min(float(q), 1.0))
        for name, p, q in zip(wirings.names, dead, live, strict=True)
        if name != at or cut is Cut.TRIPPED
    ]
    return tuple(sorted(found, key=lambda e: (e.state is State.LIVE, -e.probability)))


def place_to_open(wirings: Wirings) -> str:
    """The receptacle whose onward conductors most others probably hang on; equals: the first."""
    beyond = wirings.probability @ np.bitwise_count(wirings.clades)
    return wirings.names[int(np.argmax(np.round(beyond, 6)))]
