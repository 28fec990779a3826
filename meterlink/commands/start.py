"""``meterlink start``: describe a circuit, read the cautions."""

import re
import shlex
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from meterlink.errors import JobError, MeterlinkError, UsageError
from meterlink.live.terminal import tell

if TYPE_CHECKING:
    from meterlink.circuit.circuit import Circuit

T = TypeVar("T")
MOST_WATTS = 50_000.0
_UNIT = re.compile(r"(?<=[\d.])\s*(v|volts?|hz|hertz|a|amps?|amperes?)$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class _Given:
    """What the options say; ``None`` is not said."""

    name: str | None
    receptacles: tuple[str, ...]
    rooms: dict[str, str]
    volts: float | None
    hertz: float | None
    breaker_amps: float | None
    conductor: str | None
    amps: float | None
    watts: float | None
    lead_amps: float | None
    grounded: bool | None
    run_lengths_m: dict[str, float]
    record: dict[str, str | None]


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--name", help="What people call the circuit; default: the name of the folder.")
@click.option("--receptacle", multiple=True, metavar="NAME", help="A receptacle; once for each.")
@click.option("--room", multiple=True, metavar="NAME=ROOM", help="The room a receptacle is in.")
@click.option("--volts", type=float, metavar="V", help="Nominal supply; default: 120.")
@click.option(
    "--hertz", type=float, metavar="HZ", help="Its frequency; default: 60, or 50 above 200 V."
)
@click.option("--breaker", "breaker_amps", type=float, metavar="AMPS", help="Its rating.")
@click.option("--conductor", help="Such as '14 AWG copper' or '2.5 mm2 copper'.")
@click.option("--amps", type=float, metavar="A", help="Current of the load at nominal volts.")
@click.option("--watts", type=float, metavar="W", help="Power of the load, instead of its current.")
@click.option(
    "--lead-amps", type=float, metavar="AMPS", help="Rating of the load's extension lead, if any."
)
@click.option(
    "--ground/--no-ground", "grounded", default=None, help="Whether boxes have a ground contact."
)
@click.option(
    "--run",
    "runs",
    multiple=True,
    metavar="NAME=METRES",
    help="Known length of the cable that feeds a receptacle; 1 if it is right beside the panel.",
)
@click.option("--place", help="For the record: the address.")
@click.option("--panel", help="For the record: the panel.")
@click.option("--breaker-number", "breaker", help="For the record: the breaker's number.")
@click.option("--by", "measured_by", metavar="NAME", help="For the record: who measures.")
@click.option("--meter", help="For the record: make, serial number and calibration of the meter.")
@click.option("--confirm-cautions", is_flag=True, help="The cautions were read before.")
def command(
    job: Path,
    *,
    name: str | None,
    receptacle: tuple[str, ...],
    room: tuple[str, ...],
    volts: float | None,
    hertz: float | None,
    breaker_amps: float | None,
    conductor: str | None,
    amps: float | None,
    watts: float | None,
    lead_amps: float | None,
    grounded: bool | None,
    runs: tuple[str, ...],
    confirm_cautions: bool,
    **record: str | None,
) -> None:
    r"""Describe the circuit that is to be tested; makes DIR with job.toml.

    On a terminal, what no option says is asked, with an answer offered. In a script the offered
    answers are taken; the receptacles have to be given. The load is compared with breaker and
    extension lead, and the cautions are shown and confirmed; that is written to cautions.jsonl.

    \b
    Examples:
      meterlink start upstairs
      meterlink start upstairs --receptacle Door --receptacle Desk --receptacle Bed \
        --breaker 20 --watts 1500 --room Desk=Study --run Door=4 --confirm-cautions
    """
    from meterlink.circuit.checks import lengths_of, pairs_of
    from meterlink.circuit.job import JOB_FILE, write_job
    from meterlink.commands.guided import cautions
    from meterlink.commands.job_input import remark

    if (job / JOB_FILE).exists():
        raise UsageError(
            f"{job / JOB_FILE} is there already: go on with 'meterlink test', correct that "
            "file with an editor, or start in another folder."
        )
    if amps is not None and watts is not None:
        raise UsageError("--amps and --watts say the same thing twice. Give one of them.")
    given = _Given(
        name, receptacle, pairs_of(room, "--room"), volts, hertz, breaker_amps, conductor, amps,
        watts, lead_amps, grounded, lengths_of(pairs_of(runs, "--run"), "--run"), record,
    )  # fmt: skip
    ask = _Asking(on_terminal=sys.stdin.isatty())
    circuit = _circuit(job, given, ask)
    written = write_job(job, circuit)
    cautions(job, confirmed=confirm_cautions)
    remark(f"{written.folder / JOB_FILE} is written; it can be changed with an editor.")
    test = shlex.join(("meterlink", "test", str(job)))
    remark(f"Now: {test} --meter ADDRESS")
    remark("'meterlink meters' finds the address. Without --meter the readings are typed.")


class _Asking:
    """Asks on a terminal; takes what is offered elsewhere."""

    def __init__(self, *, on_terminal: bool) -> None:
        self.on_terminal = on_terminal

    def __call__(self, question: str, offered: T, read: Callable[[str], T]) -> T:
        """Ask until the answer can be read.

        Raises:
            MeterlinkError: There is nobody to ask again.
        """
        if not self.on_terminal:
            return offered
        while True:
            shown = f"{offered:g}" if isinstance(offered, float) else str(offered or "")
            text = click.prompt(question, default=shown, show_default=bool(shown), err=True)
            if text == shown:
                return offered
            try:
                return read(text)
            except MeterlinkError as error:
                tell(error, "  ")

    def yes(self, question: str, *, offered: bool) -> bool:
        """Ask yes or no."""
        return click.confirm(question, default=offered, err=True) if self.on_terminal else offered


def _circuit(folder: Path, given: _Given, ask: _Asking) -> "Circuit":
    """The circuit from options and answers, checked as job.toml is.

    Raises:
        MeterlinkError: An answer makes no sense, or the load is too large.
    """
    from meterlink.circuit import checks
    from meterlink.commands.job_input import remark

    _check_figures(given)
    name = given.name or ask("Name of the circuit", folder.resolve().name, str)
    given_names = given.receptacles and checks.told_apart(given.receptacles, "--receptacle")
    names = given_names or _asked_names(ask)
    volts = given.volts or ask("Supply, volts", 120.0, _figure("volts"))
    hertz = given.hertz
    if hertz is None:
        hertz = ask("Its frequency, hertz", checks.usual_hertz(volts), _figure("hertz"))
    breaker = given.breaker_amps or ask(
        "Breaker, amperes", checks.usual_breaker_amps(volts), _figure("breaker_amps")
    )
    conductor = given.conductor or ask(
        "Conductor", checks.usual_conductor(volts, breaker), _conductor
    )
    load = _load_amps(given, volts, breaker, ask)
    grounded = given.grounded
    if grounded is None:
        grounded = ask.yes("Do the boxes have ground contacts?", offered=True)
    rooms = given.rooms or _named(ask, "Rooms (NAME=ROOM, commas between)", checks.pairs_of)
    lengths = given.run_lengths_m or checks.lengths_of(
        _named(ask, "Known cable lengths (NAME=METRES)", checks.pairs_of), "length"
    )
    circuit, remarks = checks.checked_circuit(
        {
            "name": name,
            "receptacles": names,
            "volts": volts,
            "hertz": hertz,
            "breaker_amps": breaker,
            "conductor": conductor,
            "load_amps": load,
            "grounded": grounded,
            "rooms": rooms,
            "run_lengths_m": lengths,
            **_record(given.record, ask),
        },
        lambda attribute: attribute.replace("_", " "),
    )
    for text in remarks:
        remark(text)
    return circuit


RECORD = {  # what the report says besides what was measured; nothing hangs on it
    "place": "For the record (may be empty): place",
    "panel": "panel",
    "breaker": "number of the breaker",
    "measured_by": "who measures",
    "meter": "meter: make, serial number, calibration",
}


def _record(given: dict[str, str | None], ask: _Asking) -> dict[str, str]:
    """What a person states for the report; what is left empty is left out."""
    answers = {key: given[key] or ask(text, "", str) for key, text in RECORD.items()}
    return {key: text.strip() for key, text in answers.items() if text.strip()}


def _check_figures(given: _Given) -> None:
    """Refuse figures of options that make no sense before anything is worked out from them.

    Raises:
        JobError: One of them does not.
    """
    from meterlink.circuit.checks import checked_figure

    for option, key, value in (
        ("--volts", "volts", given.volts),
        ("--hertz", "hertz", given.hertz),
        ("--breaker", "breaker_amps", given.breaker_amps),
        ("--amps", "load_amps", given.amps),
        ("--lead-amps", "breaker_amps", given.lead_amps),
    ):
        checked_figure(value, key, option)
    if given.watts is not None and not 0 < given.watts < MOST_WATTS:
        raise JobError(f"--watts is {given.watts:g}; expected up to {MOST_WATTS:g} W.")


def _asked_names(ask: _Asking) -> tuple[str, ...]:
    from meterlink.circuit.checks import names_of

    if not ask.on_terminal:
        raise UsageError("Name the receptacles, each with --receptacle NAME.")
    return ask("Receptacles, commas between", (), names_of) or _asked_names(ask)


def _load_amps(given: _Given, volts: float, breaker: float, ask: _Asking) -> float:
    """Current of the load, compared with what carries it.

    Raises:
        JobError: It is more than breaker or lead are rated for.
    """
    from meterlink.circuit.checks import amps_of, check_load, usual_load_amps
    from meterlink.commands.job_input import remark

    def read(text: str) -> float:
        if text.lower().endswith("w"):
            return amps_of(_figure("load_watts")(text[:-1]), volts)
        return _figure("load_amps")(text.lower().removesuffix("a"))

    load = amps_of(given.watts, volts) if given.watts is not None else given.amps
    if load is None:
        load = ask("Load, amperes (or watts, as 1500W)", usual_load_amps(breaker), read)
    found = check_load(load, breaker_amps=breaker, lead_amps=given.lead_amps)
    if found.refusals:
        raise JobError(" ".join(found.refusals))
    for warning in found.warnings:
        remark(warning)
    return load


def _named(
    ask: _Asking, question: str, read: Callable[[list[str], str], dict[str, str]]
) -> dict[str, str]:
    none: dict[str, str] = {}
    if not ask.on_terminal:
        return none
    return ask(f"{question}, or Enter", none, lambda text: read(text.split(","), question))


def _figure(key: str) -> Callable[[str], float]:
    """A reader of numbers within what makes sense."""

    def read(text: str) -> float:
        from meterlink.circuit.checks import FIGURES, checked_figure

        try:
            value = float(_UNIT.sub("", text).replace(",", "."))
        except ValueError as error:
            raise UsageError(f"{text!r} is no number. Write one, such as 12 or 12.5.") from error
        if key in FIGURES:
            checked_figure(value, key, key.replace("_", " "))
        return value

    return read


def _conductor(text: str) -> str:
    from meterlink.circuit.circuit import conductor

    conductor(text)
    return text
