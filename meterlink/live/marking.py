"""Keys become marks: load on, load off, a typed note. Pure: no terminal, no meter."""

from dataclasses import dataclass

_ENTER = "\r\n"
_ESCAPE = "\x1b"
_BACK = "\x7f\b"
_MOST_NOTE = 500


@dataclass(frozen=True, slots=True)
class Pressed:
    """What keys asked for.

    Attributes:
        kind: "load-on", "load-off", "note", or "stop".
        text: Of a note.
    """

    kind: str
    text: str = ""


_KEYS = {"l": "load-on", "o": "load-off", "q": "stop"}


class MarkKeys:
    """Follows what is typed."""

    def __init__(self) -> None:
        #: The note being typed, ``None`` while none is.
        self.typed: str | None = None

    def press(self, characters: str) -> list[Pressed]:
        """Take typed characters; returns what they ask for."""
        if characters.startswith(_ESCAPE) and len(characters) > 1:
            return []  # an arrow or function key
        found = []
        for character in characters:
            pressed = self._press(character)
            if pressed is not None:
                found.append(pressed)
        return found

    def _press(self, character: str) -> Pressed | None:
        if self.typed is None:
            if character == "n":
                self.typed = ""
            kind = _KEYS.get(character.lower())
            return Pressed(kind) if kind is not None else None
        if character in _ENTER:
            text, self.typed = self.typed.strip(), None
            return Pressed("note", text) if text else None
        if character == _ESCAPE:
            self.typed = None
        elif character in _BACK:
            self.typed = self.typed[:-1]
        elif character.isprintable() and len(self.typed) < _MOST_NOTE:
            self.typed += character
        return None
