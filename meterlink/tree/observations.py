"""Test rows as the arrays that the resolver computes with."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Verdict
from meterlink.levels.flags import Flag
from meterlink.testlog.rows import TestRow
from meterlink.tree.trees import Flags, Floats, Masks

USUAL_AMPS = 10.0  # of a heater, where nobody said; only the scale of the runs hangs on it
AMPS_REL_U = 0.004  # supply wander between tests moves a heater's current so much (common practice)
FLOOR_U_MV = 0.3  # nobody knows a drop better: contact of the probes (common practice)
USUAL_LIMIT_MV = 20.0  # jump that a person sees by eye above 5 to 15 mV of wander (common practice)
LIE_NO_CHANGE = 0.03  # a plug not home, a switch off, a lead that slipped: a few per cent
LIE_JUMP = 0.006  # something else switched just then, a load at the wrong place
LIE_FLAGGED = 0.15  # the detector noticed something that spoils tests
SUSPECT_FLAGS = frozenset(
    {Flag.FLOATING, Flag.OTHER_APPLIANCE, Flag.IDLE_MOVES, Flag.CYCLES_DIFFER, Flag.AFTER_DIFFERS}
)


@dataclass(frozen=True, slots=True)
class Observation:
    """What one test says, in numbers.

    Attributes:
        test: Row number in the log.
        hookup: How the meter was connected.
        leads: Indices of the receptacles of lead A and B (the same twice where there is no B).
        load: Index of the receptacle with the load.
        amps: Stated load current.
        drop_mv, u_mv: The drop and its standard uncertainty; ``drop_mv`` is ``None`` where only a
            jump was seen.
        lie: Probability, before any evidence, that the test does not say what it seems to.
        sag_per_mohm: Part by which the current falls for each mohm of neutral between panel and
            load (hot counted too): a heater is a resistance and gets less voltage there. 0 where
            the supply's volts are not known.
    """

    test: int
    hookup: Hookup
    leads: tuple[int, int]
    load: int
    amps: float
    drop_mv: float | None
    u_mv: float
    lie: float
    sag_per_mohm: float = 0.0


@dataclass(frozen=True, slots=True)
class Tests:
    """Observations as arrays of length ``m``; drops in mV, currents in A, runs in mohm."""

    __test__ = False

    items: tuple[Observation, ...]
    ground: Flags
    line: Flags
    lead_a: Masks
    lead_b: Masks
    load: Masks
    amps: Floats
    drop: Floats
    u: Floats
    measured: Flags
    no_change: Flags
    lie: Floats
    sag_per_mohm: Floats

    @classmethod
    def of(cls, items: Iterable[Observation]) -> "Tests":
        """Arrays of the given observations, in their order."""
        rows = tuple(items)
        drop = np.array([0.0 if o.drop_mv is None else o.drop_mv for o in rows])
        u = np.array([o.u_mv for o in rows])
        measured = np.array([o.drop_mv is not None for o in rows], dtype=bool)
        one = np.int64(1)
        return cls(
            items=rows,
            ground=np.array([o.hookup is Hookup.NEUTRAL_GROUND for o in rows], dtype=bool),
            line=np.array([o.hookup is Hookup.LINE_DROP for o in rows], dtype=bool),
            lead_a=np.array([one << o.leads[0] for o in rows], dtype=np.int64),
            lead_b=np.array(
                [0 if o.leads[1] < 0 else one << o.leads[1] for o in rows], dtype=np.int64
            ),
            load=np.array([0 if o.load < 0 else one << o.load for o in rows], dtype=np.int64),
            amps=np.array([o.amps for o in rows]),
            drop=drop,
            u=u,
            measured=measured,
            no_change=measured & (np.abs(drop) < 3 * u),
            lie=np.array([o.lie for o in rows]),
            sag_per_mohm=np.array([o.sag_per_mohm for o in rows]),
        )

    def __len__(self) -> int:
        return len(self.items)

    def places(self) -> Masks:
        """For each test the bits of all receptacles that it names."""
        return self.lead_a | self.lead_b | self.load

    def only(self, which: Flags | NDArray[np.intp]) -> "Tests":
        """A part of the tests."""
        index = np.arange(len(self))[which]
        return Tests.of(self.items[i] for i in index)

    def carrying(self, masks: Masks) -> Flags:
        """Whether a run with each mask takes part in each test, shape ``masks.shape + (m,)``.

        A run carries current where the load lies beyond it. Its drop is between the leads of
        ``neutral-neutral`` where just one of them lies beyond it too; in the other hookups where
        lead A does.
        """
        runs = masks[..., None]
        loaded = ((runs & self.load) != 0) | (self.load == 0)  # an ohmmeter's own current
        a = (runs & self.lead_a) != 0
        b = (runs & self.lead_b) != 0
        result: Flags = loaded & np.where(self.ground | self.line, a, a != b)
        return result


def observations_of(circuit: Circuit, rows: Sequence[TestRow]) -> tuple[Observation, ...]:
    """What the rows of a log say, each row once.

    Rows that say nothing (no drop measured and no jump seen) are left out.
    """
    index = {name: i for i, name in enumerate(circuit.receptacles)}
    return tuple(item for row in rows if (item := _observation(circuit, row, index)) is not None)


def _observation(circuit: Circuit, row: TestRow, index: dict[str, int]) -> Observation | None:
    """One row, or ``None`` where it says nothing."""
    setup = row.setup
    if setup.dead:
        return _dead_observation(circuit, row, index)
    amps = row.amps or circuit.load_amps or USUAL_AMPS
    limit = row.limit_mv or USUAL_LIMIT_MV
    drop = row.drop_mv
    if row.verdict is Verdict.UNCLEAR and Flag.FEW_READINGS in row.flags:
        return None  # too little was read to be a number
    if drop is not None and math.isfinite(drop):
        stated = row.drop_u_mv if row.drop_u_mv and math.isfinite(row.drop_u_mv) else limit / 1.645
        u = max(stated, FLOOR_U_MV)
    elif row.verdict is Verdict.NOT_IN_PATH:
        drop, u = 0.0, max(limit / 1.645, FLOOR_U_MV)
    elif row.verdict is Verdict.IN_PATH:
        drop, u = None, limit
    else:
        return None
    no_change = drop is not None and abs(drop) < 3 * u
    lie = LIE_NO_CHANGE if no_change else LIE_JUMP
    if SUSPECT_FLAGS.intersection(row.flags):
        lie = LIE_FLAGGED
    return Observation(
        test=row.test,
        hookup=setup.hookup,
        leads=(index[setup.lead_a], index[setup.lead_b or setup.lead_a]),
        load=index[setup.load_at],
        amps=amps,
        drop_mv=drop,
        u_mv=math.hypot(u, AMPS_REL_U * abs(drop or 0.0)),
        lie=lie,
        sag_per_mohm=2e-3 * amps / circuit.volts if circuit.volts else 0.0,
    )


def _dead_observation(circuit: Circuit, row: TestRow, index: dict[str, int]) -> Observation | None:
    """A row of the dead circuit: an ohmmeter's own ampere, or a direct source's current.

    Only neutral runs are modelled; other conductors say nothing here yet.
    """
    setup = row.setup
    if setup.side != "neutral":
        return None
    if setup.hookup.ohms:
        amps, drop, u = 1.0, row.path_mohm, row.path_u_mohm
    else:
        amps = row.amps or circuit.load_amps or USUAL_AMPS
        drop, u = row.drop_mv, row.drop_u_mv
    if drop is None or not math.isfinite(drop) or not u:
        return None
    return Observation(
        test=row.test,
        hookup=setup.hookup,
        leads=(index[setup.lead_a], -1 if setup.lead_b is None else index[setup.lead_b]),
        load=index[setup.load_at] if setup.load_at else -1,
        amps=amps,
        drop_mv=abs(drop),
        u_mv=math.hypot(max(u, FLOOR_U_MV), AMPS_REL_U * drop),
        lie=LIE_JUMP,
    )
