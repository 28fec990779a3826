"""Text from people made fit for a grid of character cells.

Names come from anyone: they may hold terminal commands, line ends, wide characters, marks that take
no cell, or letters that run from right to left. Nothing here knows about wiring.

Widths follow Unicode Standard Annex #11 (wide and fullwidth take two cells) and are never too
small: what a terminal may or may not join (emoji sequences) is counted as not joined.
"""

import unicodedata
from collections.abc import Iterator

_JOINERS = {"\u200c", "\u200d"}  # shape letters and join emoji; harmless, so they stay
_WIDENER = "\ufe0f"  # asks for the emoji form of the character before it, which is wide
_FIRST_STRONG_ISOLATE, _POP_ISOLATE = "\u2068", "\u2069"  # Unicode Standard Annex #9
_RIGHT_TO_LEFT = {"R", "AL", "AN"}
_SPELLINGS = {
    "±": "+/-",
    "mΩ": "mohm",
    "\u00a0": " ",
    _FIRST_STRONG_ISOLATE: "",
    _POP_ISOLATE: "",
}
_UNSAFE = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
_NO_CELL = {"Mn", "Me", "Cf"}


def clean(text: str) -> str:
    """Replace whatever could command a terminal or reorder its line; keep all that is text.

    Control, format, private and unassigned characters become U+FFFD, so that they are seen to be
    there.
    """
    return "".join(
        "\ufffd" if unicodedata.category(char) in _UNSAFE and char not in _JOINERS else char
        for char in text
    )


def in_ascii(text: str) -> str:
    """Clean text for a terminal that has nothing but ASCII.

    Signs of the trade are spelled out; other characters become their backslash escape.
    """
    for sign, spelling in _SPELLINGS.items():
        text = text.replace(sign, spelling)
    return text.encode("ascii", "backslashreplace").decode("ascii")


def isolated(text: str) -> str:
    """Keep right-to-left text from reordering what stands beside it (UAX #9 isolates)."""
    if any(unicodedata.bidirectional(char) in _RIGHT_TO_LEFT for char in text):
        return f"{_FIRST_STRONG_ISOLATE}{text}{_POP_ISOLATE}"
    return text


def _cells(char: str) -> int:
    if char == _WIDENER:
        return 1
    if unicodedata.category(char) in _NO_CELL:
        return 0
    return 2 if unicodedata.east_asian_width(char) in "WF" else 1


def display_width(text: str) -> int:
    """Cells that ``text`` takes in a terminal, at most."""
    return len(text) if text.isascii() else sum(_cells(char) for char in text)


def wrap(text: str, width: int) -> list[str]:
    """Break ``text`` into lines of at most ``width`` cells, at blanks where there are any.

    Args:
        text: Clean text without line ends; runs of blanks at a break are dropped.
        width: Cells, at least 2 (a wide character must fit).

    Returns:
        At least one line. Marks stay with the character they belong to.
    """
    if width < 2:
        raise ValueError(f"width must be at least 2 cells, not {width}")
    lines = [""]
    for word in text.split(" "):
        joined = f"{lines[-1]} {word}" if lines[-1] else word
        if display_width(joined) <= width:
            lines[-1] = joined
            continue
        pieces = list(_pieces(word, width))
        if lines[-1]:
            lines.extend(pieces)
        else:
            lines[-1:] = pieces
    return lines


def _pieces(word: str, width: int) -> Iterator[str]:
    """Cut one word, too long for a line or not, into pieces of at most ``width`` cells."""
    piece, used = "", 0
    for char in word:
        cells = _cells(char)
        if char == _WIDENER and used == width and len(piece) > 1:
            yield piece[:-1]
            piece, used = piece[-1], _cells(piece[-1])
        elif cells and char != _WIDENER and used + cells > width:
            yield piece
            piece, used = "", 0
        piece += char
        used += cells
    yield piece


def pad(text: str, width: int) -> str:
    """Fill with blanks on the right up to ``width`` cells."""
    return text + " " * max(0, width - display_width(text))


def pad_left(text: str, width: int) -> str:
    """Fill with blanks on the left up to ``width`` cells, for figures."""
    return " " * max(0, width - display_width(text)) + text
