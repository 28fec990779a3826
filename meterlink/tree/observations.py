"""Test rows as the arrays that the resolver computes with.

Every reading is a sum of runs: a lead counts the runs on its way from the panel (lead B against
lead A), a load the runs that its current takes; a run counts where both say so, with the sign of
the two. An ohmmeter sends its own ampere from lead to lead. Which conductors the leads are on
(neutral, hot, ground) and whether the source is in front is said beside it.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np
from numpy.typing import NDArray

from meterlink.assumptions import USUAL, Assumptions, Outliers
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels.drop import drop_modes
from meterlink.levels.test_flags import Flag
from meterlink.testlog.columns import TestRow
from meterlink.tree.trees import Flags, Floats, Masks

USUAL_AMPS = USUAL.meter.amps
SUSPECT_FLAGS = frozenset(
    {
        Flag.FLOATING,
        Flag.OTHER_APPLIANCE,
        Flag.IDLE_MOVES,
        Flag.CYCLES_DIFFER,
        Flag.AFTER_DIFFERS,
        Flag.RESTLESS_JOINT,
        Flag.LOAD_CUT_OUT,
    }
)
LOG_ROOT_2_PI = 0.9189385332046727
SIDES = ("neutral", "hot", "ground")
LARGEST_MV, MOST_AMPS = 1e6, 1e4  # what is beyond is no reading of a house

Mode = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Observation:
    """What one test says, in numbers.

    Attributes:
        test: Row number in the log.
        hookup: How the meter was connected.
        leads: Receptacles of lead A and B as indices; ``None`` for B where there is none.
        load: Receptacle with the load; ``None`` where an ohmmeter sends its own current.
        amps: Stated load current; 1 for ohms, whose drop is in mohm.
        drop_mv, u_mv: The drop and its standard uncertainty; ``drop_mv`` is ``None`` where only a
            jump was seen, ``u_mv`` then the limit.
        modes: Drop, uncertainty and weight of each value that an idle reading of unknown phase
            leaves possible; empty where there is just ``drop_mv``.
        no_change, jump: Probability, before any evidence, that the test shows no change or some
            jump whatever the wiring.
        sides: Conductors of which it sees the runs.
        source: The supply's impedance is in front (``line-drop``).
        signed: The drop has a sign (direct current).
        sag_per_mohm: Part by which the current falls for each mohm of neutral between panel and
            load (hot counted too): a heater is a resistance and gets less voltage there. 0 where
            the supply's volts are not known.
        back: Receptacle where a direct source's current comes back out; ``None`` for the panel.
    """

    test: int
    hookup: Hookup
    leads: tuple[int, int | None]
    load: int | None
    amps: float
    drop_mv: float | None
    u_mv: float
    no_change: float = USUAL.outliers.no_change
    jump: float = USUAL.outliers.jump
    modes: tuple[Mode, ...] = ()
    sides: tuple[str, ...] = ("neutral",)
    source: bool = False
    signed: bool = False
    sag_per_mohm: float = 0.0
    back: int | None = None

    @property
    def saw_no_change(self) -> bool:
        """Whether the reading is one of no drop."""
        return self.drop_mv is not None and abs(self.drop_mv) < 3 * self.u_mv


@dataclass(frozen=True, slots=True)
class Tests:
    """Observations as arrays of length ``m``; drops in mV, currents in A, runs in mohm.

    Attributes:
        lead_a, lead_b, load, back: Bits of the receptacles of the leads, of the load, and of where
            its current goes back; 0 is the panel.
        grounded_at: Receptacle whose ground contact the test used, -1 for none.
        sides: Whether it sees neutral, hot and ground, ``(m, 3)``.
        drop, u: Of the heaviest mode.
        modes, modes_u, log_modes: Drops, uncertainties and log weights, ``(m, modes)``.
        log_still, log_jump: Log density of the reading as one of no change, or of a jump of any
            size, with the probability of either before any evidence.
        log_void: Log density of the reading where the test says nothing of the wiring.
        log_away: The same of a receptacle of another circuit with its own load: it makes a jump.
        log_inlier: Log probability that the test is no outlier.
    """

    __test__ = False

    items: tuple[Observation, ...]
    lead_a: Masks
    lead_b: Masks
    load: Masks
    back: Masks
    grounded_at: NDArray[np.intp]
    sides: Floats
    source: Flags
    signed: Flags
    amps: Floats
    sag_per_mohm: Floats
    drop: Floats
    u: Floats
    modes: Floats
    modes_u: Floats
    log_modes: Floats
    measured: Flags
    no_change: Flags
    log_inlier: Floats
    log_still: Floats
    log_jump: Floats
    log_void: Floats
    log_away: Floats
    eye_width: float = field(default=USUAL.outliers.eye_width)

    @classmethod
    def of(cls, items: Iterable[Observation], outliers: Outliers = USUAL.outliers) -> "Tests":
        """Arrays of the given observations, in their order."""
        rows = tuple(items)
        drop = np.array([0.0 if o.drop_mv is None else o.drop_mv for o in rows])
        u = np.array([o.u_mv for o in rows])
        measured = np.array([o.drop_mv is not None for o in rows], dtype=bool)
        modes = [o.modes or ((0.0 if o.drop_mv is None else o.drop_mv, o.u_mv, 1.0),) for o in rows]
        width = max([1, *map(len, modes)])
        padded = [[*one, *[(*one[0][:2], 0.0)] * (width - len(one))] for one in modes]
        table = np.array(padded, dtype=np.float64).reshape(len(rows), width, 3)
        values, spreads = table[:, :, 0], table[:, :, 1]
        with np.errstate(divide="ignore"):
            log_modes = np.log(table[:, :, 2]) - np.log(table[:, :, 2].sum(axis=1, keepdims=True))
            still, jump = (
                np.log(np.array([getattr(o, name) for o in rows])) for name in ("no_change", "jump")
            )
        at_zero = -0.5 * (values / spreads) ** 2 - np.log(spreads) - LOG_ROOT_2_PI
        log_still = np.where(measured, np.logaddexp.reduce(log_modes + at_zero, axis=1), -np.inf)
        decades = np.log(outliers.jump_most_mv / outliers.jump_least_mv)
        size, least = np.abs(drop), outliers.jump_least_mv
        shows = -np.logaddexp(0.0, -1.702 * (size - least) / u)  # normal, by its logistic match
        any_size = np.where(measured, shows - np.log(np.maximum(size, least) * decades), 0.0)
        both = np.logaddexp(log_still, any_size)
        own = np.array([o.load is not None and o.load in o.leads for o in rows], dtype=bool)
        rates = np.exp(still), np.exp(jump)
        away = both - np.log(2)
        for place in {o.load for o, is_own in zip(rows, own, strict=True) if is_own}:
            at = own & np.array([o.load == place for o in rows], dtype=bool)
            part = log_still[at], any_size[at], rates[0][at], rates[1][at]
            away[at] = _own_load(*part, outliers.own_still)
        return cls(
            items=rows,
            lead_a=_bits(o.leads[0] for o in rows),
            lead_b=_bits(o.leads[1] if o.leads[1] != o.leads[0] else None for o in rows),
            load=_bits(o.leads[0] if o.load is None else o.load for o in rows),
            back=_bits(o.leads[1] if o.load is None else o.back for o in rows),
            grounded_at=np.array(
                [o.leads[0] if o.hookup is Hookup.NEUTRAL_GROUND else -1 for o in rows],
                dtype=np.intp,
            ),
            sides=np.array(
                [[side in o.sides for side in SIDES] for o in rows], dtype=np.float64
            ).reshape(len(rows), 3),
            source=np.array([o.source for o in rows], dtype=bool),
            signed=np.array([o.signed for o in rows], dtype=bool),
            amps=np.array([o.amps for o in rows]),
            sag_per_mohm=np.array([o.sag_per_mohm for o in rows]),
            drop=drop,
            u=u,
            modes=values,
            modes_u=spreads,
            log_modes=log_modes,
            measured=measured,
            no_change=np.array([o.saw_no_change for o in rows], dtype=bool),
            log_inlier=np.log1p(-np.minimum(np.exp(still) + np.exp(jump), 0.999)),
            log_still=still + log_still,
            log_jump=jump + any_size,
            log_void=both - np.log(2),
            log_away=away,
            eye_width=outliers.eye_width,
        )

    def __len__(self) -> int:
        return len(self.items)

    @property
    def number(self) -> NDArray[np.int64]:
        """Number of each in the log; 0 for a test that nobody has done yet."""
        return np.array([o.test for o in self.items], dtype=np.int64)

    @property
    def log_outlier(self) -> Floats:
        """Log density of each reading as an outlier, with the probability of being one."""
        result: Floats = np.logaddexp(self.log_still, self.log_jump)
        return result

    def places(self) -> Masks:
        """For each test the bits of all receptacles that it names."""
        return self.lead_a | self.lead_b | self.load | self.back

    def only(self, which: Flags | NDArray[np.intp]) -> "Tests":
        """A part of the tests."""
        index = np.arange(len(self))[which]
        parts = {
            one.name: getattr(self, one.name)[index]
            for one in fields(self)
            if one.name not in ("items", "eye_width")
        }
        return replace(self, items=tuple(self.items[i] for i in index), **parts)

    @property
    def likely_modes(self) -> Floats:
        """Drops at least half as probable as the likeliest, else infinite, ``(m, 1 or modes)``."""
        likely = self.log_modes > self.log_modes.max(axis=1, keepdims=True) - np.log(2)
        if len(self) and (likely.sum(axis=1) > 1).any():
            return np.where(likely, self.modes, np.inf)
        return self.drop[:, None]

    def leaning(self, way: int) -> "Tests":
        """The same where a fit starts from each test's largest likely drop, or its smallest.

        Args:
            way: 1 for the largest, -1 for the smallest.
        """
        likely = self.likely_modes
        at = np.where(np.isfinite(likely), way * likely, -np.inf).argmax(axis=1)[:, None]
        drop, u = (np.take_along_axis(x, at, axis=1)[:, 0] for x in (self.modes, self.modes_u))
        return replace(self, drop=drop, u=u, no_change=np.abs(drop) < 3 * u)

    def levelled(self) -> "Tests":
        """The same where a fit starts from the mean of each test's likely drops.

        Each counts as little as these differ, so that what is certain decides between them.
        """
        share = np.where(np.isfinite(self.likely_modes), np.exp(self.log_modes), 0.0)
        share /= share.sum(axis=1, keepdims=True)
        drop = (share * self.modes).sum(axis=1)
        off = self.modes - drop[:, None]
        u = np.sqrt((share * (self.modes_u**2 + off**2)).sum(axis=1))
        return replace(self, drop=drop, u=u, no_change=np.abs(drop) < 3 * u)

    def lead(self, masks: Masks) -> Floats:
        """How each run counts on the leads: 1 before A, -1 before B; ``masks.shape + (m,)``."""
        return _signed(masks, self.lead_a, self.lead_b)

    def current(self, masks: Masks) -> Floats:
        """Part of the current that takes each run, signed; ``masks.shape + (m,)``."""
        return _signed(masks, self.load, self.back)

    def carrying(self, masks: Masks) -> Flags:
        """Whether a run with each mask takes part in each test, shape ``masks.shape + (m,)``."""
        result: Flags = (self.lead(masks) * self.current(masks)) != 0
        return result


def _signed(masks: Masks, plus: Masks, minus: Masks) -> Floats:
    """1 where runs lead to one place, -1 where to the other, ``masks.shape + (m,)``."""
    sign = on_way(masks, plus)
    return sign - on_way(masks, minus) if minus.any() else sign


def on_way(masks: Masks, places: Masks) -> Floats:
    """1 where a run leads to a place, given as bit, else 0; ``masks.shape + (m,)``."""
    different, index = np.unique(places, return_inverse=True)
    leads_there: Floats = ((masks[..., None] & different) != 0).astype(np.float64)[..., index]
    return leads_there


def _own_load(
    log_still: Floats, any_size: Floats, no_change: Floats, jump: Floats, own_still: float
) -> Floats:
    """Log density of each reading at a receptacle of another circuit with its own load on.

    Whether that load moves the readings there is not known, but is the same in all tests: each
    reading counts given those before it.

    Args:
        log_still: Log density of each reading as one of no change, shape ``(k,)``.
        any_size: The same as a jump of any size.
        no_change: Probability of each test to show no change by mistake.
        jump: ... and a jump.
        own_still: Probability, before all, that the readings stand still.
    """
    with np.errstate(divide="ignore"):
        stands = np.logaddexp(np.log1p(-jump) + log_still, np.log(jump) + any_size)
        moves = np.logaddexp(np.log1p(-no_change) + any_size, np.log(no_change) + log_still)
        so_far = np.logaddexp(
            np.log(own_still) + np.cumsum(stands), np.log1p(-own_still) + np.cumsum(moves)
        )
    return np.diff(so_far, prepend=0.0)


def _bits(places: Iterable[int | None]) -> Masks:
    """A bit for each place, 0 for none."""
    return np.array([0 if p is None else 1 << p for p in places], dtype=np.int64)


def observations_of(
    circuit: Circuit, rows: Sequence[TestRow], assumptions: Assumptions = USUAL
) -> tuple[Observation, ...]:
    """What the rows of a log say, each row once.

    Rows that say nothing (no drop measured and no jump seen) are left out.
    """
    index = {name: i for i, name in enumerate(circuit.receptacles)}
    found = (_observation(circuit, row, index, assumptions) for row in rows)
    return tuple(item for item in found if item is not None)


def planned(
    circuit: Circuit, setups: Iterable[Setup], assumptions: Assumptions = USUAL
) -> list[Observation]:
    """Tests that nobody has done yet, without figures."""
    amps = min(circuit.load_amps or assumptions.meter.amps, MOST_AMPS)
    index = {name: i for i, name in enumerate(circuit.receptacles)}
    return [_geometry(circuit, s, index, 1.0 if s.hookup.ohms else amps) for s in setups]


def _geometry(circuit: Circuit, setup: Setup, index: dict[str, int], amps: float) -> Observation:
    """Where leads and load are, and what they see."""
    line = setup.hookup is Hookup.LINE_DROP
    live = ("neutral", "hot") if line else ("neutral",)
    drawn = circuit.volts and not setup.dead
    return Observation(
        test=0,
        hookup=setup.hookup,
        leads=(index[setup.lead_a], None if setup.lead_b is None else index[setup.lead_b]),
        load=index[setup.load_at] if setup.load_at else None,
        amps=amps,
        drop_mv=0.0,
        u_mv=1.0,
        sides=tuple(setup.side.split("+")) if setup.dead else live,
        source=line,
        signed=setup.dead and not setup.hookup.ohms,
        sag_per_mohm=min(2e-3 * amps / circuit.volts, 1e-2) if drawn and circuit.volts else 0.0,
        back=index[setup.return_at] if setup.return_at else None,
    )


def _observation(
    circuit: Circuit, row: TestRow, index: dict[str, int], assumptions: Assumptions
) -> Observation | None:
    """One row, or ``None`` where it says nothing."""
    meter, outliers = assumptions.meter, assumptions.outliers
    setup = row.setup
    if row.verdict is Verdict.UNCLEAR and Flag.FEW_READINGS in row.flags:
        return None  # too little was read to be a number
    ohms = setup.hookup.ohms
    amps = 1.0 if ohms else min(row.amps or circuit.load_amps or meter.amps, MOST_AMPS)
    drop, stated = (row.path_mohm, row.path_u_mohm) if ohms else (row.drop_mv, row.drop_u_mv)
    limit = min(row.limit_mv or meter.limit_mv, LARGEST_MV)
    if drop is not None and math.isfinite(drop) and abs(drop) <= LARGEST_MV:
        u = stated if stated and math.isfinite(stated) and stated > 0 else limit / 1.645
    elif ohms:
        return None
    elif row.verdict is Verdict.NOT_IN_PATH:
        drop, u = 0.0, limit / 1.645
    elif row.verdict is Verdict.IN_PATH:
        drop, u = None, limit
    else:
        return None
    wrong = outliers.misnamed / 2
    rates = outliers.no_change + wrong, outliers.jump + wrong
    if SUSPECT_FLAGS.intersection(row.flags):
        rates = outliers.flagged, outliers.flagged
    if Flag.LOAD_UNPROVEN in row.flags:  # nobody knows that the load ran
        rates = outliers.flagged * 2, rates[1]
    u = max(u, meter.floor_u_mv)
    meshed = outliers.meshed_rel_u if setup.dead and "ground" in setup.side else 0.0
    u = min(math.hypot(u, meter.amps_rel_u * (drop or 0.0), meshed * (drop or 0.0)), LARGEST_MV)
    geometry = _geometry(circuit, setup, index, amps)
    modes: tuple[Mode, ...] = ()
    if geometry.signed and drop:  # leads or clips may be swapped
        modes = ((drop, u, 1 - outliers.swapped), (-drop, u, outliers.swapped))
    modes = modes or _modes(circuit, row, assumptions)
    if modes:  # a fit starts from the heaviest
        # of equals, to ground, from the larger: the load is heavier than what opposes it; between
        # neutrals from the smaller: on a chain all currents run the same way
        likelier = 1 if setup.hookup is Hookup.NEUTRAL_GROUND else -1
        drop, u, _ = max(modes, key=lambda mode: (round(mode[2], 6), likelier * mode[0]))
    return replace(
        geometry,
        test=row.test,
        drop_mv=drop,
        u_mv=u,
        no_change=rates[0],
        jump=rates[1],
        modes=modes,
    )


def _modes(circuit: Circuit, row: TestRow, assumptions: Assumptions) -> tuple[Mode, ...]:
    """What the unknown phase of the idle reading leaves possible; empty where there is one value.

    Older rows, and typed ones without the uncertainty of their levels, have just their drop.
    """
    idle, on, level_u = row.idle_mv, row.on_mv, row.level_u_mv
    magnitudes = row.setup.hookup in (Hookup.NEUTRAL_NEUTRAL, Hookup.NEUTRAL_GROUND)
    if not magnitudes or row.setup.dead or circuit.signed or row.setting == "low+high":
        return ()
    if idle is None or on is None or level_u is None or row.drop_mv is None:
        return ()
    if not all(math.isfinite(x) and abs(x) <= LARGEST_MV for x in (idle, on, level_u)):
        return ()
    meter, hookup = assumptions.meter, row.setup.hookup
    found = drop_modes(hookup, idle, on, level_u_mv=level_u, assumptions=assumptions)
    return tuple(
        (
            mode.drop_mv,
            math.hypot(max(mode.u_mv, meter.floor_u_mv), meter.amps_rel_u * mode.drop_mv),
            mode.weight,
        )
        for mode in found
    )
