"""The flags of a point in a few words, for drawings and tables."""

from collections.abc import Sequence
from dataclasses import dataclass

from meterlink.show.text_width import clean
from meterlink.tree.flags import MEANINGS, PointFlag


@dataclass(frozen=True, slots=True)
class Remark:
    """A few words on a point; ``alert`` where something is to be looked at on the spot."""

    text: str
    alert: bool


_WORDS = {
    PointFlag.HIGH_RESISTANCE: Remark("high resistance on the neutral side", alert=True),
    PointFlag.HOT_HIGH_RESISTANCE: Remark("high resistance on the hot side", alert=True),
    PointFlag.UNTESTED: Remark("untested", alert=False),
    PointFlag.UNSEPARATED: Remark("order not separated yet", alert=False),
    PointFlag.RUN_UNKNOWN: Remark("this run was not measured by itself", alert=False),
    PointFlag.NO_GROUND: Remark("ground contact may be missing", alert=True),
    PointFlag.GROUND_TO_NEUTRAL: Remark("ground may be bonded to neutral here", alert=True),
}
POOR = frozenset({PointFlag.HIGH_RESISTANCE.value, PointFlag.HOT_HIGH_RESISTANCE.value})


def remarks(flags: Sequence[str]) -> tuple[Remark, ...]:
    """Words for flags; a name that is not known is shown as it is, as an alert."""
    known = {flag.value for flag in PointFlag}
    if PointFlag.UNTESTED in flags:  # which says it already
        flags = [flag for flag in flags if flag != PointFlag.RUN_UNKNOWN]
    return tuple(
        _WORDS[PointFlag(flag)]
        if flag in known
        else Remark(clean(flag.replace("-", " ")), alert=True)
        for flag in flags
    )


def meanings(flags: Sequence[str]) -> tuple[str, ...]:
    """What each known flag means, in the order of ``PointFlag``, each once."""
    return tuple(
        f"{_WORDS[flag].text}: {MEANINGS[flag]}" for flag in PointFlag if flag.value in flags
    )
