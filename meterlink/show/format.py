"""Numbers and findings as words, the same in the terminal, the report and on the page."""

import math
from collections.abc import Sequence

from meterlink.circuit.setup import Hookup, Setup

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
