"""Weighted wirings, as every answer starts from them, and what must be dead with the power off.

With the onward conductors of X disconnected from its feed, all that hangs on X is dead. With a
device at X tripped, its own face is dead as well. On a ring the other side still feeds. Each
probability is over all wirings that the tests leave.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from meterlink.assumptions import USUAL, Assumptions
from meterlink.circuit.circuit import Circuit
from meterlink.testlog.columns import TestRow
from meterlink.testlog.findings import AT_A_RECEPTACLE, Cut, Finding, State
from meterlink.tree.hypotheses import Kind
from meterlink.tree.infer import Posterior, infer
from meterlink.tree.posterior import best_tree, fed
from meterlink.tree.resolve import map_of
from meterlink.tree.trees import Flags, Floats, Masks
from meterlink.tree.wiring import Loop, WiringMap

BONDED = "ground-bonded"  # condition that makes a ground-fault device trip
PROBABLE = 0.5


@dataclass(frozen=True, slots=True)
class Wirings:
    """The wirings that the tests leave, each with its condition and probability.

    Attributes:
        names: Of the receptacles.
        probability: Of each wiring, shape ``(K,)``; less than 1 in all where something that is not
            modelled may be behind the tests.
        masks: Receptacles beyond each run of each wiring as bits, shape ``(K, E)``, zero for none.
        ring_runs: Which runs are part of a ring, so that a break there makes nothing dead.
        clades: For each wiring and receptacle, what it feeds and itself as bits, ``(K, n)``: on a
            ring only its spurs, and nothing for a receptacle of another circuit.
        closed: Which wirings have a ring, shape ``(K,)``.
        best: Row of the most probable one.
        untested: Receptacles that no test has touched.
        ring: The second path, where one is more probable than any tree.
        bonded: Receptacles whose ground is probably bonded to the neutral.
        explained: Nothing is known that contradicts all of these wirings.
        assumptions: What was taken for granted.
    """

    names: tuple[str, ...]
    probability: Floats
    masks: Masks
    ring_runs: Flags
    clades: Masks
    closed: Flags
    best: int
    untested: frozenset[str]
    ring: Loop | None = None
    bonded: tuple[str, ...] = ()
    explained: bool = True
    assumptions: Assumptions = USUAL

    @classmethod
    def of(cls, posterior: Posterior, wiring_map: WiringMap) -> Self:
        """The wirings of a posterior and of the map that was made from it."""
        h, names = posterior.ensemble.hypotheses, posterior.circuit.receptacles
        closed = h.kind == Kind.CLOSED
        return cls(
            names=names,
            probability=posterior.ensemble.weights * (1 - posterior.unexplained),
            masks=h.on_circuit,
            ring_runs=(h.between() != 0) & closed[:, None],
            clades=fed(h, len(names)),
            closed=closed,
            best=best_tree(posterior.ensemble, posterior.orders),
            untested=frozenset(wiring_map.untested),
            ring=wiring_map.loop,
            bonded=tuple(
                str(one.at)
                for one in wiring_map.conditions
                if one.name == BONDED and one.probability >= PROBABLE
            ),
            explained=wiring_map.explained,
            assumptions=posterior.assumptions,
        )

    @property
    def absent(self) -> Floats:
        """For each receptacle the probability not to be on this circuit, shape ``(n,)``."""
        away: Floats = self.probability @ (self.clades == 0)
        return away

    @property
    def all_bits(self) -> int:
        """Every receptacle, as bits."""
        return (1 << len(self.names)) - 1

    def bits(self, names: Sequence[str]) -> int:
        """Receptacles as bits."""
        return sum(1 << self.names.index(name) for name in set(names))

    def named(self, mask: int) -> tuple[str, ...]:
        """Bits as names, in the order of the circuit."""
        return tuple(name for i, name in enumerate(self.names) if mask >> i & 1)

    def on_ring(self, name: str) -> bool:
        """Whether a receptacle is fed from both sides."""
        return self.ring is not None and name in self.ring.order

    def away(self) -> tuple[str, ...]:
        """Receptacles that are probably on another circuit."""
        return tuple(n for n, p in zip(self.names, self.absent, strict=True) if p >= PROBABLE)

    def on_circuit(self) -> Masks:
        """For each wiring the receptacles that are on this circuit, as bits, shape ``(K,)``."""
        bits = np.int64(1) << np.arange(len(self.names), dtype=np.int64)
        here: Masks = ((self.clades != 0) * bits).sum(axis=1)
        return here


@dataclass(frozen=True, slots=True)
class Known:
    """Everything that a log says: the map and the wirings behind it."""

    wiring_map: WiringMap
    wirings: Wirings


def known_of(
    circuit: Circuit,
    rows: Sequence[TestRow],
    findings: Sequence[Finding] = (),
    *,
    assumptions: Assumptions = USUAL,
) -> Known:
    """Resolve a log once for the map and for every answer. See ``infer`` for errors."""
    posterior = infer(circuit, rows, findings=findings, assumptions=assumptions)
    wiring_map = map_of(posterior, rows)
    return Known(wiring_map, Wirings.of(posterior, wiring_map))


def has_bits(masks: Masks, n: int) -> Flags:
    """Bits of numbers as flags, shape ``(..., n)``."""
    bits = np.int64(1) << np.arange(n, dtype=np.int64)
    flags: Flags = (masks[..., None] & bits) != 0
    return flags


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
