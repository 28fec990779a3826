"""A test read off a meter by eye, as a row of the log.

A person averages a wandering display in the head. How well is stated as the half-width within which
the reading seemed to stay; its standard uncertainty is that over the square root of three (JCGM 100
clause 4.3.7, a uniform distribution). Where it is not stated, common practice stands in.
"""

import math
from dataclasses import dataclass, replace
from datetime import datetime

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Setup, Verdict
from meterlink.errors import UsageError
from meterlink.levels.drop import evaluate
from meterlink.levels.visit_split import smallest_drop_mv
from meterlink.testlog.dead_rows import source_row
from meterlink.testlog.rows import Source, TestRow

WANDER_MV = 5.0  # half of the 5 to 15 mV by which readings between neutrals wander
SUPPLY_WANDER_MV = 200.0  # the supply wanders by tenths of volts
MOST_MV = 1e6  # 1 kV; more is a slip of the decimal point


@dataclass(frozen=True, slots=True)
class Levels:
    """What was read, in mV, and the half-width within which it wandered."""

    idle_mv: float
    on_mv: float
    wander_mv: float


def levels_of_sag(percent: float, volts: float | None, wander_mv: float | None) -> Levels:
    """Levels that go with a sag in percent of the voltage without load.

    Args:
        percent: As a circuit tester shows it, 0 to 50.
        volts: Voltage without load; the nominal one serves (sag and drop then scale together).
        wander_mv: Half-width; ``None`` for 0.1 % of the supply, the last digit that testers show.

    Raises:
        UsageError: The supply is not known, or the sag makes no sense.
    """
    if volts is None:
        raise UsageError(
            "A sag in percent needs the supply: write [supply] volts in job.toml, or give "
            "--no-load and --loaded in volts."
        )
    if not 0 <= percent <= 50:
        raise UsageError(f"A sag of {percent:g} % makes no sense; expected 0 to 50.")
    idle_mv = volts * 1e3
    wander = idle_mv * 1e-3 if wander_mv is None else wander_mv
    return Levels(idle_mv, idle_mv * (1 - percent / 100), wander)


def entered_row(
    setup: Setup,
    circuit: Circuit,
    *,
    time: datetime,
    seen: Levels | Verdict,
    amps: float | None = None,
    note: str = "",
) -> TestRow:
    """Make the row; the log gives it its number.

    Args:
        setup: Hookup, leads and load.
        circuit: For the load and the supply.
        time: When it was read.
        seen: The levels, or only whether there was a jump.
        amps: Current of the load, where it is another than the circuit's.
        note: Free text.

    Raises:
        UsageError: The levels make no sense.
    """
    amps = circuit.load_amps if amps is None else amps
    row = TestRow(
        test=0,
        time=time,
        setup=setup,
        amps=amps,
        idle_mv=None,
        idle_sd_mv=None,
        on_mv=None,
        on_sd_mv=None,
        after_mv=None,
        delta_mv=None,
        drop_mv=None,
        drop_u_mv=None,
        limit_mv=None,
        verdict=Verdict.UNCLEAR,
        n_idle=None,
        n_on=None,
        source=Source.ENTERED,
        capture=None,
        note=note,
    )
    if isinstance(seen, Verdict):
        return replace(row, verdict=seen)
    return _measured(row, circuit, seen)


def _measured(row: TestRow, circuit: Circuit, seen: Levels) -> TestRow:
    signed = circuit.signed or row.setup.dead
    for name, value in (("idle", seen.idle_mv), ("on", seen.on_mv)):
        if not abs(value) <= MOST_MV or (value < 0 and not signed):
            raise UsageError(
                f"A level of {value:g} mV ({name}) makes no sense. Give millivolts, without a sign "
                "on an AC circuit."
            )
    if not 0 < seen.wander_mv <= MOST_MV:
        raise UsageError(f"A wander of {seen.wander_mv:g} mV makes no sense; it is above 0.")
    u_mv = seen.wander_mv / math.sqrt(3) * math.sqrt(2)  # of the difference of two such readings
    if row.setup.dead:
        smallest = smallest_drop_mv(replace(circuit, load_amps=row.amps))
        return source_row(
            row, idle_mv=seen.idle_mv, on_mv=seen.on_mv, u_mv=u_mv, smallest_mv=smallest
        )
    smallest = smallest_drop_mv(replace(circuit, load_amps=row.amps))
    found = evaluate(
        row.setup.hookup,
        seen.idle_mv,
        seen.on_mv,
        u_mv,
        signed=signed,
        others=signed and circuit.hertz != 0,
        smallest_drop_mv=smallest,
    )
    return replace(
        row,
        idle_mv=seen.idle_mv,
        on_mv=seen.on_mv,
        delta_mv=seen.on_mv - seen.idle_mv,
        drop_mv=found.drop_mv,
        drop_u_mv=found.drop_u_mv,
        limit_mv=found.limit_mv,
        level_u_mv=u_mv,
        verdict=found.verdict,
    )
