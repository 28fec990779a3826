"""A test becomes its row of the log: measured (live or replayed), or read off a meter by eye.

``measured_row`` takes levels, drop and verdict from the measurement of a visit's readings.

A person averages a wandering display in the head. How well is stated as the half-width within which
the reading seemed to stay; its standard uncertainty is that over the square root of three (JCGM 100
clause 4.3.7, a uniform distribution). Where it is not stated, common practice stands in.

On the dead circuit a row holds ohms, or signed millivolts of a direct source. A reading of two
wires is off by the contact of its probes, which differs from time to time by a few milliohms; with
four wires it drops out. The last digit of the display adds its rectangular share (JCGM 100,
F.2.2.1).
"""

import math
from dataclasses import dataclass, fields, replace
from datetime import datetime, timedelta

from meterlink.assumptions import USUAL
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Setup, Verdict
from meterlink.errors import UsageError
from meterlink.levels.dead_circuit import DeadMeasurement
from meterlink.levels.drop import evaluate
from meterlink.levels.visit_split import CompletedTest, smallest_drop_mv
from meterlink.testlog.columns import Source, TestRow

CONTACT_U_MOHM = 3.0  # probes of two wires, pushed home again each time (common practice)
FOUR_WIRE_U_MOHM = 0.3  # four wires: what the clips' places on the conductor leave (from memory)
SOURCE_U_MV = 0.1  # a direct-current reading by eye, thermal voltages taken off (common practice)
LONGEST_M = 120.0  # of one conductor between two points of a dwelling's circuit (common practice)
LONGEST_OHMS = 1.5  # the same where the conductor is not stated
COARSE = 0.5  # of the usual shortest run: a step above it tells runs apart badly

_ROW_FIELDS = {one.name for one in fields(TestRow)}


def measured_row(
    done: CompletedTest, *, started: datetime, amps: float | None, source: Source, capture: str
) -> TestRow:
    """Make the row of a completed test; the log gives it its number.

    Args:
        done: The test.
        started: Time zero of its capture. The row's time is that of the test's mark, to the
            millisecond, so that a replay finds it again.
        amps: Stated current of the load; a test at its lower setting knows that one's itself.
        source: Live or replay.
        capture: File name of the capture in the job's folder of captures; may be set later.
    """
    found = done.measurement
    same = _ROW_FIELDS & {one.name for one in fields(found)} - {"amps"}
    row = TestRow(
        test=0,
        time=_to_milliseconds(started + timedelta(milliseconds=round(done.started_s * 1e3))),
        setup=done.setup,
        amps=_amps(done, amps),
        source=source,
        capture=capture,
        note="; ".join(note for note in done.notes if note),
        **{name: getattr(found, name) for name in same},
    )
    return replace(row, setting=found.setting or None)


def _amps(done: CompletedTest, stated: float | None) -> float | None:
    """Current as stated; of a direct source as it was read back; none of an ohmmeter."""
    if isinstance(done.measurement, DeadMeasurement):
        return done.measurement.amps if not done.setup.hookup.ohms else None
    return done.amps_low if done.measurement.setting == "low" and done.amps_low else stated


