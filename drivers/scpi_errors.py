"""Entries of an instrument's error queue, in words (SCPI-99 vol. 2, chapter 21)."""

import re
from dataclasses import dataclass, replace

_ENTRY = re.compile(r'\s*([+-]?\d{1,6})\s*(?:,\s*"?(.*?)"?\s*)?', re.DOTALL)
#: Classes of negative numbers, by their hundreds.
_CLASSES = {1: "command error", 2: "execution error", 3: "device error", 4: "query error"}
_MOST_TEXT = 255


@dataclass(frozen=True, slots=True)
class ScpiError:
    """One entry of the queue.

    Attributes:
        code: Its number; 0 is "no error", positive numbers are the instrument's own.
        text: What the instrument says.
        command: The command that it was about, if known.
    """

    code: int
    text: str
    command: str = ""

    def about(self, command: str) -> "ScpiError":
        """The same entry, with the command that caused it."""
        return replace(self, command=command)

    def __str__(self) -> str:
        kind = (
            _CLASSES.get(-self.code // 100, "instrument's own error") if self.code else "no error"
        )
        said = f"{self.code} {self.text}, {kind}" if self.text else f"{self.code}, {kind}"
        return f"{self.command!r} ({said})" if self.command else said


def parse_error(reply: str) -> ScpiError | None:
    """Read the answer to ``SYST:ERR?``; ``None`` where it is none.

    >>> parse_error('-113,"Undefined header"').code
    -113
    """
    match = _ENTRY.fullmatch(reply[: 2 * _MOST_TEXT])
    if match is None:
        return None
    text = "".join(c for c in (match[2] or "") if c.isprintable())
    return ScpiError(int(match[1]), text[:_MOST_TEXT])
