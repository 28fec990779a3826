"""``meterlink meters``: which meters are there, by what address; ``watch``: what one reads."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from meterlink.errors import MeterlinkError, UsageError
from meterlink.live.terminal import tell

if TYPE_CHECKING:
    from drivers.discovery import Port, PortFound
    from meterlink.live.session import LiveSession
    from meterlink.live.terminal import Keys, StopSignals
    from meterlink.live.watching import Output


_LOOK = {  # where to look, by system
    "linux": (
        "Linux: 'ls /dev/ttyUSB* /dev/ttyACM*' lists adapters, 'dmesg | tail' says what happened "
        "when the cable was plugged in.",
        "Ports belong to a group, often dialout: 'sudo usermod -aG dialout $USER', then log in "
        "again. USB instruments need a udev rule.",
        "'fuser /dev/ttyUSB0' names a program that holds a port.",
    ),
    "darwin": (
        "macOS: 'ls /dev/cu.*' lists ports.",
        "An adapter may need its maker's driver, allowed in System Settings, Privacy and Security.",
        "'lsof /dev/cu.NAME' names a program that holds a port.",
    ),
    "win32": (
        "Windows: Device Manager, Ports (COM & LPT), lists ports; one with a yellow sign lacks its "
        "driver.",
        "Only one program can have a port open: close terminals and logging programs.",
    ),
}

_NOTHING = {
    False: "No serial port is there; instruments on network and USB are looked for with --ask.",
    True: "No serial port and no instrument is there.",
}


@click.command()
@click.argument("ports", nargs=-1, metavar="[PORT]...")
@click.option(
    "--ask",
    is_flag=True,
    help="Search USB and network for VISA instruments, and send *IDN? where nothing is heard. "
    "Without it nothing is sent, neither to a port nor on the network.",
)
@click.option("--no-visa", is_flag=True, help="With --ask: leave VISA (USB, network) out.")
@click.option("--visa", "library", default="@py", show_default=True, help="VISA library to use.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a port, a line each.")
@click.option(
    "--remember",
    metavar="NAME=ADDRESS",
    help="Keep an address under a name of your choosing, and do nothing else.",
)
@click.option("--forget", metavar="NAME", help="Remove a name, and do nothing else.")
def meters_command(
    ports: tuple[str, ...],
    *,
    ask: bool,
    no_visa: bool,
    library: str,
    as_json: bool,
    remember: str | None,
    forget: str | None,
) -> None:
    r"""Look for meters and print the address that --meter takes.

    Each serial port is listened to at the common speeds for some seconds; nothing is sent unless
    --ask is given, which also searches the network (by broadcast) and USB for VISA instruments.
    Ports named on the command line are looked at instead of all that the system lists; a pyserial
    URL or a VISA resource name works too.

    \b
    Examples:
      meterlink meters
      meterlink meters --ask /dev/ttyUSB0
      meterlink meters --remember bench=scpi:TCPIP::192.168.1.7::5025::SOCKET
      meterlink watch --meter bench
    """
    if remember is not None or forget is not None:
        _names(remember, forget)
        return
    from drivers.discovery import Port, examine

    places = [Port(name, "") for name in ports] or _all_ports(library, visa=ask and not no_visa)
    found = False
    for port in places:
        tell(f"looking at {port.name} ...")
        finding = examine(port, ask=ask)
        found = found or finding.address is not None
        _print(finding, as_json=as_json)
    _print_remembered()
    if not places:
        raise MeterlinkError(f"{_NOTHING[ask]} {_advice()}")
    if not found:
        raise MeterlinkError(f"No meter was found. {_advice()}")


def _all_ports(library: str, *, visa: bool) -> "list[Port]":
    from drivers.discovery import serial_ports, visa_resources
    from drivers.errors import UnavailableError

    ports = serial_ports()
    if visa:
        try:
            ports += visa_resources(library)
        except UnavailableError as error:
            tell(f"{error} VISA resources were left out.")
    return ports


def _print(finding: "PortFound", *, as_json: bool) -> None:
    import json

    address = str(finding.address) if finding.address is not None else None
    port = finding.port
    if as_json:
        fields = {"port": port.name, "description": port.description, "address": address}
        click.echo(json.dumps(fields | {"seen": finding.text}))
        return
    click.echo(f"{port.name}  {port.description}".rstrip())
    click.echo(f"  {finding.text}")
    if address is not None:
        click.echo(f"  --meter {address}")


def _names(remember: str | None, forget: str | None) -> None:
    from drivers.address import parse_address
    from meterlink.live import remembered

    if forget is not None:
        remembered.forget(forget)
    if remember is not None:
        name, _, address = remember.partition("=")
        if not address:
            raise UsageError(f"--remember {remember[:60]!r}: write NAME=ADDRESS.")
        remembered.remember(name, parse_address(address))
        tell(f"{name} is kept in {remembered.meters_file()}")


def _print_remembered() -> None:
    from meterlink.live.remembered import remembered

    for name, address in sorted(remembered().items()):
        tell(f"remembered: {name} is {address}")


def _advice() -> str:
    """What to check, a line each."""
    checks = (
        "Is the meter on, and its link switched on (often a key to hold while turning it on)?",
        "Is the cable plugged in at both ends?",
        *_LOOK.get(sys.platform, _LOOK["linux"]),
    )
    return "Check:" + "".join(f"\n  - {check}" for check in checks)


_POLL_S = 0.1


@click.command()
@click.option(
    "--meter",
    required=True,
    metavar="ADDRESS",
    help="Address of the meter, or its remembered name; 'meterlink meters' finds it.",
)
@click.option(
    "--record",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Record to FILE, which must not exist. Default: a file in the user's folder, where the "
    "newest 20 are kept.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a reading, a line each.")
@click.option(
    "--for", "for_s", type=click.FloatRange(min=0.1), metavar="SECONDS", help="Stop after so long."
)
@click.option("--dc", is_flag=True, help="Expect DC volts instead of AC.")
@click.option("--ohms", is_flag=True, help="Expect ohms.")
def watch_command(
    meter: str, *, record: Path | None, as_json: bool, for_s: float | None, dc: bool, ohms: bool
) -> None:
    r"""Show the readings of a meter as they come, with level, jitter and jumps.

    Keys on a terminal: l load on, o load off, n note, q stop; they become marks in the recording.
    Whatever comes is recorded, so that it can be replayed and looked at later.

    \b
    Examples:
      meterlink watch --meter lines:/dev/ttyUSB0,9600
      meterlink watch --meter segments:/dev/ttyUSB1,2400,rts=off --record visit.jsonl
      meterlink watch --meter bench --json --for 60 | jq .volts
    """
    import os
    import sys
    from datetime import UTC, datetime

    from drivers.errors import CaptureError
    from drivers.readings import Function
    from meterlink.live.remembered import find_address, unnamed_recording
    from meterlink.live.session import LiveSession
    from meterlink.live.terminal import Keys, StopSignals
    from meterlink.live.watching import JsonOutput, PlainOutput, ScreenOutput

    address = find_address(meter)
    wanted = Function.OHM if ohms else Function.DC if dc else Function.AC
    path = record or unnamed_recording(datetime.now(UTC))
    with (
        Keys() as keys,
        LiveSession(address, path, wanted=wanted) as session,
        StopSignals() as signals,
    ):
        output: Output
        if as_json:
            output = JsonOutput(session.started)
        elif sys.stdout.isatty():
            title = session.meter.identity or str(address)
            output = ScreenOutput(title, wanted, keys=keys.available)
            keys.on_return = output.block.leave
        else:
            output = PlainOutput(wanted)
        tell(f"recording to {path}")
        try:
            readings = _watch(session, keys, output, signals, for_s)
        except BrokenPipeError:  # the program that read our lines has ended: so do we
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return
        finally:
            output.close()
            recorded = session.is_recording
    if not recorded:
        raise CaptureError(f"The recording to {path} stopped before the end; see above.")
    _say_what_came(readings, session.rubbish, str(address))


def _watch(
    session: "LiveSession",
    keys: "Keys",
    output: "Output",
    signals: "StopSignals",
    for_s: float | None,
) -> int:
    """Show until the time is up, q or a signal; returns the number of readings."""
    from drivers.readings import Reading
    from meterlink.visit.keyboard import Keyboard
    from meterlink.visit.view import Key, VisitStage, VisitView

    only = (Key.LOAD_ON, Key.LOAD_OFF, Key.NOTE, Key.STOP)
    keyboard, view = Keyboard(only=only), VisitView(1, VisitStage.IDLE, "", "", keys=(Key.NOTE,))
    readings = 0
    while not signals.count and (for_s is None or session.now_s() < for_s):
        left_s = _POLL_S if for_s is None else min(_POLL_S, for_s - session.now_s())
        for event in session.poll(max(0.0, left_s)):
            readings += isinstance(event, Reading)
            output.take(event)
        output.flush(session.now_s())
        for typed in keyboard.press(keys.pressed(), view):
            if typed.what is Key.STOP:
                return readings
            session.mark(typed.what.value, typed.text)
        output.prompt(keyboard.text if keyboard.asked else None)
    return readings


def _say_what_came(readings: int, rubbish: bytes, address: str) -> None:
    """A watch without a reading is a failure, and says so."""
    from drivers.errors import SilentError
    from meterlink.visit.notices import not_understood

    if not readings:
        why = (
            "Is the meter on, and is the address right? 'meterlink meters' tries ports and speeds."
        )
        if rubbish:
            why = not_understood(rubbish)
        raise SilentError(f"No reading came from {address}. {why}")
    tell(f"{readings} readings")
