"""Weighted wirings, as every answer starts from them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from meterlink.assumptions import USUAL, Assumptions
from meterlink.circuit.circuit import Circuit
from meterlink.testlog.findings import Finding
from meterlink.testlog.rows import TestRow
from meterlink.tree.infer import Posterior, infer
from meterlink.tree.posterior import best_tree, fed
from meterlink.tree.resolve import map_of
from meterlink.tree.trees import Flags, Floats, Masks
from meterlink.tree.wiring import Loop, WiringMap

# names of conditions that answers hang on
ABSENT, BONDED, SECOND_PATH = "not-on-circuit", "ground-bonded", "second-path"
PROBABLE = 0.5


@dataclass(frozen=True, slots=True)
class Wirings:
    """The wirings that the tests leave, each with its probability.

    Attributes:
        names: Of the receptacles.
        probability: Of each wiring, shape ``(K,)``.
        masks: Receptacles beyond each run of each wiring as bits, shape ``(K, E)``, zero for none.
        clades: For each wiring and receptacle, what it feeds and itself as bits, ``(K, n)``.
        best: Row of the most probable one.
        untested: Receptacles that no test has touched.
        absent: For each receptacle the probability that it is not on this circuit, shape ``(n,)``.
        ring: The second path, where one is more probable than any tree.
        second_path: Probability of a second path, known or not.
        bonded: Receptacles whose ground is probably bonded to the neutral.
        explained: Nothing is known that contradicts all of these wirings.
    """

    names: tuple[str, ...]
    probability: Floats
    masks: Masks
    clades: Masks
    best: int
    untested: frozenset[str]
    absent: Floats
    ring: Loop | None = None
    second_path: float = 0.0
    bonded: tuple[str, ...] = ()
    explained: bool = True

    @classmethod
    def of(cls, posterior: Posterior, wiring_map: WiringMap) -> Self:
        """The wirings of a posterior and of the map that was made from it."""
        names = posterior.circuit.receptacles
        conditions = wiring_map.conditions
        absent = {c.at: c.probability for c in conditions if c.name == ABSENT}
        second = [c.probability for c in conditions if c.name == SECOND_PATH]
        second += [wiring_map.loop.probability] if wiring_map.loop else []
        return cls(
            names=names,
            probability=posterior.ensemble.weights * (1 - posterior.unexplained),
            masks=posterior.ensemble.masks,
            clades=fed(posterior.ensemble.hypotheses, len(names)),
            best=best_tree(posterior.ensemble, posterior.orders),
            untested=frozenset(wiring_map.untested),
            absent=np.array([absent.get(name, 0.0) for name in names]),
            ring=wiring_map.loop,
            second_path=max(second, default=0.0),
            bonded=tuple(
                c.at for c in conditions if c.name == BONDED and c.at and c.probability >= PROBABLE
            ),
            explained=wiring_map.explained,
        )

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

    def at_or_beyond(self, index: int) -> Floats:
        """For each receptacle the probability to be at or beyond one of them, shape ``(n,)``."""
        return self.probability @ has_bits(self.clades[:, index], len(self.names))


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
