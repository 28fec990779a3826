"""What is typed becomes keys of the visit, and words that only the terminal has. Pure.

On a terminal single characters count; a script writes a line for each: ``ready``, ``load-on``,
``note TEXT``, ``choose neutral-ground, Desk, Bed``, ``not-now Desk``, ``undo 8``, ``stop``; where
readings are typed ``idle 6``, ``on 0.815 V``, ``jump``, ``no-jump``.
"""

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from meterlink.circuit.checks import meant
from meterlink.circuit.setup import LIVE_HOOKUPS, SIDES, Hookup, Setup, made_setup
from meterlink.errors import UsageError
from meterlink.tree.wiring import PANEL
from meterlink.visit.view import Command, Key, VisitView

ENTER = "\r\n"
ESCAPE = "\x1b"
BACK = "\x7f\b"
MOST_TYPED = 500


@dataclass(frozen=True, slots=True)
class Typed:
    """A key or word with the text that goes with it.

    Attributes:
        blind: It was named, not hit: no finger can have slipped (a script).
    """

    what: Key | Command
    text: str = ""
    blind: bool = False


CHARACTERS: dict[Key | Command, str] = {
    Key.READY: "Enter",
    Key.LOAD_ON: "l",
    Key.LOAD_OFF: "o",
    Key.NO_LOAD: "d",
    Key.JUMP: "j",
    Key.NO_JUMP: "nj",
    Key.KEEP: "k",
    Key.CORRECT: "y",
    Key.REPEAT: "r",
    Key.VOID: "v",
    Key.NOTE: "n",
    Key.STOP: "q",
    Command.CHOOSE: "c",
    Command.NOT_NOW: "x",
    Command.UNDO: "u",
    Command.RHYTHM: "a",
    Command.REPORT: "p",
    Command.ISOLATE: "i",
    Command.MAP: "m",
}
_MEANINGS = {character: what for what, character in CHARACTERS.items() if len(character) == 1}
_WITH_TEXT = {Key.NOTE, Command.CHOOSE, Command.NOT_NOW, Command.UNDO}
LIKELY = {Key.READY, Key.LOAD_ON, Key.LOAD_OFF, Key.CORRECT}  # Enter is enough for these
_DIGITS = "0123456789.-+"
_HOOKUPS = {
    "nn": Hookup.NEUTRAL_NEUTRAL,
    "ng": Hookup.NEUTRAL_GROUND,
    "ld": Hookup.LINE_DROP,
    "pr": Hookup.PATH_RESISTANCE,
    "lr": Hookup.LOOP_RESISTANCE,
} | {hookup.value: hookup for hookup in Hookup}


_WRITTEN = {
    Hookup.NEUTRAL_NEUTRAL: "nn 1 2 3 (neutral of 1 to neutral of 2, load at 3)",
    Hookup.NEUTRAL_GROUND: "ng 1 3 (neutral to ground at 1, load at 3)",
    Hookup.LINE_DROP: "ld 1 3 (hot to neutral at 1, load at 3)",
    Hookup.PATH_RESISTANCE: "pr 1 2 (ohms from 1 to 2; pr 1: to the panel; pr 1 2 hot)",
    Hookup.LOOP_RESISTANCE: "lr 1 hot+ground (ohms, linked at the panel)",
}


class Keyboard:
    """Follows single characters; with ``only``, those of some keys and words.

    Attributes:
        asked: What the text that is being typed is for; ``None`` while none is.
        text: That text so far.
        sure: A grave key that was pressed once; pressed again it counts.
    """

    def __init__(self, only: Collection[Key | Command] | None = None) -> None:
        self._only = only
        self.asked: Key | Command | None = None
        self.text = ""
        self.sure: Key | None = None

    def press(self, characters: str, view: VisitView) -> list[Typed]:
        """Take typed characters; blank and Enter are the view's most likely key."""
        if characters.startswith(ESCAPE) and len(characters) > 1:
            return []  # an arrow or function key
        found = []
        for character in characters:
            typed = self._edit(character) if self.asked else self._choose(character, view)
            if typed is not None:
                found.append(typed)
        return found

    def _choose(self, character: str, view: VisitView) -> Typed | None:
        sure, self.sure = self.sure, None
        if character in ENTER or character == " ":
            likely = view.keys[0] if view.keys else None
            # Stopping or discarding is never one careless key away.
            return Typed(likely) if likely in LIKELY else None
        if view.typed is not None and character in _DIGITS:
            self.asked, self.text = Command.LEVELS, character
            return None
        what = _MEANINGS.get(character.lower())
        if self._only is not None and what not in self._only:
            return None
        if what is Key.NOTE and Key.NO_JUMP in view.keys:
            self.asked, self.text = Key.NO_JUMP, ""  # "nj"; anything else begins a note
            return None
        if what in _WITH_TEXT:
            self.asked, self.text = what, ""
            return None
        if isinstance(what, Key) and sure is not what and _is_grave(what, view):
            self.sure = what
            return None
        return Typed(what) if what is not None else None

    def _edit(self, character: str) -> Typed | None:
        if self.asked is Key.NO_JUMP:
            self.asked = Key.NOTE
            if character.lower() == "j":
                self.asked = None
                return Typed(Key.NO_JUMP)
        asked = self.asked
        if character in ENTER and asked is not None:
            self.asked = None
            return Typed(asked, self.text.strip()) if self.text.strip() else None
        if character == ESCAPE:
            self.asked = None
        elif character in BACK:
            self.text = self.text[:-1]
        elif character.isprintable() and len(self.text) < MOST_TYPED:
            self.text += character
        return None


