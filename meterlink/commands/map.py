"""``meterlink map``: the wiring order that the tests say."""

import shutil
import sys
from pathlib import Path

import click


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--json", "as_json", is_flag=True, help="Print the map as one JSON object.")
@click.option("--width", type=click.IntRange(40, 400), help="Columns; default: the terminal's.")
@click.option("--ascii", "ascii_only", is_flag=True, help="Draw with plain characters only.")
@click.option("--colour/--no-colour", default=None, help="Default: where a terminal is looking.")
@click.option(
    "--at-amps", type=float, metavar="A", help="Also the voltage drop with this load at each."
)
def command(
    job: Path,
    *,
    as_json: bool,
    width: int | None,
    ascii_only: bool,
    colour: bool | None,
    at_amps: float | None,
) -> None:
    r"""Draw the wiring order that the tests in DIR say, with how sure each part is.

    Where a ground-fault device protects everything comes first. What is still unknown, tests that
    look wrong and connections to look at are named below the drawing.

    \b
    Examples:
      meterlink map upstairs
      meterlink map upstairs --json | jq .first
      meterlink map upstairs --width 60 --ascii
      meterlink map upstairs --at-amps 15
    """
    from meterlink.answers.protection import protect
    from meterlink.answers.wirings import known_of
    from meterlink.commands.job_input import findings_of, job_from, rows_of
    from meterlink.show.as_json import map_json
    from meterlink.show.drawing import draw
    from meterlink.show.voltage_drop import drop_lines, drop_mapping

    opened = job_from(job)
    known = known_of(opened.circuit, rows_of(opened), findings_of(opened))
    wiring_map = known.wiring_map
    if as_json:
        more = {}
        if at_amps is not None:
            more["voltage_drop"] = drop_mapping(wiring_map, opened.circuit, at_amps)
        click.echo(map_json(wiring_map, more))
        return
    columns = width or min(shutil.get_terminal_size((100, 24)).columns, 120)
    below: list[str] = []
    if at_amps is not None:
        below = drop_lines(wiring_map, opened.circuit, at_amps, columns)
    encoding = (sys.stdout.encoding or "ascii").casefold().replace("-", "")
    drawing = draw(
        wiring_map,
        protect(known.wirings),
        width=columns,
        colour=sys.stdout.isatty() if colour is None else colour,
        ascii_only=ascii_only or not encoding.startswith("utf"),
    )
    click.echo("\n".join([drawing, *below]), color=True)
