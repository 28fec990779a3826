"""``meterlink enter``: a test read by eye, into the log; ``withdraw``: one that is not to count."""

import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from meterlink.errors import UsageError
from meterlink.live.terminal import tell

if TYPE_CHECKING:
    from meterlink.circuit.circuit import Circuit
    from meterlink.circuit.job import Job
    from meterlink.circuit.setup import Setup, Verdict
    from meterlink.testlog.columns import TestRow
    from meterlink.testlog.rows import Levels


T = TypeVar("T")
HOOKUPS = ("neutral-neutral", "neutral-ground", "line-drop", "path-resistance", "loop-resistance")


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--hookup", type=click.Choice(HOOKUPS), help="Where the leads go.")
@click.option("--lead-a", metavar="NAME", help="Receptacle of the first lead.")
@click.option("--lead-b", metavar="NAME", help="Of the second; dead circuit: none is the panel.")
@click.option("--load-at", metavar="NAME", help="Receptacle of the load; none with an ohmmeter.")
@click.option(
    "--side", metavar="SIDE", help="Dead circuit: neutral, hot, ground, or hot+ground ..."
)
@click.option("--idle", "idle_mv", type=float, metavar="MV", help="Reading without load.")
@click.option("--on", "on_mv", type=float, metavar="MV", help="Reading with the load on.")
@click.option("--no-load", "no_load_v", type=float, metavar="V", help="line-drop: volts without.")
@click.option("--loaded", "loaded_v", type=float, metavar="V", help="line-drop: volts with load.")
@click.option("--sag", "sag_percent", type=float, metavar="PERCENT", help="line-drop: sag.")
@click.option("--return-at", metavar="NAME", help="Where a direct source's current comes back.")
@click.option("--ohms", metavar="OHM", help="Dead circuit: what the ohmmeter showed.")
@click.option("--step-ohms", type=float, metavar="OHM", help="Its last digit; default: as typed.")
@click.option("--lead-ohms", type=float, metavar="OHM", help="Of the wander lead, if not nulled.")
@click.option("--nulled", is_flag=True, help="Leads were nulled; the large reading stands.")
@click.option("--four-wire", is_flag=True, help="Four wires: contacts drop out.")
@click.option("--jump/--no-jump", "jump", default=None, help="Only that was seen.")
@click.option(
    "--wander",
    "wander_mv",
    type=float,
    metavar="MV",
    help="Half of the span in which the reading wandered. Default: 5; line-drop: 200; direct "
    "source: 0.1.",
)
@click.option("--amps", type=float, metavar="A", help="Of the load, where it is not the job's.")
@click.option("--time", "time_text", metavar="ISO", help="When; default: now.")
@click.option("--note", default="", help="Anything worth keeping.")
def enter_command(
    job: Path,
    *,
    hookup: str | None,
    lead_a: str | None,
    lead_b: str | None,
    load_at: str | None,
    side: str | None,
    return_at: str | None,
    amps: float | None,
    time_text: str | None,
    note: str,
    **seen: Any,  # the options that say what was seen; click has typed each
) -> None:
    r"""Append a test that was read off a meter without a cable to the log of the job in DIR.

    What was seen is one of: --idle and --on in millivolts; --jump or --no-jump; for line-drop also
    --no-load and --loaded in volts, or --sag in percent as circuit testers show it (such a tester
    states the load that its figure is for: give it as --amps).

    \b
    Examples:
      meterlink enter upstairs --hookup neutral-ground --lead-a Desk --load-at Bed \
        --idle 6 --on 215
      meterlink enter upstairs --hookup neutral-neutral --lead-a Desk --lead-b Door \
        --load-at Bed --no-jump
      meterlink enter upstairs --hookup line-drop --lead-a Bed --load-at Bed --sag 4.2 --amps 12
      meterlink enter upstairs --hookup path-resistance --lead-a Desk --lead-b Door --ohms 0.143
      meterlink enter upstairs --hookup loop-resistance --lead-a Bed --side hot+ground --ohms 0.41

    Without any option it asks for the test and the readings. Names count in whatever case, and #2
    is the second receptacle.

    With an ohmmeter, or a direct-source in job.toml, the circuit is dead: breaker off, locked,
    proved dead. The levels of a direct source are signed, lead A against lead B.
    """
    from meterlink.circuit.checks import checked_figure, unknown_name
    from meterlink.circuit.circuit import LoadKind
    from meterlink.circuit.setup import Hookup, made_setup
    from meterlink.commands.job_input import job_from, time_from
    from meterlink.testlog.rows import entered_row
    from meterlink.visit.keyboard import place

    opened = job_from(job)
    if hookup is None or lead_a is None:
        given = (hookup, lead_a, lead_b, load_at, side, return_at, amps, *seen.values())
        _log(opened, _asked_row(opened, given, note))
        return
    names = opened.circuit.receptacles
    lead_a = place(lead_a, names)
    lead_b, load_at, return_at = (
        name and place(name, names) for name in (lead_b, load_at, return_at)
    )
    direct = opened.circuit.load_kind is LoadKind.DIRECT_SOURCE
    setup = made_setup(
        Hookup(hookup), lead_a or "", lead_b, load_at, side=side, return_at=return_at, direct=direct
    )
    if (unknown := unknown_name(setup, opened.circuit)) is not None:
        raise UsageError(f"{opened.folder / 'job.toml'}: {unknown}")
    ohms = {name: seen.pop(name) for name in ("ohms", "step_ohms", "lead_ohms", "nulled")}
    ohms["four_wire"] = seen.pop("four_wire")
    if setup.hookup.ohms:
        row = _ohms_row(setup, opened.circuit, seen, ohms, time=time_from(time_text), note=note)
    elif ohms["ohms"] is not None:
        raise UsageError("--ohms is for --hookup path-resistance and loop-resistance.")
    else:
        row = entered_row(
            setup,
            opened.circuit,
            time=time_from(time_text),
            seen=_seen(opened.circuit, setup=setup, **seen),
            amps=checked_figure(amps, "load_amps", "--amps"),
            note=note,
        )
    _log(opened, row)


