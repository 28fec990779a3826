"""``meterlink trials run``: take repeat trials of one hookup."""

import re
import sys
from collections.abc import Sequence
from contextlib import ExitStack, closing
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from meterlink.errors import UsageError

if TYPE_CHECKING:
    from meterlink.circuit.job import Job
    from meterlink.circuit.setup import Setup
    from meterlink.lab.run import Plan, TrialRun
    from meterlink.lab.switching import Switch
    from meterlink.live.session import LiveSession

HOOKUPS = ("neutral-neutral", "neutral-ground", "line-drop")
_COLUMN = re.compile(r"[a-z][a-z0-9_]{0,39}")


@click.command("run")
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--meter", required=True, metavar="ADDRESS", help="Address or name of the meter.")
@click.option("--repeat", required=True, type=click.IntRange(1, 10_000), help="Trials in all.")
@click.option("--hookup", required=True, type=click.Choice(HOOKUPS), help="Where the leads go.")
@click.option("--lead-a", required=True, metavar="NAME", help="Receptacle of the first lead.")
@click.option("--lead-b", metavar="NAME", help="Of the second, for neutral-neutral.")
@click.option("--load-at", required=True, metavar="NAME", help="Receptacle of the load.")
@click.option(
    "--amps", type=float, metavar="A", help="Of the load; goes into a job.toml that is made anew."
)
@click.option("--idle", "idle_s", default=8.0, show_default=True, help="Seconds before the load.")
@click.option("--on", "on_s", default=10.0, show_default=True, help="Seconds with the load on.")
@click.option("--after", "after_s", default=6.0, show_default=True, help="Seconds after it.")
@click.option(
    "--switch-command",
    metavar="COMMAND",
    help="Program that switches the load; {state} in it becomes on or off.",
)
@click.option(
    "--switch-scpi",
    metavar="ADDRESS",
    help="Instrument whose output or relay switches the load, such as "
    "scpi:TCPIP::192.0.2.7::5025::SOCKET.",
)
@click.option("--scpi-on", default="OUTP ON", show_default=True, help="What switches it on.")
@click.option("--scpi-off", default="OUTP OFF", show_default=True, help="What switches it off.")
@click.option(
    "--set",
    "extras",
    multiple=True,
    metavar="COLUMN=TEXT",
    help="A further column of the log, such as operator=Ann or meter=M2, for --by later.",
)
def run(
    job: Path,
    *,
    meter: str,
    repeat: int,
    hookup: str,
    lead_a: str,
    lead_b: str | None,
    load_at: str,
    amps: float | None,
    idle_s: float,
    on_s: float,
    after_s: float,
    switch_command: str | None,
    switch_scpi: str | None,
    scpi_on: str,
    scpi_off: str,
    extras: tuple[str, ...],
) -> None:
    r"""Take repeat trials of one hookup.

    Trials are taken until the log of the job in DIR holds as many as --repeat says; one that was
    taken back ('meterlink withdraw') does not count and is made up for.

    The load is switched by hand on the rhythm shown, or by what --switch-command or --switch-scpi
    names. q or Ctrl-C stops: the trial that runs is left out, the load is switched off (a hand is
    told to), and the same command goes on later. Each trial is a row of the log; all readings are
    recorded.

    Mains voltage, and a heavy load switched many times: cords and contacts warm up. Stay by it,
    keep within their ratings, and leave leads in live parts to whoever is licensed for that.

    \b
    Examples:
      meterlink trials run bench --meter bench-meter --repeat 20 \
        --hookup neutral-ground --lead-a Desk --load-at Desk --set operator=Ann
      meterlink trials run bench --meter lines:/dev/ttyUSB0,9600 --repeat 100 \
        --hookup neutral-neutral --lead-a Desk --lead-b Door --load-at Bed \
        --switch-command "relay --channel 1 {state}"
    """
    import signal

    from meterlink.circuit.setup import Hookup, Setup
    from meterlink.commands.job_input import remark
    from meterlink.lab.rhythm import Rhythm
    from meterlink.lab.run import Plan, TrialRun
    from meterlink.testlog.log import TestLog

    rhythm = Rhythm(idle_s, on_s, after_s)
    setup = Setup(Hookup(hookup), lead_a, lead_b, load_at)
    columns = _columns(extras)
    opened = _job(job, setup, amps)
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # end in order, as by Ctrl-C
    stopped = False
    with ExitStack() as stack:
        log = stack.enter_context(TestLog(opened.log_path, extra=tuple(columns)))
        plan = Plan(setup, rhythm, repeat, _done(opened, setup, columns), columns)
        if plan.done < repeat:
            switch = _switch(switch_command, switch_scpi, scpi_on, scpi_off)
            stack.enter_context(closing(switch))
            session = stack.enter_context(_session(opened, meter))
            trials = TrialRun(session, log, opened.circuit, plan, switch)
            try:
                stopped = _take(trials, plan, by_hand=switch.by_hand)
            finally:
                if trials.ended_on and switch.by_hand:
                    remark("SWITCH THE LOAD OFF NOW.")
    remark(f"{_done(opened, setup, columns)} of {repeat} trials are in {opened.log_path}.")
    if stopped:
        remark("stopped. The same command goes on with the rest.")
        sys.exit(1)


