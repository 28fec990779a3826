"""``meterlink simulate``: a meter that is not there, for learning and for developing."""

import click


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
              show_default=True, metavar="MV", help="What the load adds.")  # fmt: skip
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
@click.option("--seed", type=int, default=0, show_default=True, help="Of the noise.")
def command(
    *,
    driver: str,
    rate_hz: float,
    idle_mv: float,
    drop_mv: float,
    jitter_mv: float,
    script: tuple[str, ...],
    for_s: float | None,
    use_socket: bool,
    seed: int,
) -> None:
    r"""Be a meter: print the address to open, then send readings until Ctrl-C.

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
    from drivers.simulated_script import Operator, parse_script
    from meterlink.errors import UsageError
    from meterlink.live.terminal import in_foreground

    try:
        steps = parse_script(script)
    except ValueError as error:
        raise UsageError(str(error)) from error
    operator = Operator(idle_mv / 1e3, drop_mv / 1e3)
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
        click.echo("meterlink: simulated; nothing here is measured. Ctrl-C ends it.", err=True)
        try:
            typed = sys.stdin if in_foreground(sys.stdin) else None
            operator.run(meter, steps, typed, for_s, lambda text: click.echo(text, err=True))
        except KeyboardInterrupt:
            return
