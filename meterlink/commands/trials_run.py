"""``meterlink trials run``: take repeat trials of one hookup."""

import csv
import re
import secrets
import sys
from collections.abc import Sequence
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from meterlink.errors import UsageError

if TYPE_CHECKING:
    from meterlink.circuit.job import Job
    from meterlink.circuit.setup import Setup
    from meterlink.lab.run import Plan, Rhythm
    from meterlink.lab.switching import Load, Switch
    from meterlink.live.session import LiveSession
    from meterlink.testlog.log import TestLog

HOOKUPS = ("neutral-neutral", "neutral-ground", "line-drop")
_COLUMN = re.compile(r"[a-z][a-z0-9_]{0,39}")


@click.command("run")
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--meter", required=True, metavar="ADDRESS", help="Address or name of the meter.")
@click.option(
    "--repeat",
    required=True,
    type=click.IntRange(1, 10_000),
    help="Trials in all, of each hookup.",
)
@click.option("--hookup", type=click.Choice(HOOKUPS), help="Where the leads go.")
@click.option("--lead-a", metavar="NAME", help="Receptacle of the first lead.")
@click.option("--lead-b", metavar="NAME", help="Of the second, for neutral-neutral.")
@click.option("--load-at", metavar="NAME", help="Receptacle of the load.")
@click.option(
    "--setup",
    "setups",
    multiple=True,
    metavar="HOOKUP,A[,B],LOAD",
    help="Instead of these four, once for each of several hookups, taken in random order.",
)
@click.option("--seed", type=int, help="Of the random order; drawn, and noted, where not given.")
@click.option(
    "--amps", type=float, metavar="A", help="Of the load; goes into a job.toml that is made anew."
)
@click.option("--idle", "idle_s", default=8.0, show_default=True, help="Seconds before the load.")
@click.option("--on", "on_s", default=10.0, show_default=True, help="Seconds with the load on.")
@click.option("--after", "after_s", default=6.0, show_default=True, help="Seconds after it.")
@click.option(
    "--cool-down",
    "cool_down_s",
    default=0.0,
    metavar="S",
    help="Seconds of rest between two trials, at least.",
)
@click.option(
    "--duty",
    "duty_percent",
    default=100.0,
    metavar="PERCENT",
    help="Largest share of the time that the load is on; rests are made as long as that takes.",
)
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
@click.option(
    "--switch-limit",
    "limit_s",
    type=click.FloatRange(0.05, 60),
    default=10.0,
    show_default=True,
    metavar="S",
    help="Seconds after which --switch-command hangs: it is ended, and off is tried again.",
)
@click.option(
    "--load-is-off",
    is_flag=True,
    help="I have looked: the load that the last run may have left on is off.",
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
def run(job: Path, *, meter: str, **options: Any) -> None:
    r"""Take repeat trials of one hookup, or of several in random order.

    Trials are taken until the log of the job in DIR holds as many as --repeat says; one that was
    removed ('meterlink withdraw'), that is unclear, or that is not-in-path where others are, as
    when nobody switched, does not count and is made up for.

    The load is switched by hand on the rhythm shown, or by what --switch-command or --switch-scpi
    names. q, Ctrl-C or the end of the terminal stops: the trial that runs is left out, the load is
    switched off (a hand is told to), and the same command goes on later. Each trial is a row of the
    log; all readings are recorded. A run that was killed with the load on is made good by the next,
    which switches off before it measures.

    Mains voltage, and a heavy load switched many times: cords and contacts warm up. Stay by it,
    keep within their ratings (--cool-down, --duty), and leave leads in live parts to whoever is
    licensed for that.

    \b
    Examples:
      meterlink trials run bench --meter bench-meter --repeat 20 \
        --hookup neutral-ground --lead-a Desk --load-at Desk --set operator=Ann
      meterlink trials run bench --meter lines:/dev/ttyUSB0,9600 --repeat 100 \
        --hookup neutral-neutral --lead-a Desk --lead-b Door --load-at Bed \
        --switch-command "relay --channel 1 {state}" --duty 25
      meterlink trials run bench --meter bench-meter --repeat 5 \
        --setup neutral-ground,Desk,Desk --setup neutral-neutral,Desk,Door,Bed
    """
    from meterlink.lab.run import Rhythm
    from meterlink.lab.switching import Load, stop_signals
    from meterlink.testlog.log import TestLog

    asked = _Asked(**options)
    setups = _setups(asked)
    rhythm = Rhythm(asked.idle_s, asked.on_s, asked.after_s, asked.cool_down_s,
                    asked.duty_percent / 100)  # fmt: skip
    columns = _columns(asked.extras)
    opened = _job(job, setups, asked.amps)
    stopped = False
    with ExitStack() as stack:
        log = stack.enter_context(TestLog(opened.log_path, extra=tuple(columns)))
        load = Load(_switch(asked, opened.folder), opened.folder)
        stack.enter_context(closing(load))
        with stop_signals() as stop:
            made_safe = load.make_safe(seen_off=asked.load_is_off)
        if made_safe:
            _tell(made_safe)
        stopped = stop.count > 0
        plan = _plan(opened, setups, columns, asked, rhythm)
        if plan.order and not stopped:
            session = stack.enter_context(_session(opened, meter))
            stopped = _take(session, log, opened, plan, load)
    done = sum(_done(opened, setup, columns)[0] for setup in setups)
    _tell(f"{done} of {asked.repeat * len(setups)} trials are in {opened.log_path}.")
    if stopped:
        more = " with --load-is-off, once it is off," if load.may_be_on else ""
        _tell(f"stopped. The same command{more} goes on with the rest.")
        sys.exit(1)


@dataclass(frozen=True, slots=True)
class _Asked:
    """The options, as click gives them."""

    repeat: int
    hookup: str | None
    lead_a: str | None
    lead_b: str | None
    load_at: str | None
    setups: tuple[str, ...]
    seed: int | None
    amps: float | None
    idle_s: float
    on_s: float
    after_s: float
    cool_down_s: float
    duty_percent: float
    switch_command: str | None
    switch_scpi: str | None
    limit_s: float
    load_is_off: bool
    scpi_on: str
    scpi_off: str
    extras: tuple[str, ...]


def _tell(text: str) -> None:
    """Tell the person, where there still is one: the terminal may have been closed."""
    from meterlink.commands.job_input import remark

    with suppress(OSError):
        remark(text)


def _setups(asked: _Asked) -> "list[Setup]":
    """The hookups, each once.

    Raises:
        UsageError: None, one of both kinds, or one that cannot be read.
    """
    from meterlink.circuit.setup import Hookup, Setup

    named = (asked.hookup, asked.lead_a, asked.load_at)
    if asked.setups:
        if any(named) or asked.lead_b:
            raise UsageError("--setup stands for --hookup, --lead-a, --lead-b and --load-at.")
        return list(dict.fromkeys(map(_setup, asked.setups)))
    if asked.hookup is None or asked.lead_a is None or asked.load_at is None:
        raise UsageError("Say what is repeated: --hookup, --lead-a and --load-at, or --setup.")
    return [Setup(Hookup(asked.hookup), asked.lead_a, asked.lead_b, asked.load_at)]


def _setup(text: str) -> "Setup":
    from meterlink.circuit.setup import Hookup, Setup

    (cells,) = csv.reader([text], skipinitialspace=True)
    if len(cells) == 3:
        cells = [cells[0], cells[1], "", cells[2]]
    if len(cells) != 4 or cells[0] not in HOOKUPS:
        raise UsageError(
            f"--setup {text[:80]!r}: expected HOOKUP,A,B,LOAD, or HOOKUP,A,LOAD, such as "
            f"neutral-ground,Desk,Desk. Hookups: {', '.join(HOOKUPS)}."
        )
    return Setup(Hookup(cells[0]), cells[1], cells[2] or None, cells[3])


def _plan(
    job: "Job",
    setups: "list[Setup]",
    columns: dict[str, str],
    asked: _Asked,
    rhythm: "Rhythm",
) -> "Plan":
    """What is left to do."""
    from meterlink.lab.run import Plan, random_order

    there = [(setup, *_done(job, setup, columns)) for setup in setups]
    seed = None
    if len(setups) > 1:
        seed = secrets.randbits(31) if asked.seed is None else asked.seed
    left = [(setup, max(0, asked.repeat - done)) for setup, done, _ in there]
    return Plan(
        order=random_order(left, seed or 0),
        rhythm=rhythm,
        done=sum(min(done, asked.repeat) for _, done, _ in there),
        in_path=frozenset(setup for setup, _, in_path in there if in_path),
        extra=columns,
        seed=seed,
    )


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


def _job(folder: Path, setups: "list[Setup]", amps: float | None) -> "Job":
    """The job, made anew for these receptacles where there is none."""
    from meterlink.circuit.checks import checked_figure, checked_names, unknown_name
    from meterlink.circuit.circuit import Circuit
    from meterlink.circuit.job import JOB_FILE, write_job
    from meterlink.commands.job_input import job_from

    if not (folder / JOB_FILE).exists():
        named = [name for setup in setups for name in (*setup.leads, setup.load_at) if name]
        names = checked_names(list(dict.fromkeys(named)), "the trials")
        amps = checked_figure(amps, "load_amps", "--amps")
        circuit = Circuit(f"Trials in {folder.resolve().name}", names, load_amps=amps)
        write_job(folder, circuit)
    job = job_from(folder)
    for setup in setups:
        if (unknown := unknown_name(setup, job.circuit)) is not None:
            raise UsageError(f"{folder / JOB_FILE}: {unknown}")
    return job


def _done(job: "Job", setup: "Setup", columns: dict[str, str]) -> tuple[int, bool]:
    """Trials of this kind that the log has, and whether the load current was seen in one."""
    from meterlink.circuit.setup import Verdict
    from meterlink.lab.read_logs import read_trials
    from meterlink.lab.table import Question
    from meterlink.testlog.columns import Source, neutralised

    names = ("setup", "source", *columns)
    trials = read_trials([job.folder], Question(value="test", groups=names))
    leads = (setup.hookup, setup.lead_a, setup.lead_b or "", setup.load_at or "")
    wanted = (
        tuple(map(neutralised, leads)),
        Source.LIVE.value,
        *map(neutralised, columns.values()),
    )
    found = [series for series in trials.table.series() if series.key == wanted]
    return (
        sum(series.value.size for series in found),
        any(series.tally.verdicts[Verdict.IN_PATH.value] for series in found),
    )


def _switch(asked: _Asked, folder: Path) -> "Switch":
    from drivers.errors import DriverError
    from meterlink.lab.switching import CommandSwitch, HandSwitch, ScpiSwitch, SwitchError, left_on
    from meterlink.live.remembered import find_address

    if asked.switch_command is not None and asked.switch_scpi is not None:
        raise UsageError("--switch-command and --switch-scpi exclude each other. Choose one.")
    if asked.switch_command is not None:
        return CommandSwitch(asked.switch_command, asked.limit_s)
    if asked.switch_scpi is None:
        return HandSwitch()
    try:
        return ScpiSwitch(find_address(asked.switch_scpi), asked.scpi_on, asked.scpi_off)
    except DriverError as error:
        left = left_on(folder)
        if left is None or asked.load_is_off:
            raise
        raise SwitchError(f"{left.warning()} {error}") from error


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


def _take(session: "LiveSession", log: "TestLog", job: "Job", plan: "Plan", load: "Load") -> bool:
    """Take the trials; returns whether a person or a signal stopped it."""
    from meterlink.commands.trials_screen import TrialsScreen
    from meterlink.lab.run import Stage, TrialRun
    from meterlink.lab.switching import stop_signals
    from meterlink.live.terminal import Keys

    trials = TrialRun(session, log, job.circuit, plan, load)
    with Keys() as keys, TrialsScreen(plan, by_hand=load.by_hand) as screen:
        if plan.seed is not None and not keys.available:
            raise UsageError(
                "Between hookups a person moves the leads and presses a key: several --setup need "
                "a terminal. Without one, run them one after the other."
            )
        with stop_signals() as stop:
            try:
                with closing(trials.progress()) as steps:
                    for step in steps:
                        screen.show(step)
                        pressed = keys.pressed()
                        if stop.count or "q" in pressed.lower():
                            return True
                        trials.moved = step.stage is Stage.MOVE and bool(pressed)
            finally:
                if trials.ended_on and load.by_hand:
                    _tell("\n\n  *** SWITCH THE LOAD OFF NOW. ***\n")
    return stop.count > 0
