"""``meterlink report``: the page to hand over, and what goes on the panel door."""

from pathlib import Path

import click


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The HTML page; default: report.html in DIR.",
)
@click.option("--pdf", is_flag=True, help="Print the page to a PDF beside it (needs Chromium).")
@click.option("--svg", is_flag=True, help="Write the map alone as an SVG picture beside it.")
@click.option("--png", is_flag=True, help="Write the map alone as PNG (needs Chromium).")
@click.option(
    "--label",
    is_flag=True,
    help="Write the label for the panel door, as text and as a page to print.",
)
@click.option("--dated", default="", metavar="TEXT", help="A date to print below the title.")
def command(
    job: Path, *, out: Path | None, pdf: bool, svg: bool, png: bool, label: bool, dated: str
) -> None:
    r"""Write one self-contained HTML page about the job in DIR.

    Page one: the answer, the drawing, what to look at and what to do next. Then the points, the
    voltage drop, every test with its whole trace, and a form for the check with the power off. The
    same job gives the same page, byte for byte. The paths of the files go to standard output.

    \b
    Examples:
      meterlink report upstairs
      meterlink report upstairs --out handover.html --pdf --dated "12 May 2026"
      meterlink report upstairs --svg --label
    """
    from meterlink.answers.wirings import known_of
    from meterlink.commands.job_input import findings_of, job_from, rows_of
    from meterlink.show.handover import Wanted, hand_over

    opened = job_from(job)
    rows = rows_of(opened)
    wanted = Wanted(pdf=pdf, svg=svg, png=png, label=label)
    page = out or opened.folder / "report.html"
    known = known_of(opened.circuit, rows, findings_of(opened))
    for path in hand_over(opened, rows, known, page, wanted=wanted, dated=dated):
        click.echo(path)
