"""The sentences of a visit: where everything goes, what is waited for, what was seen."""

from drivers.readings import Reading
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels.progress import Progress
from meterlink.live.units import volts_text
from meterlink.show.format import LEADS, NBSP, with_uncertainty
from meterlink.show.tests_table import drop
from meterlink.testlog.rows import TestRow

STALE_S = 2.5


def leads_text(setup: Setup) -> str:
    """Where the leads go, such as "neutral of Desk to neutral of Door"."""
    return LEADS[setup.hookup].format(a=setup.lead_a, b=setup.lead_b or "")


def same_leads(setup: Setup, other: Setup | None) -> bool:
    """Whether the leads of two tests are at the same contacts."""
    return other is not None and (setup.hookup, set(setup.leads)) == (
        other.hookup,
        set(other.leads),
    )


def set_up_text(setup: Setup) -> str:
    """What to move, for a test whose leads are elsewhere now."""
    return (
        f"Meter: {leads_text(setup)}. Load: plugged in at {setup.load_at}, switched off. "
        "Say when all is in place."
    )


def load_on_text(setup: Setup, last: Setup | None) -> str:
    """What to do when the idle level is quiet."""
    if last is not None and last.load_at != setup.load_at:
        return f"Move the load to {setup.load_at} and switch it on; say that the load is on."
    return f"Switch the load on at {setup.load_at}; say that the load is on."


def meaning(setup: Setup, verdict: Verdict) -> str:
    """What a jump, or none, says of the wiring."""
    a, b, load = setup.lead_a, setup.lead_b or "", setup.load_at
    if verdict is Verdict.UNCLEAR:
        return "It cannot be told yet whether the load current passes between the leads."
    jump = verdict is Verdict.IN_PATH
    if setup.hookup is Hookup.NEUTRAL_NEUTRAL:
        return (
            f"The load current passes between {a} and {b}: they leave the way to {load} at "
            "different places."
            if jump
            else f"No load current passes between {a} and {b}: they leave the way to {load} at "
            "the same place."
        )
    if setup.hookup is Hookup.NEUTRAL_GROUND:
        if a == load:
            return (
                f"This is the way from the panel to {a}."
                if jump
                else f"No drop at {a} with the load right there: did the load run?"
            )
        return (
            f"The ways from the panel to {a} and to {load} share some cable."
            if jump
            else f"The ways from the panel to {a} and to {load} share no cable."
        )
    return (
        f"The supply at {a} sags with the load at {load}."
        if jump
        else f"The supply at {a} does not sag with the load at {load}."
    )


def reading_text(reading: Reading | None, now_s: float) -> str:
    """The latest reading; an old one is not shown as if it were of now."""
    if reading is None:
        return "no reading"
    if now_s - reading.t_s > STALE_S:
        return f"no reading for {now_s - reading.t_s:.0f} s"
    if reading.overload:
        return "overload"
    if reading.volts is None:
        return f"no volts ({reading.quantity})"
    held = " HOLD" if reading.hold else ""
    return volts_text(reading.volts, reading.resolution_v) + held


def levels_text(progress: Progress | None) -> tuple[tuple[str, str], ...]:
    """The levels of a running test, as far as known."""
    if progress is None or progress.idle_mv is None:
        return ()
    found = [("idle", f"{progress.idle_mv:.1f}{NBSP}mV")]
    if progress.jump_mv is not None:
        found.append(("change", f"{progress.jump_mv:+.1f}{NBSP}mV"))
    if progress.drop_mv is not None and progress.drop_u_mv is not None:
        text = with_uncertainty(progress.drop_mv, progress.drop_u_mv)
        found.append(("drop", f"{text}{NBSP}mV"))
    return tuple(found)


def row_levels(row: TestRow | None) -> tuple[tuple[str, str], ...]:
    """The result of the last test."""
    if row is None:
        return ()
    return ((f"test {row.test}", f"{drop(row)}. {meaning(row.setup, row.verdict)}"),)
