"""``meterlink fault``: receptacles are dead or flicker; which box to open first."""

import shutil
from pathlib import Path

import click

from meterlink.errors import UsageError


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.option(
    "--dead", multiple=True, metavar="NAMES", help="Receptacles that are dead; commas between."
)
@click.option(
    "--live", multiple=True, metavar="NAMES", help="Receptacles that were looked at and work."
)
@click.option("--flickers", is_flag=True, help="They flicker rather than stay dead.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    job: Path, *, dead: tuple[str, ...], live: tuple[str, ...], flickers: bool, as_json: bool
) -> None:
    r"""Say which box to open first where receptacles in DIR are dead or flicker, and the next best.

    One break is looked for: an open hot or neutral, between the last receptacle that works and
    the first that does not. Works before any test too; then it is only what is usual.

    \b
    Examples:
      meterlink fault upstairs --dead Desk,Bed
      meterlink fault upstairs --dead Desk --dead Bed --live Door --json
      meterlink fault upstairs --dead Hall --flickers
    """
    from meterlink.answers.fault import find_fault
    from meterlink.commands.job_input import job_from, known_from, names_from
    from meterlink.show.answers_text import fault_json, fault_text

    opened = job_from(job)
    names = opened.circuit.receptacles
    broken = names_from(dead, names, "--dead")
    works = names_from(live, names, "--live")
    if not broken:
        raise UsageError("Say which receptacles are dead or flicker: --dead NAME[,NAME ...].")
    if both := [name for name in broken if name in works]:
        raise UsageError(f"{', '.join(both)} cannot be both dead and live. Name it once.")
    known, rows, findings = known_from(opened)
    answer = find_fault(
        known.wirings,
        broken,
        live=works,
        poor=known.wiring_map.poor_joints,
        tested=bool(rows or findings),
        flickers=flickers,
    )
    width = min(shutil.get_terminal_size((80, 24)).columns, 100)
    click.echo(fault_json(answer) if as_json else fault_text(answer, width))