def _log(opened: "Job", row: "TestRow") -> None:
    """Append a row and show it."""
    from meterlink.commands.job_input import remark, show_done
    from meterlink.show.format import table_lines
    from meterlink.testlog.log import TestLog

    with TestLog(opened.log_path) as log:
        for text in log.remarks:
            remark(text)
        row = log.append(row)
    show_done(table_lines([row], 100))


def _asked_row(opened: "Job", given: tuple[object, ...], note: str) -> "TestRow":
    """A test that is asked for on the terminal: where everything was, and what the meter showed.

    Raises:
        UsageError: There is nobody to ask, or half of it was given as options.
    """
    from dataclasses import replace

    from meterlink.circuit.circuit import LoadKind
    from meterlink.commands.job_input import time_from
    from meterlink.visit.keyboard import numbered, own_setup
    from meterlink.visit.typed_levels import typed_row, typed_test, unit_of

    if any(given) or not sys.stdin.isatty():
        raise UsageError("Give --hookup and --lead-a; or no option, on a terminal: then it asks.")
    names = opened.circuit.receptacles
    direct = opened.circuit.load_kind is LoadKind.DIRECT_SOURCE
    tell(f"Receptacles: {numbered(names)}.", "")
    setup = _ask(
        "Test (nn A B LOAD neutral to neutral, ng A LOAD to ground, ld A LOAD hot to neutral, "
        "pr A B ohms)",
        lambda text: own_setup(text, names, direct=direct),
    )
    unit = unit_of(setup.hookup)
    test = _ask(
        f"Reading, {unit}" if setup.hookup.ohms else f"Without load and with it, {unit}; or j, nj",
        lambda text: typed_test(setup, text),
    )
    return replace(typed_row(test, opened.circuit, time_from(None)), note=note)


def _ask(question: str, read: Callable[[str], T]) -> T:
    """Ask until the answer can be read."""
    while True:
        try:
            return read(click.prompt(question, err=True))
        except UsageError as error:
            tell(error, "  ")


