"""``meterlink simulate``: a meter that is not there; ``demo``: the whole job with one."""

import shlex
import sys
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

import click

from meterlink.errors import UsageError
from meterlink.live.terminal import tell

if TYPE_CHECKING:
    from meterlink.circuit.job import Job
    from meterlink.live.demonstration import Screen
    from meterlink.simulation import SimulatedBench, Wiring
    from meterlink.testlog.columns import TestRow
    from meterlink.tree.wiring import WiringMap


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
def simulate_command(
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
        return random.Random(f"phase {seed}").uniform(0.0, 360.0)
    if text == "quadrature":
        return 90.0
    if re.fullmatch(r"[-+]?[0-9]{1,4}(\.[0-9]{1,6})?", text, re.ASCII) is None:
        raise UsageError(
            f"--phase {text[:40]!r}: expected degrees (such as 45), quadrature, or random."
        )
    return float(text)


MOST_S = 45.0  # of the wall clock for the tests; what is not settled by then is shown as it is


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder for the job; default: meterlink-demo, or the next free name.",
)
@click.option(
    "--seed",
    type=click.IntRange(0, 2**32),
    default=20,
    help="Which circuit to invent; default: 20.",
)
@click.option("--receptacles", type=click.IntRange(2, 12), default=5, help="How many; default: 5.")
def demo_command(out: Path | None, seed: int, receptacles: int) -> None:
    r"""Do the whole job on a simulated circuit, without questions, in half a minute.

    Nothing is real: an invented circuit, a simulated load, and a simulated meter that streams
    through a real serial device. Time runs faster than in life. The tests, the map and the files in
    DIR are made as on a real visit.

    \b
    Examples:
      meterlink demo
      meterlink demo --out trial --receptacles 8 --seed 12
    """
    import numpy as np

    from meterlink.circuit.job import write_job
    from meterlink.live import demonstration
    from meterlink.live.demonstration import Screen
    from meterlink.simulation import SimulatedBench, invent

    rng = np.random.default_rng(seed)
    circuit, wiring = invent(receptacles, rng)
    volts, load_amps = circuit.volts or 0.0, circuit.load_amps or 0.0
    bench = SimulatedBench(wiring, volts=volts, load_amps=load_amps, rng=rng)
    job = write_job(_free_folder(out), circuit)
    with Screen() as screen:
        screen.say(
            f"SIMULATED: an invented circuit of {receptacles} receptacles, {volts:.0f} V, with a "
            f"load of {load_amps} A. Time runs {demonstration.SPEED:.0f} times faster than in life."
        )
        try:
            rows = _visit(job, bench, seed, screen)
        except KeyboardInterrupt:
            screen.say(f"Stopped. The tests that were done are in {job.log_path}.")
            raise
    _hand_over(job, rows, wiring)


def _visit(job: "Job", bench: "SimulatedBench", seed: int, screen: "Screen") -> "list[TestRow]":
    """Do test after test until the order is settled or the time is up."""
    from drivers.address import parse_address
    from meterlink.live import demonstration
    from meterlink.live.visiting import VisitRun
    from meterlink.testlog.log import TestLog

    speed = demonstration.SPEED
    with (
        demonstration.SimulatedOperator(
            bench, screen, seed=seed, speed=speed, most_s=MOST_S
        ) as operator,
        TestLog(job.log_path) as log,
        VisitRun(job, log, parse_address(operator.address), operator, speed=speed) as run,
    ):
        kept = run.session.capture if run.session else None
        screen.say(f"The simulated meter is {operator.address}; its bytes are kept in {kept}.")
        run.run()
        if run.was_interrupted:
            raise KeyboardInterrupt
    return run.rows


def _hand_over(job: "Job", rows: "list[TestRow]", wiring: "Wiring") -> None:
    """Show the map, compare it with the invented wiring, write the report."""
    from meterlink.answers.protection import protect
    from meterlink.answers.wirings import known_of
    from meterlink.live.terminal import columns, is_utf8
    from meterlink.show.drawing import draw
    from meterlink.show.report import Wanted, hand_over

    known = known_of(job.circuit, rows)
    wiring_map = known.wiring_map
    drawing = draw(
        wiring_map,
        protect(known.wirings),
        width=columns(120, unknown=100),
        colour=sys.stdout.isatty(),
        ascii_only=not is_utf8(sys.stdout),
    )
    click.echo(drawing, color=True)
    click.echo()
    click.echo(compared(wiring_map, wiring))
    for _ in hand_over(job, rows, known, job.folder / "report.html", wanted=Wanted()):
        pass
    click.echo(f"Files in {job.folder}: {', '.join(sorted(p.name for p in _files(job.folder)))}")
    again = shlex.join(("meterlink", "map", str(job.folder)))
    click.echo(f"Open report.html in a browser. The map again: {again}")


def compared(wiring_map: "WiringMap", wiring: "Wiring") -> str:
    """Whether the map is the wiring that was invented: who feeds whom."""
    from meterlink.show.format import NBSP, counted, percent

    found = {point.name: point.fed_from for point in wiring_map.points}
    found |= {splice.name: splice.fed_from for splice in wiring_map.splices}

    def feeds(name: str) -> frozenset[str]:
        way = set()
        while (name := found.get(name, "panel")) != "panel":
            way.add(name)
        return frozenset(way & set(wiring.receptacles))

    if {name: feeds(name) for name in wiring.receptacles} == wiring.upstream():
        tests = counted(wiring_map.tests, "test")
        return f"SIMULATED: this is the wiring that was invented, found in {tests}."
    if wiring_map.settled:
        sure = percent(wiring_map.order_probability)
        return (
            "SIMULATED: the wiring that was invented is another one. The tests gave this one "
            f"{sure}: about that share of such answers is right."
        ).replace(NBSP, " ")
    return "SIMULATED: the order was not settled in the time the demonstration has."


def _files(folder: Path) -> list[Path]:
    return [path for path in folder.iterdir() if not path.name.startswith(".")]


def _free_folder(out: Path | None) -> Path:
    """A folder without a job in it."""
    if out is not None:
        if out.exists() and (not out.is_dir() or any(out.iterdir())):
            raise UsageError(f"{out} is there already. Give --out a folder that is new or empty.")
        return out
    names = (Path(f"meterlink-demo{'' if n == 1 else f'-{n}'}") for n in count(1))
    return next(folder for folder in names if not folder.exists())
