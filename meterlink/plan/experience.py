"""What the log has shown of each hookup: how well it tells a drop, and where it tells nothing.

A hookup that came out unclear is forecast as what it was. With the same leads the idle level stays
the same from test to test while nothing else switches, and with it what it leaves open in a drop.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median

from meterlink.assumptions import USUAL, Assumptions, Meter
from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels.drop import LIMIT_IN_U
from meterlink.levels.line_drop import u_with_cycles
from meterlink.levels.test_flags import Flag
from meterlink.testlog.columns import TestRow

SAME_TEST, SAME_LEADS = 2, 3  # equal results after which a test, or its leads, tell no more
FEW_ROWS = 2  # of a hookup, from which on they say more than what is usual; of the supply's
# wander one does, for each switching in it is a measurement of its own
HALF_SHOWN = 0.5

_Leads = tuple[Hookup, frozenset[str], str]


def leads_of(setup: Setup) -> _Leads:
    """The leads of a test, whatever the load."""
    return setup.hookup, frozenset(setup.leads), setup.side


@dataclass(frozen=True)
class Experience:
    """What the rows of a log say of the hookups in them.

    Attributes:
        circuit: For the load and the supply.
        assumed: What is usual where the log says nothing.
        by_leads: Rows with the same leads.
        by_hookup: Rows with the same hookup.
    """

    circuit: Circuit
    assumed: Assumptions
    by_leads: dict[_Leads, list[TestRow]] = field(default_factory=lambda: defaultdict(list))
    by_hookup: dict[Hookup, list[TestRow]] = field(default_factory=lambda: defaultdict(list))

    @property
    def meter(self) -> Meter:
        """Noise that is usual."""
        return self.assumed.meter

    @classmethod
    def of(
        cls, circuit: Circuit, rows: Sequence[TestRow], assumptions: Assumptions = USUAL
    ) -> "Experience":
        """What some rows say."""
        known = cls(circuit, assumptions)
        for row in rows:
            known.by_leads[leads_of(row.setup)].append(row)
            known.by_hookup[row.setup.hookup].append(row)
        return known

    def tells_nothing(self, setup: Setup) -> bool:
        """Whether the log shows that a test cannot tell: it, or others on its leads, could not."""
        rows = self.by_leads.get(leads_of(setup), [])
        told = self.was_unclear(setup) or self.stood_still(setup) or self.left_open(setup)
        return told or _all_unclear(rows, SAME_LEADS)

    def _same(self, setup: Setup) -> list[TestRow]:
        rows = self.by_leads.get(leads_of(setup), [])
        return [row for row in rows if row.setup.load_at == setup.load_at]

    def was_unclear(self, setup: Setup) -> bool:
        """Whether a test itself was done often enough to show that it cannot tell."""
        return _all_unclear(self._same(setup), SAME_TEST)

    def stood_still(self, setup: Setup) -> bool:
        """Whether a test was done often enough to show that nothing moves there."""
        same = [row.verdict for row in self._same(setup)]
        return len(same) >= SAME_TEST and set(same) == {Verdict.NOT_IN_PATH}

    def left_open(self, setup: Setup) -> bool:
        """Whether a test was done often enough beside another's current, which it adds to or not.

        Which of the two it does is the same every time, until that appliance is unplugged.
        """
        same, last = self._same(setup), self.by_hookup[Hookup.NEUTRAL_GROUND][-1:]
        gone = bool(last) and not self._beside_current(last[0])
        return len(same) >= SAME_TEST and not gone and all(map(self._beside_current, same))

    def _beside_current(self, row: TestRow) -> bool:
        """Whether an idle reading is another appliance's current (of a supply it is the supply)."""
        of_neutral = row.setup.hookup in (Hookup.NEUTRAL_NEUTRAL, Hookup.NEUTRAL_GROUND)
        large = row.idle_mv is not None and abs(row.idle_mv) >= self.meter.large_idle_mv
        return of_neutral and large and Flag.FLOATING not in row.flags

    def shortest_sag_mv(self) -> float:
        """What the load makes over hot and neutral of the shortest run."""
        amps = self.circuit.load_amps or self.assumed.meter.amps
        return 2 * amps * self.assumed.runs.shortest_mohm

    def u_mv(self, setup: Setup, cycles: int = 1) -> tuple[float, float]:
        """Standard uncertainty to come in mV (mohm of an ohmmeter): of a jump, and of none."""
        if setup.hookup.ohms:
            u = self._usual(setup, [row.path_u_mohm for row in self.by_hookup[setup.hookup]])
            return u, u
        if setup.hookup is Hookup.LINE_DROP:
            return (self._sag_u_mv(setup, cycles),) * 2
        rows = self.by_leads.get(leads_of(setup), []) or self.by_hookup[setup.hookup]
        jumps = [_sharp(row, self.meter) for row in rows if row.verdict is Verdict.IN_PATH]
        still = [
            row.limit_mv / LIMIT_IN_U
            for row in rows
            if row.limit_mv and row.verdict is not Verdict.IN_PATH
        ]
        jump = self._usual(setup, [u for u in jumps if u])
        return jump, median(still) if still else min(jump, self._still())

    def _sag_u_mv(self, setup: Setup, cycles: int) -> float:
        """The same of a sag, by as many cycles."""
        levels = self.assumed.levels
        rows = [row for row in self.by_hookup[setup.hookup] if row.drop_u_mv]
        sag_mv = median([abs(row.drop_mv or 0.0) for row in rows]) if rows else 0.0
        each = [
            u_with_cycles(row.drop_u_mv or 0.0, sag_mv, 1 / (row.cycles or 1), levels)
            for row in rows
        ]
        return u_with_cycles(self._usual(setup, each), sag_mv, cycles, levels)

    def _usual(self, setup: Setup, seen: Sequence[float | None]) -> float:
        """Median of what was seen, or what is usual where too little was."""
        known = [u for u in seen if u]
        if len(known) >= (1 if setup.hookup is Hookup.LINE_DROP else FEW_ROWS):
            return max(median(known), self.meter.floor_u_mv)
        if setup.hookup.ohms:
            return self.meter.ohms_u_mohm
        if self.circuit.load_kind is LoadKind.DIRECT_SOURCE or setup.dead:
            return self.meter.direct_u_mv
        if setup.hookup is Hookup.LINE_DROP:
            return self.meter.supply_rel_u * 1e3 * (self.circuit.volts or 120.0)
        return self.meter.pickup_u_mv

    def _still(self) -> float:
        dead = self.circuit.load_kind is LoadKind.DIRECT_SOURCE
        return self.meter.direct_u_mv if dead else self.meter.no_jump_u_mv

    def advice(self, *, one_place: bool = False) -> tuple[str, ...]:
        """What would help where the tests so far tell little, in sentences.

        Args:
            one_place: The load is only where the leads are.
        """
        rows = [row for rows in self.by_hookup.values() for row in rows]
        found = []
        large = [row.idle_mv or 0.0 for row in rows if self._beside_current(row)]
        if rows and len(large) >= HALF_SHOWN * len(rows):
            found.append(
                f"Idle readings are about {median(map(abs, large)):.0f} mV: something else on the "
                "circuit draws current. Unplug or switch off what you can, then repeat."
            )
        floating = {row.setup.lead_a for row in rows if Flag.FLOATING in row.flags}
        if floating:
            found.append(
                f"The ground contact at {', '.join(sorted(floating))} seems to be missing. Measure "
                "between two neutrals instead."
            )
        weak = self.circuit.load_amps
        if weak is not None and weak < self.meter.weak_amps:
            found.append(
                f"A load of {weak:g} A makes small jumps. A heater of 8 to 12 A tells far more."
            )
        if _all_unclear(rows, 1):
            found.append(
                "No test has told anything yet. Try another hookup or another load; with the power "
                "off, a milliohm meter or a direct current tells the same."
            )
        elif one_place:
            found.append(
                "With load and leads at one place each test tells how far that receptacle is from "
                "the panel, not which branch it hangs on. Put the load at another receptacle than "
                "the leads."
            )
        return tuple(found)


def _all_unclear(rows: Sequence[TestRow], least: int) -> bool:
    return len(rows) >= least and all(row.verdict is Verdict.UNCLEAR for row in rows)


def _sharp(row: TestRow, meter: Meter) -> float | None:
    """How well a row tells one wiring from another.

    Where the idle level is another appliance's current, its sign leaves two sharp values open, of
    which the wiring picks one; the row's own uncertainty covers both.
    """
    if row.level_u_mv and row.idle_mv and abs(row.idle_mv) >= meter.large_idle_mv:
        return float((row.level_u_mv**2 + meter.pickup_u_mv**2) ** 0.5)
    return row.drop_u_mv
