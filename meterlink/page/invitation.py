"""What the terminal says about the page: where it is, how a phone gets there, what it may do."""

from io import StringIO

import segno

from meterlink.page.access import ACCESS_FILE
from meterlink.page.server import LOOPBACK, PageServer

_RIM = 2  # modules; ISO/IEC 18004 asks for four, cameras do with two (common practice)


def invitation(page: PageServer) -> list[str]:
    """Lines to print, with a code for a phone where it can be reached by one."""
    lines = [f"Page: {page.address}"]
    if f"//{LOOPBACK}:" in page.address:
        return [*lines, "Only this computer can open it. For a phone in the same network: --lan."]
    scan = "The address is a new one: scan it again." if page.has_moved else ""
    return [
        *lines,
        *([scan] if scan else []),
        *code_lines(page.address),
        "Whoever has this address can press the visit's keys and see its map, nothing else.",
        f"It stays the same for this job; to change its key, delete {ACCESS_FILE} in the folder.",
        "It goes over the local network unencrypted: use a network whose members you trust.",
    ]


def code_lines(address: str) -> list[str]:
    """An address as a code for a camera, two modules a character, for dark terminals.

    Args:
        address: ASCII text of up to some 150 characters, to fit a terminal of 80 columns.
    """
    drawn = StringIO()
    segno.make_qr(address, error="l").terminal(drawn, border=_RIM, compact=True)
    return drawn.getvalue().splitlines()
