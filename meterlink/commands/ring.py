"""``meterlink ring``: the ring-final sequence of a dead circuit."""

import click

from meterlink.errors import UsageError


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
def command(
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
    from meterlink.answers.continuity import Ring, ring_remarks

    ring = Ring(r1, rn, r2)
    for line in ring_remarks(ring, _readings(crossed)):
        click.echo(line)
    for name, ohms in _readings(protective).items():
        share = ring.share_of(ohms)
        if share is None:
            click.echo(f"{name}: {ohms:g} ohm is nowhere on the ring: a spur or a poor joint.")
        else:
            click.echo(f"{name}: R1+R2 {ohms:g} ohm, about {share:.0%} of the way round.")


def _readings(given: tuple[str, ...]) -> dict[str, float]:
    """Receptacle to ohms.

    Raises:
        UsageError: One of them is not NAME=OHM.
    """
    found = {}
    for text in given:
        name, _, value = text.rpartition("=")
        try:
            found[name] = float(value)
        except ValueError:
            name = ""
        if not name:
            raise UsageError(f"{text[:40]!r} is no reading; write such as Desk=0.13.")
    return found
