"""Between the visit and its viewers: what is shown, and the keys that were pressed.

The visit runs in one thread and the web server in another. Neither waits for the other: the visit
leaves its view here and takes the presses that have come; viewers read what they have not seen yet.
A viewer that was away, or is slow, gets the newest view and the trace it missed; nothing piles up.
"""

import json
import math
import secrets
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace

from meterlink.errors import UsageError
from meterlink.show.text_width import clean
from meterlink.visit.keyboard import own_setup, places
from meterlink.visit.view import Choices, Key, VisitView, Word

TRACE_S = 60.0
MAX_TRACE = 1200  # points; of more than twenty readings a second some are left out
MAX_VIEWERS = 32
MAX_WAITING_PRESSES = 16
MAX_NOTE = 500  # characters


@dataclass(frozen=True, slots=True)
class Press:
    """What the operator pressed on the page, for the step that was shown.

    Attributes:
        key: A key, or the word for a test of one's own or for receptacles to leave out.
        step: The step that it answers.
        text: The note, or with a word what ``meterlink.visit.keyboard`` takes: receptacles by
            their numbers only, as they are listed in the view.
    """

    key: Key | Word
    step: int
    text: str = ""


@dataclass(slots=True)
class Seen:
    """How far one viewer has been told."""

    view: int = 0
    point: int = 0
    reading: int = 0
    role: int = 0


def same_secret(one: str, other: str) -> bool:
    """Compare in a time that does not tell where two secrets differ."""
    return secrets.compare_digest(one.encode(), other.encode())


class RefusedError(Exception):
    """A press or a viewer that is not admitted; ``str`` says why in a few words."""


