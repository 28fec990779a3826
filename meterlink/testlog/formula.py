"""Text that a spreadsheet would run as a formula is written with an apostrophe in front.

Spreadsheets take a cell that starts with one of a few characters as a formula, also when it comes
from a CSV file. An apostrophe in front makes it text; reading takes that apostrophe off again.
Text that already looks neutralised gets one more, so that every text comes back as it was.
"""

import re

# = + - @ and their full-width forms, tab and line ends; blanks before them do not help everywhere.
_RISKY = r"(?:\s*[=+\-@\uff1d\uff0b\uff0d\uff20]|[\t\r\n])"
_NEEDS_APOSTROPHE = re.compile(f"'*{_RISKY}")
_HAS_APOSTROPHE = re.compile(f"'+{_RISKY}")


def neutralised(text: str) -> str:
    """Text as it goes into a cell.

    >>> neutralised("=1+1"), neutralised("Desk")
    ("'=1+1", 'Desk')
    """
    return f"'{text}" if _NEEDS_APOSTROPHE.match(text) else text


def restored(cell: str) -> str:
    """Text as it was before ``neutralised``."""
    return cell[1:] if _HAS_APOSTROPHE.match(cell) else cell