def _ohms_row(
    setup: "Setup",
    circuit: "Circuit",
    seen: dict[str, Any],
    ohms: dict[str, Any],
    *,
    time: datetime,
    note: str,
) -> "TestRow":
    """What an ohmmeter showed, and nothing else."""
    from meterlink.testlog.rows import ohms_row, step_of

    if ohms["ohms"] is None or any(value is not None for value in seen.values()):
        raise UsageError(f"{setup.hookup} is read in ohms: give --ohms, and no millivolts.")
    text = ohms["ohms"]
    try:
        value, typed_step = float(text), step_of(text)
    except (ValueError, OverflowError) as error:
        raise UsageError(f"--ohms {text[:40]!r} is no number; write such as 0.143.") from error
    return ohms_row(
        setup,
        circuit,
        time=time,
        ohms=value,
        step_ohms=typed_step if ohms["step_ohms"] is None else ohms["step_ohms"],
        lead_ohms=ohms["lead_ohms"] or 0.0,
        four_wire=ohms["four_wire"],
        believed=ohms["nulled"],
        note=note,
    )


def _seen(
    circuit: "Circuit",
    *,
    setup: "Setup",
    jump: bool | None,
    idle_mv: float | None,
    on_mv: float | None,
    no_load_v: float | None,
    loaded_v: float | None,
    sag_percent: float | None,
    wander_mv: float | None,
) -> "Levels | Verdict":
    """The one way in which the reading was stated."""
    from meterlink.circuit.setup import Hookup, Verdict
    from meterlink.testlog.rows import (
        SOURCE_U_MV,
        SUPPLY_WANDER_MV,
        WANDER_MV,
        Levels,
        levels_of_sag,
    )

    line = setup.hookup is Hookup.LINE_DROP
    ways = (jump, idle_mv, no_load_v, sag_percent)
    pairs = ((idle_mv, on_mv), (no_load_v, loaded_v))
    if sum(way is not None for way in ways) != 1 or any(
        (a is None) != (b is None) for a, b in pairs
    ):
        raise UsageError(
            "Say what was seen in one way: --idle MV --on MV, or --jump or --no-jump; for "
            "line-drop also --no-load V --loaded V, or --sag PERCENT."
        )
    if not line and (no_load_v is not None or sag_percent is not None):
        raise UsageError("--no-load, --loaded and --sag are for --hookup line-drop.")
    if jump is not None:
        return Verdict.IN_PATH if jump else Verdict.NOT_IN_PATH
    if sag_percent is not None:
        return levels_of_sag(sag_percent, circuit.volts, wander_mv)
    if no_load_v is not None and loaded_v is not None:
        idle_mv, on_mv = no_load_v * 1e3, loaded_v * 1e3
    default = SUPPLY_WANDER_MV if line else SOURCE_U_MV if setup.dead else WANDER_MV
    return Levels(idle_mv or 0.0, on_mv or 0.0, default if wander_mv is None else wander_mv)


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.argument("test", type=click.IntRange(min=1), metavar="TEST")
@click.option("--why", default="", help="The reason, kept with it.")
def withdraw_command(job: Path, *, test: int, why: str) -> None:
    r"""Remove test number TEST in DIR: it stays in the log and does not count.

    For a test that is known to be wrong: a lead or the load was at another receptacle than written
    down. A test that only looks odd is better left: it is outvoted by others, and named.

    \b
    Examples:
      meterlink withdraw upstairs 7 --why "the load was at Bed"
    """
    from meterlink.commands.job_input import job_from, remark
    from meterlink.testlog.findings import withdraw, withdrawn_tests
    from meterlink.testlog.reader import read_rows

    opened = job_from(job)
    numbers = {row.test for row in read_rows(opened.log_path, remark)}
    if test not in numbers:
        raise UsageError(f"There is no test {test} in {opened.log_path}: it has {len(numbers)}.")
    if test in withdrawn_tests(opened.folder):
        remark(f"test {test} was removed before.")
        return
    withdraw(opened.folder, test, datetime.now().astimezone(), why)
    remark(f"test {test} does not count; it stays in {opened.log_path.name}.")