def _columns(extras: Sequence[str]) -> dict[str, str]:
    """Columns of ``--set``."""
    from meterlink.testlog.columns import COLUMNS

    columns: dict[str, str] = {}
    for text in extras:
        name, equals, value = text.partition("=")
        if not equals or not value or not _COLUMN.fullmatch(name) or name in COLUMNS:
            raise UsageError(
                f"--set {text[:60]!r}: expected COLUMN=TEXT, the column in small letters, digits "
                "and _, and none that a log has anyway; such as operator=Ann."
            )
        columns[name] = value
    return columns


def _job(folder: Path, setup: "Setup", amps: float | None) -> "Job":
    """The job, made anew for these receptacles where there is none."""
    from meterlink.circuit.checks import checked_figure
    from meterlink.circuit.circuit import Circuit
    from meterlink.circuit.job import JOB_FILE, write_job
    from meterlink.circuit.names import unknown_name
    from meterlink.commands.job_input import job_from

    if not (folder / JOB_FILE).exists():
        names = tuple(dict.fromkeys((*setup.leads, setup.load_at)))
        amps = checked_figure(amps, "load_amps", "--amps")
        write_job(folder, Circuit(f"Trials in {folder.resolve().name}", names, load_amps=amps))
    job = job_from(folder)
    if (unknown := unknown_name(setup, job.circuit)) is not None:
        raise UsageError(f"{folder / JOB_FILE}: {unknown}")
    return job


def _done(job: "Job", setup: "Setup", columns: dict[str, str]) -> int:
    """Trials of this kind that the log has."""
    from meterlink.lab.read_logs import read_trials
    from meterlink.lab.table import Question
    from meterlink.testlog.formula import neutralised
    from meterlink.testlog.rows import Source

    names = ("setup", "source", *columns)
    trials = read_trials([job.folder], Question(value="test", groups=names))
    leads = (setup.hookup, setup.lead_a, setup.lead_b or "", setup.load_at)
    wanted = (
        tuple(map(neutralised, leads)),
        Source.LIVE.value,
        *map(neutralised, columns.values()),
    )
    return sum(series.value.size for series in trials.table.series() if series.key == wanted)


def _switch(command: str | None, scpi: str | None, on_text: str, off_text: str) -> "Switch":
    from meterlink.lab.switching import CommandSwitch, HandSwitch, ScpiSwitch
    from meterlink.live.remembered import find_address

    if command is not None and scpi is not None:
        raise UsageError("--switch-command and --switch-scpi exclude each other. Choose one.")
    if command is not None:
        return CommandSwitch(command)
    if scpi is not None:
        return ScpiSwitch(find_address(scpi), on_text, off_text)
    return HandSwitch()


def _session(job: "Job", meter: str) -> "LiveSession":
    """The meter, opened, recording into the job's folder of captures."""
    from meterlink.circuit.job import header_of
    from meterlink.errors import JobError
    from meterlink.live.remembered import find_address
    from meterlink.live.session import LiveSession

    address = find_address(meter)
    try:
        job.captures_path.mkdir(exist_ok=True)
    except OSError as error:
        raise JobError(f"{job.captures_path} cannot be made: {error.strerror}.") from error
    name = f"trials-{datetime.now(UTC):%Y%m%d-%H%M%S-%f}.jsonl"
    return LiveSession(address, job.captures_path / name, circuit=header_of(job.circuit))


def _take(trials: "TrialRun", plan: "Plan", *, by_hand: bool) -> bool:
    """Take the trials; returns whether a person stopped it."""
    from meterlink.commands.trials_screen import TrialsScreen
    from meterlink.live.keys import Keys

    with Keys() as keys, TrialsScreen(plan, by_hand=by_hand) as screen:
        try:
            with closing(trials.beats()) as beats:
                for beat in beats:
                    screen.show(beat)
                    if "q" in keys.pressed().lower():
                        return True
        except KeyboardInterrupt:
            return True
    return False
