"""An address as a code for a phone's camera, drawn with characters."""

import segno

_QUIET = (
    2  # modules of light rim; ISO/IEC 18004 asks for four, cameras do with two (common practice)
)
_BLOCKS = {(True, True): " ", (True, False): "▄", (False, True): "▀", (False, False): "█"}


def qr_lines(address: str) -> list[str]:
    """Draw a code, two modules a character, light modules as blocks (for dark terminals).

    Args:
        address: ASCII text of up to some 150 characters, to fit a terminal of 80 columns.
    """
    rows = [
        [bool(dark) for dark in row]
        for row in segno.make_qr(address, error="l").matrix_iter(border=_QUIET)
    ]
    if len(rows) % 2:
        rows.append([False] * len(rows[0]))
    return [
        "".join(_BLOCKS[upper, lower] for upper, lower in zip(top, bottom, strict=True))
        for top, bottom in zip(rows[::2], rows[1::2], strict=True)
    ]
