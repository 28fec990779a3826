"""``meterlink test``: the guided visit."""

import shlex
import sys
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from meterlink.errors import LogError, UsageError
from meterlink.live.terminal import end_in_order, tell

if TYPE_CHECKING:
    from meterlink.circuit.job import Job
    from meterlink.commands.guided_surfaces import OnCommand, ScriptSurface, TextSurface
    from meterlink.live.terminal import Keys
    from meterlink.live.visiting import VisitRun
    from meterlink.page.hub import Hub
    from meterlink.testlog.columns import TestRow
    from meterlink.visit.view import Command


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.option(
    "--meter",
    metavar="ADDRESS",
    help="Address or name of the meter. Without it the readings are typed.",
)
@click.option(
    "--goal",
    type=click.Choice(["order", "first", "protect", "fault", "joints"]),
    default="order",
    show_default=True,
    help="What is asked; the visit stops when it is answered.",
)
@click.option("--cover", multiple=True, metavar="NAME", help="goal protect: what to protect.")
@click.option("--found-dead", multiple=True, metavar="NAME", help="goal fault: what is dead.")
@click.option(
    "--not-now", multiple=True, metavar="NAME", help="A receptacle that cannot be reached today."
)
@click.option("--rhythm", is_flag=True, help="Call out when to switch on and off.")
@click.option("--dead", is_flag=True, help="The circuit is dead: an ohmmeter, or a direct source.")
@click.option(
    "--side",
    type=click.Choice(["neutral", "hot"]),
    default="neutral",
    show_default=True,
    help="Dead circuit: conductor to measure.",
)
@click.option("--source", metavar="ADDRESS", help="Dead circuit: supply that is told over SCPI.")
@click.option("--source-amps", type=float, metavar="A", help="Current of the direct source.")
@click.option(
    "--source-volts",
    type=float,
    metavar="V",
    default=12.0,
    show_default=True,
    help="Never exceeded.",
)
@click.option("--page", is_flag=True, help="Serve the page for a phone, on this computer only.")
@click.option("--lan", is_flag=True, help="Serve the page to the local network, with a key.")
@click.option(
    "--json", "as_json", is_flag=True, help="For scripts: an event a line out, a word a line in."
)
@click.option("--confirm-cautions", is_flag=True, help="The cautions were read before.")
@click.option(
    "--speed",
    type=click.FloatRange(1.0, 50.0),
    default=1.0,
    hidden=True,
    help="Time runs so many times faster: for simulated meters only.",
)
def command(
    job: Path,
    *,
    meter: str | None,
    goal: str,
    cover: tuple[str, ...],
    found_dead: tuple[str, ...],
    not_now: tuple[str, ...],
    rhythm: bool,
    dead: bool,
    side: str,
    source: str | None,
    source_amps: float | None,
    source_volts: float,
    page: bool,
    lan: bool,
    as_json: bool,
    confirm_cautions: bool,
    speed: float,
) -> None:
    r"""Guide the tests of the circuit in DIR, one after another, until its order is settled.

    It says where leads and load go and why, waits until the reading is steady, sees the load come
    on and go off, logs the test, and names the next one. Without --meter it asks for the readings,
    and they are typed: "6 815" (without load, with load; mV), "0.815 V", "j" for a jump, "nj" for
    none. Everything is on the disk at every moment; a visit can be stopped at any time and goes on
    where it was. A test that was open when the program died is discarded, a done one kept.

    Mains voltage: the cautions are shown before the first test of a job, and asked to be confirmed.

    Keys: Enter for what is asked; l I switched it on, o off, r repeat, v discard or undo, u undo a
    test by its number, c pick a test, x skip a receptacle, a call out on and off, n note, m map,
    p report, i power-off check, q stop.

    \b
    Examples:
      meterlink test upstairs --meter lines:/dev/ttyUSB0,9600
      meterlink test upstairs --meter bench --goal first --not-now Attic
      meterlink test upstairs --meter bench --lan
      meterlink test upstairs
      meterlink test upstairs --dead --meter scpi:USB0::1::2::3::INSTR
      meterlink test upstairs --dead --meter bench --source scpi:/dev/ttyUSB1 --source-amps 5
    """
    from meterlink.circuit.circuit import LoadKind
    from meterlink.commands.guided_surfaces import as_drawn
    from meterlink.commands.job_input import job_from, remark, rows_of
    from meterlink.live.dead_circuit import Bench, prepare
    from meterlink.live.remembered import find_address
    from meterlink.live.terminal import Keys
    from meterlink.live.visit_recording import recover
    from meterlink.live.visiting import VisitRun
    from meterlink.plan.questions import Goal, Question
    from meterlink.testlog.log import TestLog
    from meterlink.visit.keyboard import place

    address = find_address(meter) if meter else None
    opened = job_from(job)
    names = opened.circuit.receptacles
    away = frozenset(place(name, names) for name in not_now)
    question = Question(
        Goal(goal),
        tuple(place(name, names) for name in cover),
        tuple(place(name, names) for name in found_dead),
    ).checked(names)
    dead = dead or source is not None or opened.circuit.load_kind is LoadKind.DIRECT_SOURCE
    if side != "neutral" and not dead:
        raise UsageError("--side is for the dead circuit: it goes with --dead.")
    cautions(opened.folder, confirmed=confirm_cautions, dead=dead)
    end_in_order()
    with ExitStack() as stack:
        log = stack.enter_context(TestLog(opened.log_path))
        for text in (*log.remarks, *recover(opened, log)):
            remark(text)
        rows = rows_of(opened)
        bench = Bench(opened, address, ())
        if dead:
            bench = prepare(
                opened, address, stack, source=source, amps=source_amps, volts=source_volts
            )
        hub = _page(stack, opened.folder, lan=lan) if page or lan else None
        keys = stack.enter_context(Keys())
        run: VisitRun | None = None

        def on_command(asked: "Command") -> None:
            if run is not None:
                _offer(asked, opened, run.rows)

        surface = _surface(keys, opened, on_command, as_json=as_json, has_page=hub is not None)
        stack.callback(surface.close)
        run = stack.enter_context(
            VisitRun(
                bench.job,
                log,
                bench.address,
                surface,
                rows=rows,
                question=question,
                not_now=away,
                hub=hub,
                speed=speed,
                rhythm=rhythm,
                hookups=bench.hookups or None,
                side=side,
                source=bench.source,
            )
        )
        if run.session is not None:
            surface.say(f"Recording to {run.session.capture}.")
        if run.session is not None and speed != 1.0:
            run.session.mark("note", f"simulated: time ran {speed:g} times faster")
        whole = run.run()
    if not as_json and run.rows:
        click.echo(as_drawn(run.latest, colour=sys.stdout.isatty()), color=True)
    _farewell(run, job)
    if not whole:
        raise LogError(
            "Not everything could be recorded and logged: see above. Make room, then start the "
            "same command: it logs what is in the recordings."
        )


