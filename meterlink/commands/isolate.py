"""``meterlink isolate``: the check with the power off, and what was found in it."""

import shutil
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from meterlink.errors import UsageError

if TYPE_CHECKING:
    from meterlink.testlog.findings import Finding


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--at", metavar="NAME", help="Receptacle to open; default: the most probable first.")
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
    breaker_off: bool,
    others_off: bool,
    found_dead: tuple[str, ...],
    found_live: tuple[str, ...],
    note: str,
    time_text: str | None,
    as_json: bool,
) -> None:
    r"""Guide the check of the map in DIR with the power off, and keep what it finds.

    Without findings: the steps, and which receptacles should be dead once the conductors that go
    on from a receptacle are parted from its feed. With --found-dead or --found-live (names with
    commas between): the findings go to isolation.csv in DIR and count as evidence in the map.

    For people licensed for this work. Local code and the site's own procedure go first.

    \b
    Examples:
      meterlink isolate upstairs
      meterlink isolate upstairs --at Door --found-dead Desk,Bed --found-live Hall
      meterlink isolate upstairs --breaker-off --found-live Porch
    """
    from meterlink.commands.job_input import findings_of, job_from, remark
    from meterlink.commands.job_input import rows_of as read_rows_of
    from meterlink.show.isolation_check import Check, check_json, check_text, expectations
    from meterlink.testlog.findings import append_findings
    from meterlink.tree.infer import infer
    from meterlink.tree.posterior import relations
    from meterlink.tree.resolve import map_of

    opened = job_from(job)
    names = opened.circuit.receptacles
    rows = read_rows_of(opened) if opened.log_path.exists() else []
    new = _new_findings(
        names,
        at=at,
        cut=_cut(breaker_off=breaker_off, others_off=others_off),
        dead=_names(found_dead, names, "--found-dead"),
        live=_names(found_live, names, "--found-live"),
        note=note,
        time=_time(time_text),
    )
    if new:
        written = append_findings(opened.folder, new)
        remark(f"{len(written)} finding{'s' if len(written) > 1 else ''} written.")
    findings = tuple(findings_of(opened))
    posterior = infer(opened.circuit, rows, findings=findings)
    wiring_map = map_of(posterior, rows)
    place = at or wiring_map.first.receptacle or wiring_map.points[0].name
    feeds = relations(posterior.orders, len(names))[names.index(place)]
    check = Check(
        opened.circuit, place, expectations(names, place, feeds.tolist()), wiring_map, findings
    )
    width = min(shutil.get_terminal_size((80, 24)).columns, 100)
    click.echo(check_json(check) if as_json else check_text(check, width, str(job)))


def _cut(*, breaker_off: bool, others_off: bool) -> str:
    """Value of ``Cut`` that the options mean."""
    if breaker_off and others_off:
        raise UsageError("--breaker-off and --others-off are two looks; enter them one by one.")
    return "breaker-off" if breaker_off else "others-off" if others_off else "parted"


def _names(values: Sequence[str], known: Sequence[str], option: str) -> list[str]:
    """Names given one by one or with commas between; a name may itself hold a comma."""
    found: list[str] = []
    for value in values:
        parts = [value] if value in known else [part.strip() for part in value.split(",")]
        for part in parts:
            if part not in known:
                raise UsageError(
                    f"{option}: {part!r} is no receptacle of this job. Known: {', '.join(known)}."
                )
            found.append(part)
    return list(dict.fromkeys(found))


def _new_findings(
    names: Sequence[str],
    *,
    at: str | None,
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
    from meterlink.testlog.findings import Cut, Finding, State

    parted = cut == Cut.PARTED
    if at is not None and at not in names:
        raise UsageError(f"--at: {at!r} is no receptacle of this job. Known: {', '.join(names)}.")
    if not parted and at is not None:
        raise UsageError("--at goes with parted conductors, not with breakers. Leave it out.")
    if not dead and not live:
        if not parted:
            raise UsageError("Say what was found: --found-dead NAMES, --found-live NAMES.")
        return []
    if both := set(dead) & set(live):
        raise UsageError(f"{', '.join(sorted(both))} cannot be found both dead and live.")
    if parted and at is None:
        raise UsageError(
            "Say where the conductors were parted with --at NAME, or that a breaker was off with "
            "--breaker-off or --others-off."
        )
    if at in (*dead, *live):
        raise UsageError(
            f"{at!r} is the receptacle that was opened; it says nothing. Leave it out."
        )
    pairs = [(name, State.DEAD) for name in dead] + [(name, State.LIVE) for name in live]
    return [Finding(0, time, Cut(cut), at, name, state, note) for name, state in pairs]


def _time(text: str | None) -> datetime:
    """The stated time, or now; with offset."""
    if text is None:
        return datetime.now().astimezone()
    try:
        return datetime.fromisoformat(text).astimezone()
    except (ValueError, OverflowError) as error:
        raise UsageError(f"--time: {text!r} is no ISO 8601 time: 2026-03-02T09:14:05.") from error
