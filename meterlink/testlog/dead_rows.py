"""Tests of the dead circuit as rows of the log: ohms, and signed millivolts of a direct source.

A reading of two wires is off by the contact of its probes, which differs from time to time by a few
milliohms; with four wires it drops out. The last digit of the display adds its rectangular share
(JCGM 100, F.2.2.1).
"""

import math
from dataclasses import replace
from datetime import datetime

from meterlink.assumptions import USUAL
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Setup, Verdict
from meterlink.errors import UsageError
from meterlink.testlog.rows import TestRow

CONTACT_U_MOHM = 3.0  # probes of two wires, pushed home again each time (common practice)
FOUR_WIRE_U_MOHM = 0.3  # four wires: what the clips' places on the conductor leave (from memory)
SOURCE_U_MV = 0.1  # a direct-current reading by eye, thermal voltages taken off (common practice)
LONGEST_M = 120.0  # of one conductor between two points of a dwelling's circuit (common practice)
LONGEST_OHMS = 1.5  # the same where the conductor is not stated
COARSE = 0.5  # of the usual shortest run: a step above it tells runs apart badly


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
        "in? Give that with --lead-ohms; where the leads were nulled and the reading stands (a "
        "very poor joint), say --nulled."
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
    """Resistance of a run of usual length between neighbours, with its joints."""
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
