"""``meterlink protect``: where ground-fault devices go, and what they protect."""

import shutil
from pathlib import Path

import click


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.option(
    "--cover", multiple=True, metavar="NAME", help="A receptacle to protect; repeat. Default: all."
)
@click.option(
    "--at", multiple=True, metavar="NAME", help="A receptacle with a device in it; repeat."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(job: Path, *, cover: tuple[str, ...], at: tuple[str, ...], as_json: bool) -> None:
    r"""Say where the fewest ground-fault devices (GFCI, RCD) protect everything in DIR.

    A device protects its own receptacle and all that hangs on its load terminals, downstream of
    it. With --cover: the fewest for the receptacles named. With --at: what devices at the places
    named protect, and what not.

    \b
    Examples:
      meterlink protect upstairs
      meterlink protect upstairs --cover Sink --cover Porch
      meterlink protect upstairs --at Door --json
    """
    from meterlink.answers.protection import protect
    from meterlink.commands.job_input import job_from, known_from, names_from
    from meterlink.show.answers_text import protection_json, protection_text
    from meterlink.show.sentences import ungrounded

    opened = job_from(job)
    names = opened.circuit.receptacles
    covered = names_from(cover, names, "--cover")
    places = names_from(at, names, "--at")
    known, _, _ = known_from(opened)
    answer = protect(known.wirings, covered, places)
    if as_json:
        click.echo(protection_json(answer))
        return
    width = min(shutil.get_terminal_size((80, 24)).columns, 100)
    more = ungrounded(opened.circuit)
    click.echo(protection_text(answer, known.wiring_map, more, width, str(job)))
