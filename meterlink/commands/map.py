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
def command(
    job: Path, *, as_json: bool, width: int | None, ascii_only: bool, colour: bool | None
) -> None:
    r"""Draw the wiring order that the tests in DIR say, with how sure each part is.

    What is not separated yet, tests that probably lie and joints to look at are named below the
    drawing.

    \b
    Examples:
      meterlink map upstairs
      meterlink map upstairs --json | jq .first
      meterlink map upstairs --width 60 --ascii
    """
    from meterlink.commands.job_input import findings_of, job_from, rows_of
    from meterlink.show.drawing import draw
    from meterlink.show.map_json import map_json
    from meterlink.tree.resolve import resolve

    opened = job_from(job)
    wiring_map = resolve(opened.circuit, rows_of(opened), findings=findings_of(opened))
    if as_json:
        click.echo(map_json(wiring_map))
        return
    encoding = (sys.stdout.encoding or "ascii").casefold().replace("-", "")
    drawing = draw(
        wiring_map,
        width=width or min(shutil.get_terminal_size((100, 24)).columns, 120),
        colour=sys.stdout.isatty() if colour is None else colour,
        ascii_only=ascii_only or not encoding.startswith("utf"),
    )
    click.echo(drawing, color=True)
