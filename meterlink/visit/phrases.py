"""The sentences of a visit: where everything goes, what is waited for, what was seen."""

from drivers.readings import Reading
from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels.progress import Progress
from meterlink.show.format import NBSP, drop, with_uncertainty
from meterlink.testlog.rows import TestRow

STALE_S = 2.5
VERDICTS = {
    Verdict.IN_PATH: "in the path",
    Verdict.NOT_IN_PATH: "not in the path",
    Verdict.UNCLEAR: "no clear result",
}


def load_word(circuit: Circuit) -> str:
    """What the load is called."""
    return "source" if circuit.load_kind is LoadKind.DIRECT_SOURCE else "heater"


def same_leads(setup: Setup, other: Setup | None) -> bool:
    """Whether the leads of two tests are at the same contacts, and a direct source too."""
    return other is not None and _contacts(setup) == _contacts(other)


def _contacts(setup: Setup) -> tuple[object, ...]:
    """What has to be in place before a test begins; a heater may come later."""
    source = (setup.load_at, setup.return_at, setup.lead_a) if setup.dead else ()
    return (setup.hookup, setup.side, set(setup.leads), source)


def meaning(setup: Setup, verdict: Verdict) -> str:
    """What a jump, or none, says of the wiring."""
    if verdict is Verdict.UNCLEAR or setup.hookup.ohms:
        return ""
    jump = verdict is Verdict.IN_PATH
    a, b, load = setup.lead_a, setup.lead_b or "the panel", setup.load_at
    if setup.hookup is Hookup.NEUTRAL_NEUTRAL:
        return (
            f"Current to {load} flows between {a} and {b}."
            if jump
            else f"No current to {load} flows between {a} and {b}."
        )
    if setup.hookup is Hookup.LINE_DROP:
        does = "sags" if jump else "does not sag"
        return f"The supply at {a} {does} with the load at {load}."
    if a == load:
        return (
            f"Drop from the panel to {a}."
            if jump
            else f"No drop at {a} with the load right there: did it run?"
        )
    shares = "share" if jump else "share no"
    return (
        f"The cables from the panel to {a} and to {load} {shares} {'a part' if jump else 'part'}."
    )


def volts_text(volts: float, resolution_v: float | None = None, *, signed: bool = False) -> str:
    """Volts as "12.34 mV" or "120.0 V".

    Args:
        volts: The value.
        resolution_v: Weight of the last digit to show; four figures where it is not known.
        signed: Whether a plus is written too.
    """
    milli = abs(volts) < 1.0 and (resolution_v is None or resolution_v < 1e-3)
    scale, unit = (1e3, "mV") if milli else (1.0, "V")
    value = volts * scale
    if resolution_v is None:
        decimals = 1 if abs(value) >= 100 else 2 if abs(value) >= 1 else 3
    else:
        decimals = min(4, max(0, -round(_exponent(resolution_v * scale))))
    return f"{value:{'+' if signed else ''}.{decimals}f} {unit}"


def reading_text(reading: Reading | None, now_s: float) -> str:
    """The latest reading; an old one is not shown as if it were of now."""
    if reading is None:
        return "no reading"
    if now_s - reading.t_s > STALE_S:
        return f"no reading for {now_s - reading.t_s:.0f} s"
    held = " HOLD" if reading.hold else ""
    if reading.overload:
        return "overload"
    if reading.ohms is not None:
        return f"{reading.ohms:g} ohm{held}"
    if reading.volts is None:
        return f"no volts ({reading.quantity})"
    return volts_text(reading.volts, reading.resolution_v) + held


def levels_text(progress: Progress | None) -> dict[str, str]:
    """The levels of a running test, as far as known: idle, change, drop."""
    if progress is None or progress.idle_mv is None:
        return {}
    found = {"idle": f"{progress.idle_mv:.1f}{NBSP}mV"}
    if progress.jump_mv is not None:
        found["change"] = f"{progress.jump_mv:+.1f}{NBSP}mV"
    if progress.drop_mv is not None and progress.drop_u_mv is not None:
        text = with_uncertainty(progress.drop_mv, progress.drop_u_mv)
        found["drop"] = f"{text}{NBSP}mV"
    return found


def result_text(row: TestRow) -> str:
    """What a test showed, and what that says, in one sentence or two."""
    if row.verdict is Verdict.UNCLEAR:
        return f"Test {row.test}: no clear result. Repeat it."
    return f"Test {row.test}: {drop(row)}. {meaning(row.setup, row.verdict)}".strip()


def _exponent(value: float) -> int:
    """Exponent of a power of ten, rounding noise aside."""
    return int(f"{value:.0e}".partition("e")[2])