class Hub:
    """Shared by the visit's thread and the server's thread.

    Attributes:
        on_change: Called, in whatever thread, when viewers have something to read.
        on_press: Called, in the server's thread, when a key was taken.
    """

    def __init__(self) -> None:
        self.on_change: Callable[[], None] = lambda: None
        self.on_press: Callable[[], None] = lambda: None
        self._lock = threading.Lock()
        self._view: VisitView | None = None
        self._view_number = 0
        self._view_json = "null"
        self._reading = ("no reading", 0)
        self._trace: deque[tuple[int, float, float]] = deque(maxlen=MAX_TRACE)
        self._points = 0
        self._viewers: dict[str, int] = {}  # secret to number of open streams, oldest first
        self._operator: str | None = None
        self._role_number = 1
        self._presses: deque[Press] = deque()
        self._answered: set[tuple[Key, int]] = set()

    # -- for the visit -----------------------------------------------------------------------

    def show(self, view: VisitView) -> None:
        """Leave the newest view."""
        with self._lock:
            if view.reading != self._reading[0]:
                self._reading = (view.reading, self._reading[1] + 1)
            quiet = replace(view, reading="")
            if quiet != self._view:
                if self._view is None or quiet.step != self._view.step:
                    self._answered.clear()
                self._view = quiet
                self._view_number += 1
                self._view_json = _as_json(quiet)
        self.on_change()

    def trace(self, t_s: float, millivolts: float) -> None:
        """Add a reading to the trace; call it before ``show`` for the same reading."""
        if not math.isfinite(millivolts):
            return
        with self._lock:
            last_s = self._trace[-1][1] if self._trace else -math.inf
            if t_s - last_s >= TRACE_S / MAX_TRACE:
                self._points += 1
                self._trace.append((self._points, round(t_s, 3), round(millivolts, 4)))
        self.on_change()

    def presses(self) -> list[Press]:
        """Keys pressed since the last call, in order."""
        with self._lock:
            found = list(self._presses)
            self._presses.clear()
        return found

    # -- for the server ----------------------------------------------------------------------

    def join(self) -> str:
        """Admit a viewer; the first one operates. Where there are too many, one that is away goes.

        Returns:
            The viewer's secret.

        Raises:
            RefusedError: There are too many, and all are looking.
        """
        with self._lock:
            if len(self._viewers) >= MAX_VIEWERS:
                away = [
                    other
                    for other, streams in self._viewers.items()
                    if streams == 0 and other != self._operator
                ]
                if not away:
                    raise RefusedError("too many viewers")
                del self._viewers[away[0]]
            secret = secrets.token_urlsafe(32)
            self._viewers[secret] = 0
            if self._operator is None:
                self._operator = secret
        return secret

    def knows(self, secret: str) -> bool:
        """Whether a viewer was admitted."""
        with self._lock:
            return any(same_secret(secret, known) for known in self._viewers)

    def arrive(self, secret: str) -> None:
        """A viewer has begun to look."""
        with self._lock:
            if secret in self._viewers:
                self._viewers[secret] += 1

    def leave(self, secret: str) -> None:
        """A viewer looks no longer."""
        with self._lock:
            if secret in self._viewers:
                self._viewers[secret] -= 1

    def take_over(self, secret: str) -> None:
        """Make a viewer the operator; the one before only watches from now on."""
        with self._lock:
            self._operator = secret
            self._role_number += 1
        self.on_change()

    def press(self, secret: str, press: Press) -> None:
        """Take a key from a viewer.

        Raises:
            RefusedError: Not the operator, the step is over, the key means nothing there, it was
                pressed already, too many wait, or the text is no test or receptacle.
        """
        with self._lock:
            view = self._view
            if secret != self._operator:
                raise RefusedError("this viewer only watches")
            if view is None or press.step != view.step:
                raise RefusedError("that step is over")
            if press.key not in (*view.keys, *view.choices.words):
                raise RefusedError("that key means nothing now")
            if isinstance(press.key, Word):
                _check(press.key, press.text, view.choices)
            elif press.key is not Key.NOTE:
                if (press.key, press.step) in self._answered:
                    raise RefusedError("pressed already")
                self._answered.add((press.key, press.step))
            if len(self._presses) >= MAX_WAITING_PRESSES:
                raise RefusedError("too many keys at once")
            self._presses.append(press)
        self.on_press()

    def news(self, secret: str, seen: Seen) -> str | None:
        """What a viewer has not been told yet, as one JSON object; ``None`` where nothing is new.

        ``seen`` is brought up to date.
        """
        with self._lock:
            parts: list[str] = []
            if seen.view != self._view_number:
                parts.append(f'"view":{self._view_json}')
            if seen.reading != self._reading[1] or seen.view == 0:
                parts.append(f'"reading":{_text_json(self._reading[0])}')
            if seen.role != self._role_number:
                parts.append(f'"operator":{json.dumps(secret == self._operator)}')
            points = [[t_s, mv] for number, t_s, mv in self._trace if number > seen.point]
            if points:
                parts.append(f'"points":{json.dumps(points, separators=(",", ":"))}')
            seen.view, seen.reading = self._view_number, self._reading[1]
            seen.point, seen.role = self._points, self._role_number
        return f"{{{','.join(parts)}}}" if parts else None


def _check(word: Word, text: str, choices: Choices) -> None:
    """Refuse at once, in words for the person, what the visit would not take."""
    try:
        if word is Word.CHOOSE:
            own_setup(text, choices.receptacles, by_number=True)
        else:
            places(text, choices.receptacles, by_number=True)
    except UsageError as error:
        raise RefusedError(str(error).rstrip(".")) from error


def _as_json(view: VisitView) -> str:
    """The view with all text made safe to show; the page only ever sets it as text."""

    def safe(value: object) -> object:
        if isinstance(value, str):
            return clean(value)
        if isinstance(value, dict):
            return {key: safe(part) for key, part in value.items()}
        if isinstance(value, list | tuple):
            return [safe(part) for part in value]
        return value

    return json.dumps(safe(asdict(view)), separators=(",", ":"))


def _text_json(text: str) -> str:
    return json.dumps(clean(text))