def _is_grave(key: Key, view: VisitView) -> bool:
    return any(button.is_grave for button in view.buttons if button.key is key)


def typed_line(line: str) -> Typed:
    """What a line of a script asks for.

    Raises:
        UsageError: It begins with no known word.
    """
    word, _, text = line.strip()[: 2 * MOST_TYPED].partition(" ")
    known = {str(what): what for what in (*Key, *Command)}
    if word not in known:
        raise UsageError(f"{word[:40]!r} is not known. Known: {', '.join(known)}.")
    return Typed(known[word], text.strip(), blind=True)


def own_setup(
    text: str,
    receptacles: Sequence[str],
    *,
    by_number: bool = False,
    hookups: Collection[Hookup] = (),
    direct: bool = False,
) -> Setup:
    """The test that a person wrote down: hookup, leads, load; on the dead circuit its conductor.

    Args:
        text: Such as "nn 1 2 3" (numbers as listed), "ng Desk, Bed", or "pr 1 2 hot".
        receptacles: Of the circuit, in their order.
        by_number: Numbers only, so that a receptacle that is named like a number is not meant.
        hookups: Those that can be done now; none for any.
        direct: The load is a direct source on the dead circuit.

    Raises:
        UsageError: It is no test of this circuit; the message says how to write one.
    """
    how, *rest = re.split(r"[\s,]+", text.strip(), maxsplit=1)
    words = [word.strip() for where in rest for word in where.split("," if "," in where else None)]
    hookup = _HOOKUPS.get(how.lower())
    is_dead = hookup is not None and (hookup.ohms or direct)
    named_side = is_dead and words and set(words[-1].lower().split("+")) <= set(SIDES)
    side = words.pop() if named_side and words[-1] not in receptacles else None
    if hookup is Hookup.PATH_RESISTANCE and words[1:] and words[1].lower() == PANEL:
        del words[1]
    if hookup is None or len(words) not in _places_of(hookup, direct=direct):
        raise UsageError(
            f"Write a hookup and its places: {_ways(hookups)}, with the numbers of the "
            "receptacles, or their names with commas between."
        )
    if hookups and hookup not in hookups:
        raise UsageError(f"{how} cannot be done in this visit. Possible here: {_ways(hookups)}.")
    found = [place(word, receptacles, by_number=by_number) for word in words]
    leads = 1 if hookup.ohms and len(found) == 1 else 1 + hookup.has_lead_b
    lead_b = found[1] if leads == 2 else None
    load, back, *_ = (*found[leads:], None, None)
    return made_setup(hookup, found[0], lead_b, load, side=side, return_at=back, direct=direct)


def _places_of(hookup: Hookup, *, direct: bool) -> tuple[int, ...]:
    """How many places a hookup has: leads, load, and where a source's current comes back."""
    if hookup.ohms:
        return (1, 2) if hookup.has_lead_b else (1,)
    fewest = 3 if hookup.has_lead_b else 2
    return (fewest, fewest + 1) if direct and hookup.has_lead_b else (fewest,)


def _ways(hookups: Collection[Hookup]) -> str:
    return ", ".join(_WRITTEN[hookup] for hookup in hookups or LIVE_HOOKUPS)


def place(word: str, receptacles: Sequence[str], *, by_number: bool = False) -> str:
    """A receptacle by its name, in whatever case, or by its number in the list: ``2`` or ``#2``.

    Raises:
        UsageError: There is none, or there are several that differ in case only.
    """
    alike = [] if by_number else meant(word, receptacles)
    if len(alike) == 1:
        return alike[0]
    if alike:
        raise UsageError(f"{word[:60]!r} can be {' or '.join(alike)}: write it as it is there.")
    digits = word.removeprefix("#")
    if digits.isascii() and digits.isdigit() and 1 <= int(digits[:6]) <= len(receptacles):
        return receptacles[int(digits[:6]) - 1]
    raise UsageError(f"{word[:60]!r} is no receptacle here. They are: {numbered(receptacles)}.")


def places(text: str, receptacles: Sequence[str], *, by_number: bool = False) -> frozenset[str]:
    """Receptacles by name or number, with commas between, or numbers with blanks between.

    Raises:
        UsageError: One of them is unknown.
    """
    if text.strip() in receptacles and not by_number:
        return frozenset((text.strip(),))
    words = text.split(",") if "," in text else text.split()
    return frozenset(
        place(word.strip(), receptacles, by_number=by_number) for word in words if word.strip()
    )


def numbered(receptacles: Sequence[str]) -> str:
    """The receptacles with the numbers that stand for them."""
    return ", ".join(f"{number} {name}" for number, name in enumerate(receptacles, start=1))