def _to_milliseconds(time: datetime) -> datetime:
    """A time as the log keeps it; a live visit starts at some microsecond."""
    return time.replace(microsecond=time.microsecond // 1000 * 1000)


def ohms_row(
    setup: Setup,
    circuit: Circuit,
    *,
    time: datetime,
    ohms: float,
    step_ohms: float | None,
    lead_ohms: float = 0.0,
    spread_mohm: float = 0.0,
    four_wire: bool = False,
    believed: bool = False,
    note: str = "",
) -> TestRow:
    """A reading of an ohmmeter.

    Args:
        setup: ``path-resistance`` or ``loop-resistance``.
        circuit: For what is a plausible resistance.
        time: When it was read.
        ohms: What the meter showed.
        step_ohms: Weight of its last digit.
        lead_ohms: Resistance of the leads that the meter did not take off by itself.
        spread_mohm: Standard uncertainty of the level of several readings.
        four_wire: Contacts drop out.
        believed: However large, it is what was meant.
        note: Free text.

    Raises:
        UsageError: It can be no resistance of a cable; the message says what may be wrong.
    """
    for name, value in (("reading", ohms), ("step", step_ohms or 0.0), ("leads", lead_ohms)):
        if not math.isfinite(value):
            raise UsageError(f"The {name} is no finite number of ohms.")
    path_ohms = ohms - lead_ohms
    step = step_ohms or 0.0
    contact = FOUR_WIRE_U_MOHM if four_wire else CONTACT_U_MOHM
    u_mohm = math.sqrt((1e3 * step) ** 2 / 12 + contact**2 + spread_mohm**2)
    if not 0 <= step <= 10.0 or not 0 <= lead_ohms <= 100.0:
        raise UsageError(
            "The display's last digit is at most 10 ohm, the leads have at most 100 ohm."
        )
    if 1e3 * path_ohms < -4 * u_mohm:
        raise UsageError(
            f"{path_ohms:g} ohm is below nothing: the leads were nulled with a poor contact, or "
            "their resistance is taken off twice. Null them again, tips pressed together."
        )
    _refuse_implausible(setup, circuit, path_ohms, believed=believed or lead_ohms > 0)
    return TestRow(
        test=0,
        time=time,
        setup=setup,
        path_mohm=1e3 * path_ohms,
        path_u_mohm=u_mohm,
        verdict=Verdict.IN_PATH if 1e3 * path_ohms > 2 * u_mohm else Verdict.UNCLEAR,
        note=note,
    )


def _refuse_implausible(setup: Setup, circuit: Circuit, ohms: float, *, believed: bool) -> None:
    """Refuse what no cable has, or what nobody has said to be meant."""
    conductors = len(setup.side.split("+"))
    per_m = circuit.ohm_per_m()
    most = conductors * (LONGEST_OHMS if per_m is None else per_m * LONGEST_M)
    if ohms > 100 * most:
        raise UsageError(
            f"{ohms:g} ohm is no resistance of a cable: a conductor is broken or not linked at "
            "the panel, the reading was in kilohm, or a lead has no contact. Give ohms."
        )
    if ohms <= most or believed:
        return
    length = f"{ohms / per_m / conductors:.0f} m of {circuit.conductor}" if per_m else "a long way"
    raise UsageError(
        f"{ohms:g} ohm would be {length}. Was the wander lead nulled, or its own resistance left "
        "in? Take that off. Where they were nulled and it stands (a very poor joint), log "
        "it with 'meterlink enter' and --nulled; --lead-ohms takes the lead off."
    )


def step_of(text: str) -> float:
    """Weight of the last digit of a number as it was typed.

    >>> step_of("0.410")
    0.001
    """
    mantissa, _, power = text.strip().lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    return float(f"1e{(int(power) if power else 0) - decimals}")


def source_row(
    row: TestRow, *, idle_mv: float, on_mv: float, u_mv: float, smallest_mv: float
) -> TestRow:
    """A row with the signed drop that a direct source makes.

    Args:
        row: Setup, time and amps.
        idle_mv: Reading with the source off.
        on_mv: Reading with it on, polarity as ``FORMATS`` has it: lead A against lead B.
        u_mv: Standard uncertainty of the difference.
        smallest_mv: What the source makes on the smallest run that may be there.

    Raises:
        UsageError: The drop is negative where it cannot be.
    """
    drop, limit = on_mv - idle_mv, 1.645 * u_mv
    if row.setup.lead_b is None and not row.setup.return_at and drop < -4 * u_mv:
        raise UsageError(
            f"{drop:g} mV from {row.setup.lead_a} to the panel cannot be negative: the meter's "
            "leads or the source's clips are swapped. Swap them and read again."
        )
    verdict = Verdict.UNCLEAR
    if abs(drop) > 3 * u_mv:
        verdict = Verdict.IN_PATH
    elif limit <= smallest_mv:
        verdict = Verdict.NOT_IN_PATH
    return replace(
        row,
        idle_mv=idle_mv,
        on_mv=on_mv,
        delta_mv=drop,
        drop_mv=drop,
        drop_u_mv=u_mv,
        level_u_mv=u_mv,
        limit_mv=limit,
        verdict=verdict,
    )


def usual_run_mohm(circuit: Circuit) -> float:
    """Resistance of a run of usual length between neighbours, with its joints.

    The usual assumptions: readings are typed at a command, which takes no others.
    """
    per_m = circuit.ohm_per_m()
    if per_m is None:
        return USUAL.runs.median_mohm
    return 1e3 * per_m * USUAL.runs.length_m + USUAL.runs.joints_mohm


def coarse_step(step_ohms: float, circuit: Circuit) -> str | None:
    """What to say of a meter whose step is too coarse for the runs; ``None`` where it is not.

    Args:
        step_ohms: Weight of its last digit.
        circuit: For the size of its runs.
    """
    run_mohm = usual_run_mohm(circuit)
    if 1e3 * step_ohms <= COARSE * run_mohm:
        return None
    return (
        f"This meter's step of {step_ohms:g} ohm cannot tell runs of {run_mohm:.0f} mohm. Use a "
        "milliohm meter, or a direct source of some amperes with a millivoltmeter."
    )


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
    row = TestRow(test=0, time=time, setup=setup, amps=amps, note=note)
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
