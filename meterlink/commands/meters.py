"""``meterlink meters``: which meters are there, and by what address."""

import sys
from typing import TYPE_CHECKING

import click

from meterlink.errors import MeterlinkError, UsageError
from meterlink.live.terminal import tell

if TYPE_CHECKING:
    from drivers.discovery import Finding, Port

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
def command(
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


def _print(finding: "Finding", *, as_json: bool) -> None:
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
