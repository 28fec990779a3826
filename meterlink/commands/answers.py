"""What the readings say: ``meterlink map``, ``protect``, ``fault``, ``report`` and ``ring``."""

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from meterlink.errors import UsageError

if TYPE_CHECKING:
    from meterlink.show.report import Wanted


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--json", "as_json", is_flag=True, help="Print the map as one JSON object.")
@click.option("--width", type=click.IntRange(40, 400), help="Columns; default: the terminal's.")
@click.option("--ascii", "ascii_only", is_flag=True, help="Draw with plain characters only.")
@click.option("--colour/--no-colour", default=None, help="Default: where a terminal is looking.")
@click.option(
    "--at-amps", type=float, metavar="A", help="Also the voltage drop with this load at each."
)
def map_command(
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
    from meterlink.live.terminal import columns, is_utf8
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
    cells = width or columns(120, unknown=100)
    below: list[str] = []
    if at_amps is not None:
        below = drop_lines(wiring_map, opened.circuit, at_amps, cells)
    drawing = draw(
        wiring_map,
        protect(known.wirings),
        width=cells,
        colour=sys.stdout.isatty() if colour is None else colour,
        ascii_only=ascii_only or not is_utf8(sys.stdout),
    )
    click.echo("\n".join([drawing, *below]), color=True)


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.option(
    "--cover", multiple=True, metavar="NAME", help="A receptacle to protect; repeat. Default: all."
)
@click.option(
    "--at", multiple=True, metavar="NAME", help="A receptacle with a device in it; repeat."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def protect_command(
    job: Path, *, cover: tuple[str, ...], at: tuple[str, ...], as_json: bool
) -> None:
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
    from meterlink.live.terminal import columns
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
    more = ungrounded(opened.circuit)
    click.echo(protection_text(answer, known.wiring_map, more, columns(), str(job)))


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
def fault_command(
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
    from meterlink.live.terminal import columns
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
    click.echo(fault_json(answer) if as_json else fault_text(answer, columns()))


@click.command()
@click.option("--r1", required=True, type=float, metavar="OHM", help="Line, end to end.")
@click.option("--rn", required=True, type=float, metavar="OHM", help="Neutral, end to end.")
@click.option("--r2", type=float, metavar="OHM", help="Protective conductor, end to end.")
@click.option(
    "--crossed",
    multiple=True,
    metavar="NAME=OHM",
    help="Reading at a socket, line and neutral of opposite legs joined; repeat.",
)
@click.option(
    "--protective",
    multiple=True,
    metavar="NAME=OHM",
    help="The same with line and protective conductor joined; needs --r2; repeat.",
)
def ring_command(
    *,
    r1: float,
    rn: float,
    r2: float | None,
    crossed: tuple[str, ...],
    protective: tuple[str, ...],
) -> None:
    r"""Say what the readings of a ring mean: isolated, locked, proved dead, open at the board.

    For the order of its sockets, enter path-resistance readings from one leg's end to each of them
    in a job of its own: open at the board a ring is a chain.

    \b
    Examples:
      meterlink ring --r1 0.26 --rn 0.26 --r2 0.42 --crossed Desk=0.13 --crossed Attic=0.21
      meterlink ring --r1 0.26 --rn 0.26 --r2 0.42 --protective Desk=0.165
    """
    from meterlink.answers.continuity import Ring, protective_remarks, ring_remarks

    ring = Ring(r1, rn, r2)
    for line in ring_remarks(ring, _readings(crossed)):
        click.echo(line)
    for line in protective_remarks(ring, _readings(protective)):
        click.echo(line)


def _readings(given: tuple[str, ...]) -> dict[str, float]:
    """Receptacle to ohms.

    Raises:
        UsageError: One of them is not NAME=OHM, or no resistance.
    """
    found = {}
    for text in given:
        name, _, value = text.rpartition("=")
        try:
            found[name] = float(value)
        except ValueError:
            name = ""
        if not name or not 0 <= found[name] < math.inf:
            raise UsageError(f"{text[:40]!r} is no reading; write such as Desk=0.13.")
    return found


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
def report_command(
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
    from meterlink.show.report import Wanted

    write_report(job, out, Wanted(pdf=pdf, svg=svg, png=png, label=label), dated)


def write_report(
    job: Path, out: Path | None = None, wanted: "Wanted | None" = None, dated: str = ""
) -> None:
    """Write what is handed over about the job in a folder, and print the paths of the files."""
    from meterlink.answers.wirings import known_of
    from meterlink.commands.job_input import findings_of, job_from, rows_of
    from meterlink.show.report import Wanted, hand_over

    opened = job_from(job)
    rows = rows_of(opened)
    page = out or opened.folder / "report.html"
    known = known_of(opened.circuit, rows, findings_of(opened))
    for path in hand_over(opened, rows, known, page, wanted=wanted or Wanted(), dated=dated):
        click.echo(path)
