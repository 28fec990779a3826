"""Tests as lines for the terminal: how each was connected, what it showed, what that means."""

from collections.abc import Iterator, Sequence

from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels.test_flags import MEANINGS
from meterlink.show.format import NBSP, with_uncertainty
from meterlink.show.text_width import clean, display_width, isolated, pad, pad_left, wrap
from meterlink.testlog.rows import TestRow

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
    cells = [_HEADS, *(_cells(row) for row in rows)]
    widths = [max(display_width(line[n]) for line in cells) for n in range(len(_HEADS))]
    for line in cells:
        number = pad_left(line[0], widths[0])
        texts = [pad(text, size) for text, size in zip(line[1:], widths[1:], strict=True)]
        yield "  ".join([number, *texts]).replace(NBSP, " ").rstrip()
    for name in dict.fromkeys(flag for row in rows for flag in row.flags):
        meaning = _MEANING_OF.get(name, "Not one of this program's flags.")
        numbers = ", ".join(str(row.test) for row in rows if name in row.flags)
        yield from wrap(clean(f"{name} (test {numbers}): {meaning}"), width)


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
    return clean(verdict + (f" ({', '.join(row.flags)})" if row.flags else ""))


def _cells(row: TestRow) -> tuple[str, ...]:
    return (str(row.test), where(row.setup), _name(row.setup.load_at), drop(row), says(row))


def _name(name: str) -> str:
    """A name made safe, cut to what a table can hold."""
    pieces = wrap(clean(name), _NAME_CELLS - 1)
    return isolated(pieces[0] if len(pieces) == 1 else pieces[0] + "…")


_MEANING_OF = {flag.value: meaning for flag, meaning in MEANINGS.items()}
