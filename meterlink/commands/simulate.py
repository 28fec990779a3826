"""``meterlink simulate``: a meter that is not there, for learning and for developing."""

import click

from meterlink.live.terminal import tell


@click.command()
@click.option(
    "--driver",
    type=click.Choice(["lines", "segments", "scpi"]),
    default="lines",
    show_default=True,
    help="How the meter talks.",
)
@click.option("--rate", "rate_hz", type=click.FloatRange(0.05, 10_000), default=4.0,
              show_default=True, metavar="HZ", help="Readings a second.")  # fmt: skip
@click.option("--idle", "idle_mv", type=click.FloatRange(0, 500_000), default=8.0,
              show_default=True, metavar="MV", help="Reading without load.")  # fmt: skip
@click.option("--drop", "drop_mv", type=click.FloatRange(0, 500_000), default=150.0,
              show_default=True, metavar="MV", help="What the load current causes.")  # fmt: skip
@click.option(
    "--phase",
    default="random",
    show_default=True,
    metavar="DEGREES",
    help="Between idle reading and drop: degrees, quadrature (90), or random as in a house, by "
    "--seed.",
)
@click.option("--jitter", "jitter_mv", type=click.FloatRange(0, 1000), default=0.5,
              show_default=True, metavar="MV", help="Noise, one standard deviation.")  # fmt: skip
@click.option(
    "--at",
    "script",
    multiple=True,
    metavar="SECONDS:ACTION",
    help="Do something at a time, such as 5:on, 12:off, 20:unplug, 25:plug. May be repeated.",
)
@click.option(
    "--for", "for_s", type=click.FloatRange(min=0.1), metavar="SECONDS", help="Stop after that."
)
@click.option("--socket", "use_socket", is_flag=True, help="A loopback TCP port, no terminal.")
@click.option("--seed", type=int, default=0, show_default=True, help="Of noise and phase.")
def command(
    *,
    driver: str,
    rate_hz: float,
    idle_mv: float,
    drop_mv: float,
    phase: str,
    jitter_mv: float,
    script: tuple[str, ...],
    for_s: float | None,
    use_socket: bool,
    seed: int,
) -> None:
    r"""Be a meter: print the address to open, then send readings until Ctrl-C.

    A meter shows the size of the sum of idle reading and drop, whose phases differ: with --drop 150
    --idle 8 that is anything from 142 to 158 mV, and what is measured of it says so.

    Actions come from --at, or are typed on standard input, a word a line: on, off (the load),
    unplug, plug, sleep, wake, hold, release, ac, dc, ohm, garbage, half, slow, clean.

    \b
    Examples:
      meterlink simulate --at 10:on --at 25:off
      meterlink simulate --driver segments --rate 2
      meterlink simulate --driver scpi --socket --at 20:unplug --at 25:plug
    """
    import sys

    from drivers.simulated import Display, SimulatedMeter
    from drivers.simulated_script import SimulatedOperator, parse_script
    from meterlink.errors import UsageError
    from meterlink.live.terminal import in_foreground

    try:
        steps = parse_script(script)
    except ValueError as error:
        raise UsageError(str(error)) from error
    phase_deg = _phase_deg(phase, seed)
    operator = SimulatedOperator(idle_mv / 1e3, drop_mv / 1e3, phase_deg)
    display = Display(noise_v=jitter_mv / 1e3)
    with SimulatedMeter(
        operator.volts,
        driver=driver,
        rate_hz=rate_hz,
        display=display,
        use_socket=use_socket or None,
        seed=seed,
    ) as meter:
        click.echo(meter.address)
        sys.stdout.flush()
        tell(
            f"simulated; nothing here is measured. Drop {drop_mv:g} mV at {phase_deg:.0f} degrees "
            "to the idle reading. Ctrl-C ends it."
        )
        try:
            typed = sys.stdin if in_foreground(sys.stdin) else None
            operator.run(meter, steps, typed, for_s, lambda text: tell(text, ""))
        except KeyboardInterrupt:
            return


def _phase_deg(text: str, seed: int) -> float:
    """Degrees of ``--phase``.

    Raises:
        UsageError: It is none of the three.
    """
    import random
    import re

    from meterlink.errors import UsageError

    if text == "random":
        return random.Random(f"phase {seed}").uniform(0.0, 360.0)  # noqa: S311 (no secret)
    if text == "quadrature":
        return 90.0
    if re.fullmatch(r"[-+]?[0-9]{1,4}(\.[0-9]{1,6})?", text, re.ASCII) is None:
        raise UsageError(
            f"--phase {text[:40]!r}: expected degrees (such as 45), quadrature, or random."
        )
    return float(text)
