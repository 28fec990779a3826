"""What the terminal says about the page: where it is, how a phone gets there, what it may do."""

from meterlink.page.qr import qr_lines
from meterlink.page.server import LOOPBACK


def invitation(address: str) -> list[str]:
    """Lines to print, with a code for a phone where it can be reached by one.

    Args:
        address: ``PageServer.address``.
    """
    lines = [f"Page: {address}"]
    if f"//{LOOPBACK}:" in address:
        return [*lines, "Only this computer can open it. For a phone in the same network: --lan."]
    return [
        *lines,
        *qr_lines(address),
        "Whoever has this address can press the visit's keys and see its map, nothing else.",
        "Its key is made anew each time. It goes over the local network unencrypted: use a",
        "network whose members you trust.",
    ]