def cautions(folder: Path, *, confirmed: bool, dead: bool = False) -> None:
    """Show the cautions once a job, have them confirmed, and write that down.

    Args:
        folder: Of the job.
        confirmed: They were read before.
        dead: Those for work on the dead circuit.

    Raises:
        UsageError: They were not confirmed.
    """
    from meterlink.show.format import wrap
    from meterlink.visit.cautions import CAUTIONS, DEAD_CAUTIONS, are_confirmed, confirm

    texts = DEAD_CAUTIONS if dead else CAUTIONS
    if are_confirmed(folder, texts):
        return
    if not confirmed:
        for caution in texts:
            first, *rest = wrap(caution, 76)
            click.echo("\n".join([f"* {first}", *(f"  {line}" for line in rest)]), err=True)
        if not sys.stdin.isatty():
            raise UsageError(
                "The cautions above have to be read once for this job. Run it on a terminal, or "
                "say --confirm-cautions."
            )
        if not click.confirm("Have you read this, and will you keep to it?", err=True):
            raise UsageError("Nothing was begun.")
    confirm(folder, datetime.now().astimezone(), texts)


def _page(stack: ExitStack, folder: Path, *, lan: bool) -> "Hub":
    from meterlink.page.server import LOOPBACK, PageServer, invitation, lan_address

    server = stack.enter_context(PageServer(lan_address() if lan else LOOPBACK, folder=folder))
    for line in invitation(server):
        click.echo(line, err=True)
    return server.hub


def _surface(
    keys: "Keys", job: "Job", on_command: "OnCommand", *, as_json: bool, has_page: bool
) -> "TextSurface | ScriptSurface":
    """Where the person or the script is.

    Raises:
        UsageError: Nowhere.
    """
    from meterlink.commands.guided_surfaces import ScreenSurface, ScriptSurface, TextSurface

    if as_json:
        return ScriptSurface(sys.stdin, on_command)
    if not (keys.available or has_page):
        raise UsageError(
            "There is no terminal to press keys on. Run it on one, or with --json for a script, "
            "or with --page."
        )
    kind = ScreenSurface if sys.stderr.isatty() else TextSurface
    return kind(keys, job.circuit.receptacles, on_command)


def _offer(asked: "Command", job: "Job", rows: "list[TestRow]") -> None:
    """Write the report, or show the check with the power off, as their commands do."""
    from meterlink.commands.answers import write_report
    from meterlink.commands.isolate import show_check
    from meterlink.testlog.findings import Cut
    from meterlink.visit.view import Command

    if not rows:
        tell("There is no test yet.", "")
        return
    if asked is Command.REPORT:
        write_report(job.folder)
    else:
        show_check(job, None, Cut.DISCONNECTED)


def _farewell(run: "VisitRun", job: Path) -> None:
    """What can be done now."""
    from meterlink.show.format import counted

    folder = shlex.quote(str(job))
    if run.visit.is_stopped:
        tell(run.visit.view.instruction)
    tell(f"{counted(len(run.rows), 'test')} in the log. Go on with the same command.")
    if run.rows:
        tell(f"The check with the power off: meterlink isolate {folder}", "")
        tell(f"To hand over: meterlink report {folder}", "")
