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

    What is not separated yet, tests that probably lie and joints to look at are named below the
    drawing.

    \b
    Examples:
      meterlink map upstairs
      meterlink map upstairs --json | jq .first
      meterlink map upstairs --width 60 --ascii
      meterlink map upstairs --at-amps 15
    """
    from meterlink.commands.job_input import findings_of, job_from, rows_of
    from meterlink.show.drawing import draw
    from meterlink.show.drop_table import drop_lines, drop_mapping
    from meterlink.show.map_json import map_json
    from meterlink.tree.resolve import resolve

    opened = job_from(job)
    wiring_map = resolve(opened.circuit, rows_of(opened), findings=findings_of(opened))
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
        width=columns,
        colour=sys.stdout.isatty() if colour is None else colour,
        ascii_only=ascii_only or not encoding.startswith("utf"),
    )
    click.echo("\n".join([drawing, *below]), color=True)
