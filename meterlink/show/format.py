"""Numbers, findings, names and tests as text, the same in the terminal, the report and the page.

Names come from anyone: they may hold terminal commands, line ends, wide characters, marks that take
no cell, or letters that run from right to left. They are made fit for a grid of character cells.
Widths follow Unicode Standard Annex #11 (wide and fullwidth take two cells) and are never too
small: what a terminal may or may not join (emoji sequences) is counted as not joined.
"""

import math
import unicodedata
from collections.abc import Iterator, Sequence

from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels.test_flags import MEANINGS
from meterlink.testlog.columns import TestRow

CONFIRMED_FROM, LIKELY_FROM, POSSIBLE_FROM = 0.99, 0.8, 0.5  # our own scale; common usage

NBSP = "\u00a0"  # keeps a figure and its unit on one line; shown as a blank

_CERTAINTY = ((CONFIRMED_FROM, "confirmed"), (LIKELY_FROM, "likely"), (POSSIBLE_FROM, "possible"))


def certainty(probability: float, *, sound: bool = True) -> str:
    """One word for a probability: confirmed, likely, possible or unknown.

    Where something contradicts all that was weighed, nothing is more than possible.
    """
    if not sound:
        probability = min(probability, LIKELY_FROM - 1e-9)
    return next((word for bound, word in _CERTAINTY if probability >= bound), "unknown")


def percent(probability: float) -> str:
    r"""A probability as a percentage that never claims more than it is: 100 % is not shown.

    >>> percent(0.934), percent(0.9967), percent(0.99997), percent(0.0)
    ('93\xa0%', '99.7\xa0%', '>\xa099.9\xa0%', '<\xa00.1\xa0%')
    """
    if math.isnan(probability):
        return f"?{NBSP}%"
    if probability > 0.9994:
        return f">{NBSP}99.9{NBSP}%"
    if probability < 0.001:
        return f"<{NBSP}0.1{NBSP}%"
    places = 0 if 0.01 <= probability < 0.985 else 1
    return f"{100 * probability:.{places}f}{NBSP}%"


def decimals(uncertainty: float) -> int:
    """Decimals that show an uncertainty with one or two figures, at most two decimals."""
    if not math.isfinite(uncertainty) or uncertainty >= 9.95:
        return 0
    return 1 if uncertainty >= 0.095 else 2


def with_uncertainty(value: float, uncertainty: float, plus_minus: str = "±") -> str:
    r"""A value and its standard uncertainty, to the same decimals.

    >>> with_uncertainty(137.62, 0.91)
    '137.6\xa0±\xa00.9'
    """
    if not math.isfinite(value):
        return "?"
    places = decimals(uncertainty)
    if not math.isfinite(uncertainty):
        return f"{value:.1f}{NBSP}{plus_minus}{NBSP}?"
    return f"{value:.{places}f}{NBSP}{plus_minus}{NBSP}{uncertainty:.{places}f}"


def run_text(run_mohm: float, run_u_mohm: float, plus_minus: str = "±") -> str:
    """Resistance of a run; without an uncertainty where it has none of its own."""
    if math.isinf(run_u_mohm):
        return f"{run_mohm:.1f}"
    return with_uncertainty(run_mohm, run_u_mohm, plus_minus)


def length(run_m: float | None, run_mohm: float, run_u_mohm: float) -> str:
    """Length of a run, empty where it is not known to within about a half."""
    if run_m is None or run_u_mohm > 0.5 * run_mohm:
        return ""
    return f"{run_m:.1f}{NBSP}m"


def listed(names: Sequence[str], last: str = "and") -> str:
    """Names as a list in a sentence: ``A``, ``A and B``, ``A, B and C``."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {last} {names[-1]}"


def counted(number: int, noun: str) -> str:
    """``1 test``, ``2 tests``."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def leads_text(setup: Setup) -> str:
    """Where the two leads of the meter go, such as "neutral of Desk to neutral of Door"."""
    a, b = setup.lead_a, setup.lead_b or "the panel"
    if setup.hookup is Hookup.PATH_RESISTANCE:
        return f"{setup.side} of {a} to {setup.side} of {b}, ohms"
    if setup.hookup is Hookup.LOOP_RESISTANCE:
        return f"{' to '.join(setup.side.split('+'))} at {a}, linked at the panel, ohms"
    if setup.hookup is Hookup.NEUTRAL_NEUTRAL:
        side = setup.side or "neutral"
        return f"{side} of {a} to {side} of {b}"
    return (
        f"neutral to ground at {a}"
        if setup.hookup is Hookup.NEUTRAL_GROUND
        else (f"hot to neutral at {a}")
    )


