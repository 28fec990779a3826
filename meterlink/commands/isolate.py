"""``meterlink isolate``: the check with the power off, and what was found in it."""

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from meterlink.errors import UsageError

if TYPE_CHECKING:
    from meterlink.circuit.job import Job
    from meterlink.testlog.findings import Cut, Finding


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--at", metavar="NAME", help="Receptacle to open; default: the most probable first.")
@click.option(
    "--tripped-at", metavar="NAME", help="Receptacle whose device was tripped by its test button."
)
@click.option("--breaker-off", is_flag=True, help="Found with this circuit's breaker off.")
@click.option("--others-off", is_flag=True, help="Found with every breaker off but this one.")
@click.option("--found-dead", multiple=True, metavar="NAMES", help="Receptacles found dead.")
@click.option("--found-live", multiple=True, metavar="NAMES", help="Receptacles found live.")
@click.option("--note", default="", help="Anything worth keeping with the findings.")
@click.option("--time", "time_text", metavar="ISO", help="When it was found; default: now.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    job: Path,
    *,
    at: str | None,
    tripped_at: str | None,
    breaker_off: bool,
    others_off: bool,
    found_dead: tuple[str, ...],
    found_live: tuple[str, ...],
    note: str,
    time_text: str | None,
    as_json: bool,
) -> None:
    r"""Guide the check of the map in DIR with the power off, and keep what it finds.

    Without findings: the steps, and which receptacles should be dead once the outgoing (load)
    wires of a receptacle are disconnected from its feed. With --found-dead or --found-live (names
    with commas between): the findings go to isolation.csv in DIR and count as evidence in the map.
    With --tripped-at no box is opened: what the test button of a device makes dead hangs on it.

    For people licensed for this work. Local code and the site's own procedure go first.

    \b
    Examples:
      meterlink isolate upstairs
      meterlink isolate upstairs --at Door --found-dead Desk,Bed --found-live Hall
      meterlink isolate upstairs --tripped-at Sink --found-dead Sink,Porch --found-live Hall
      meterlink isolate upstairs --breaker-off --found-live Porch
    """
    from meterlink.commands.job_input import job_from, names_from, remark, time_from
    from meterlink.testlog.findings import Cut, append_findings

    opened = job_from(job)
    names = opened.circuit.receptacles
    new = _new_findings(
        place=_place(at, tripped_at, names),
        cut=_cut(tripped=tripped_at is not None, breaker_off=breaker_off, others_off=others_off),
        dead=names_from(found_dead, names, "--found-dead"),
        live=names_from(found_live, names, "--found-live"),
        note=note,
        time=time_from(time_text),
    )
    if new:
        written = append_findings(opened.folder, new)
        remark(f"{len(written)} finding{'s' if len(written) > 1 else ''} written.")
    cut = Cut.TRIPPED if tripped_at is not None else Cut.DISCONNECTED
    show_check(opened, _place(at, tripped_at, names), cut, as_json=as_json)


def show_check(job: "Job", place: str | None, cut: "Cut", *, as_json: bool = False) -> None:
    """Print the check with the power off, at a place or at the most probable first receptacle."""
    from meterlink.answers.wirings import expectations, place_to_open
    from meterlink.commands.job_input import known_from
    from meterlink.live.terminal import columns
    from meterlink.show.power_off import Check, check_json, check_text

    known, _, findings = known_from(job)
    place = place or place_to_open(known.wirings)
    expected = expectations(known.wirings, cut, place)
    check = Check(place, cut, expected, known.wiring_map, tuple(findings))
    click.echo(check_json(check) if as_json else check_text(check, columns(), str(job.folder)))


def _place(at: str | None, tripped_at: str | None, names: Sequence[str]) -> str | None:
    """The receptacle that was opened or whose device was tripped, as the job names it."""
    from meterlink.commands.job_input import names_from

    if at is not None and tripped_at is not None:
        raise UsageError("--at and --tripped-at are two looks; enter them one by one.")
    given, option = (at, "--at") if at is not None else (tripped_at, "--tripped-at")
    if given is None:
        return None
    found = names_from([given], names, option)
    if len(found) != 1:
        raise UsageError(f"{option}: {given!r} names more than one receptacle; give one.")
    return found[0]


def _cut(*, tripped: bool, breaker_off: bool, others_off: bool) -> str:
    """Value of ``Cut`` that the options mean."""
    if breaker_off and others_off:
        raise UsageError("--breaker-off and --others-off are two looks; enter them one by one.")
    breaker = "breaker-off" if breaker_off else "others-off" if others_off else ""
    return breaker or ("tripped" if tripped else "parted")


def _new_findings(
    *,
    place: str | None,
    cut: str,
    dead: Sequence[str],
    live: Sequence[str],
    note: str,
    time: datetime,
) -> "list[Finding]":
    """The findings that the options tell, checked.

    Raises:
        UsageError: They make no sense together.
    """
    from meterlink.testlog.findings import AT_A_RECEPTACLE, Cut, Finding, State

    here = cut in AT_A_RECEPTACLE
    if not here and place is not None:
        raise UsageError(
            "--at and --tripped-at go with what is done at a receptacle, not with breakers. Leave "
            "them out."
        )
    if not dead and not live:
        if not here:
            raise UsageError("Say what was found: --found-dead NAMES, --found-live NAMES.")
        return []
    if both := set(dead) & set(live):
        raise UsageError(f"{', '.join(sorted(both))} cannot be found both dead and live.")
    if here and place is None:
        raise UsageError(
            "Say where the load wires were disconnected with --at NAME, whose device was tripped "
            "with --tripped-at NAME, or that a breaker was off with --breaker-off or --others-off."
        )
    if cut == Cut.DISCONNECTED and place in (*dead, *live):
        raise UsageError(
            f"{place!r} is the receptacle that was opened; it says nothing. Leave it out."
        )
    pairs = [(name, State.DEAD) for name in dead] + [(name, State.LIVE) for name in live]
    return [Finding(0, time, Cut(cut), place, name, state, note) for name, state in pairs]