def load_text(setup: Setup) -> str:
    """Where the load or the source is, such as "load at Desk"."""
    if not setup.load_at:
        return "no load"
    if not setup.dead:
        return f"load at {setup.load_at}"
    back = f", back at {setup.return_at}" if setup.return_at else ""
    return f"direct source at {setup.load_at}{back}"


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


_SAYS = {
    Verdict.IN_PATH: "in the path",
    Verdict.NOT_IN_PATH: "not in the path",
    Verdict.UNCLEAR: "unclear",
}
_SEEN = {
    Verdict.IN_PATH: "a jump",
    Verdict.NOT_IN_PATH: "no jump",
    Verdict.UNCLEAR: "not measured",
}
_NAME_CELLS = 24
_HEADS = ("test", "meter", "load at", "drop", "the load current is")


def table_lines(rows: Sequence[TestRow], width: int) -> Iterator[str]:
    """A table of tests, then what the flags in it mean.

    Args:
        rows: Tests in the order to show them.
        width: Cells for the sentences below the table; the table takes what its names need.
    """
    cells = [_HEADS, *(_row_cells(row) for row in rows)]
    widths = [max(display_width(line[n]) for line in cells) for n in range(len(_HEADS))]
    for line in cells:
        number = pad_left(line[0], widths[0])
        texts = [pad(text, size) for text, size in zip(line[1:], widths[1:], strict=True)]
        yield "  ".join([number, *texts]).replace(NBSP, " ").rstrip()
    for name in dict.fromkeys(flag for row in rows for flag in row.flags):
        meaning = _MEANING_OF.get(name, "Not one of this program's flags.")
        numbers = ", ".join(str(row.test) for row in rows if name in row.flags)
        yield from wrap(clean(f"{flags_text([name])} (test {numbers}): {meaning}"), width)


def where(setup: Setup) -> str:
    """The two places of the leads, in short."""
    if setup.hookup.ohms or (setup.dead and setup.lead_b is None):
        other = f"to {_name(setup.lead_b)}" if setup.lead_b else "to the panel"
        ends = other if setup.hookup.has_lead_b else "linked at the panel"
        return f"{_name(setup.lead_a)} {ends}, {setup.side}"
    if setup.hookup is Hookup.NEUTRAL_NEUTRAL:
        return f"{_name(setup.lead_a)} - {_name(setup.lead_b or '')}"
    if setup.hookup is Hookup.NEUTRAL_GROUND:
        return f"{_name(setup.lead_a)}, neutral - ground"
    return f"{_name(setup.lead_a)}, hot - neutral"


def drop(row: TestRow) -> str:
    """The drop with its uncertainty, or how small it must be if there is one."""
    if row.path_mohm is not None:
        return f"{with_uncertainty(row.path_mohm, row.path_u_mohm or 1.0)}{NBSP}mohm"
    if row.drop_mv is None:
        return _SEEN[row.verdict]
    if row.verdict is Verdict.NOT_IN_PATH and row.limit_mv is not None:
        return f"none above {row.limit_mv:.1f}{NBSP}mV"
    if row.drop_u_mv is None:
        return f"{row.drop_mv:.1f}{NBSP}mV"
    return f"{with_uncertainty(row.drop_mv, row.drop_u_mv)}{NBSP}mV"


def says(row: TestRow) -> str:
    """What the test says of the load current, with its flags."""
    verdict = "" if row.setup.hookup.ohms else _SAYS[row.verdict]
    return clean(verdict + (f" ({flags_text(row.flags)})" if row.flags else ""))


def flags_text(flags: Sequence[str]) -> str:
    """Flags as a person reads them."""
    return ", ".join(flag.replace("-", " ") for flag in flags)


def _row_cells(row: TestRow) -> tuple[str, ...]:
    return (str(row.test), where(row.setup), _name(row.setup.load_at), drop(row), says(row))


def _name(name: str) -> str:
    """A name made safe, cut to what a table can hold."""
    pieces = wrap(clean(name), _NAME_CELLS - 1)
    return isolated(pieces[0] if len(pieces) == 1 else pieces[0] + "…")


_MEANING_OF = {flag.value: meaning for flag, meaning in MEANINGS.items()}
