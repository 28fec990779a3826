"""What ``meterlink test`` shows a person: a block at the foot of a terminal, or plain lines."""

import shutil
import sys
import time
from collections.abc import Callable, Sequence

import click

from drivers.events import Mark
from drivers.readings import Reading
from meterlink.live.keys import Keys
from meterlink.show.drawing import draw
from meterlink.show.format import NBSP
from meterlink.show.tests_table import drop, says, where
from meterlink.show.text_width import clean, wrap
from meterlink.testlog.rows import TestRow
from meterlink.visit.keyboard import Keyboard, Typed, numbered
from meterlink.visit.loop import Visit
from meterlink.visit.notices import Notice
from meterlink.visit.planning import Outlook
from meterlink.visit.view import Key, VisitView, Word

_LABELS = {
    Key.READY: "Enter all in place",
    Key.LOAD_ON: "l load is on",
    Key.LOAD_OFF: "o load is off",
    Key.REPEAT: "r repeat",
    Key.VOID: "v void",
    Key.NOTE: "n note",
    Key.STOP: "q stop",
}
_PROMPTS: dict[Key | Word | None, str] = {
    Key.NOTE: "note",
    Word.CHOOSE: "test (nn A B L, ng A L, ld A L)",
    Word.NOT_NOW: "cannot be got at",
}

_REDRAW_S = 0.1
OnWord = Callable[[Word], None]


def width() -> int:
    """Cells of a line."""
    return max(30, min(shutil.get_terminal_size((80, 24)).columns, 100))


def as_drawn(outlook: Outlook | None, *, colour: bool = False) -> str:
    """The map as it is drawn in a terminal."""
    if outlook is None or outlook.wiring_map is None:
        return "No test has been logged yet."
    encoding = (sys.stderr.encoding or "ascii").casefold().replace("-", "")
    ascii_only = not encoding.startswith("utf")
    return draw(outlook.wiring_map, width=width(), colour=colour, ascii_only=ascii_only)


def result_line(row: TestRow) -> str:
    """A logged test in one line."""
    place = f"{where(row.setup)}, load at {clean(row.setup.load_at)}"
    return f"Test {row.test}: {place}: {drop(row)}, {says(row)}.".replace(NBSP, " ")


class TextSurface:
    """Plain lines on standard error: each new instruction, result and alert once."""

    def __init__(self, keys: Keys, receptacles: Sequence[str], on_word: OnWord) -> None:
        """``on_word``: does what is asked for besides the keys of the visit."""
        self._keys = keys
        self._keyboard = Keyboard()
        self._receptacles = receptacles
        self._on_word = on_word
        self._view: VisitView | None = None
        self._rung = 0
        self._alerts: tuple[str, ...] = ()

    def typed(self) -> Sequence[Typed]:
        """Keys of the terminal."""
        if self._view is None:
            return ()
        asked = self._keyboard.asked
        found = self._keyboard.press(self._keys.pressed(), self._view)
        if self._keyboard.asked in (Word.CHOOSE, Word.NOT_NOW) and asked is None:
            self.say(f"Receptacles: {numbered(self._receptacles)}.")
        return found

    def show(self, visit: Visit) -> None:
        """Say what is new."""
        view = visit.view
        before, self._view = self._view, view
        for alert in view.alerts:
            if alert not in self._alerts:
                self.say(f"! {alert}")
        self._alerts = view.alerts
        if before is None or (before.step, before.instruction) != (view.step, view.instruction):
            self.say(f"{view.title}. {view.instruction} {view.why}".strip())
        self.ring(view)

    def ring(self, view: VisitView) -> None:
        """The terminal's bell, once a cue."""
        if view.cue is not None and view.cue.number > self._rung:
            self._rung = view.cue.number
            click.echo("\a", err=True, nl=False)

    def event(self, event: Reading | Mark | Notice) -> None:
        """Notices are alerts of the view, or told here when they only pass."""
        if isinstance(event, Notice):
            self.say(event.text)

    def row(self, row: TestRow) -> None:
        """A line a test."""
        self.say(result_line(row))

    def outlook(self, outlook: Outlook) -> None:
        """How sure it is."""
        self.say(outlook.certainty)

    def say(self, text: str) -> None:
        """A sentence, broken at the edge."""
        for line in wrap(clean(text), width()):
            click.echo(line, err=True)

    def word(self, word: Word, outlook: Outlook | None) -> None:
        """The map here; the rest elsewhere."""
        if word is Word.MAP:
            click.echo(as_drawn(outlook), err=True)
        else:
            self._on_word(word)

    def close(self) -> None:
        """Nothing to put in order."""


class ScreenSurface(TextSurface):
    """A block at the foot of a terminal, redrawn in place; results and the map scroll above."""

    def __init__(self, keys: Keys, receptacles: Sequence[str], on_word: OnWord) -> None:
        super().__init__(keys, receptacles, on_word)
        self._drawn: list[str] = []
        self._due_s = 0.0
        self._step = 0

    def show(self, visit: Visit) -> None:
        """Redraw what changed; at once where something else is asked, else some times a second."""
        view = visit.view
        self._view = view
        self.ring(view)
        now_s = time.monotonic()
        if self._drawn and view.step == self._step and now_s < self._due_s:
            return
        lines = self._lines(view)
        if lines != self._drawn:
            self._erase()
            click.echo("\n".join(lines), err=True)
            self._drawn, self._step, self._due_s = lines, view.step, now_s + _REDRAW_S

    def outlook(self, outlook: Outlook) -> None:
        """The map so far, above the block."""
        self._erase()
        if outlook.wiring_map is not None and outlook.wiring_map.tests:
            click.echo(as_drawn(outlook, colour=True), err=True, color=True)

    def say(self, text: str) -> None:
        """A sentence above the block."""
        self._erase()
        super().say(text)

    def word(self, word: Word, outlook: Outlook | None) -> None:
        """As asked, above the block."""
        self._erase()
        super().word(word, outlook)

    def close(self) -> None:
        """Leave the last block on the screen."""
        self._drawn = []

    def _lines(self, view: VisitView) -> list[str]:
        cells = width() - 1
        lines = ["", *wrap(clean(f"== {view.title}"), cells)]
        lines += wrap(clean(f"> {view.instruction}"), cells)
        lines += wrap(clean(view.why), cells) if view.why else []
        for alert in view.alerts:
            lines += wrap(clean(f"! {alert}"), cells)
        levels = "   ".join(f"{label} {text}" for label, text in view.levels)
        lines += wrap(clean(f"{view.reading:<14} {levels}").rstrip(), cells)
        asked = self._keyboard.asked
        if asked is not None:
            text = f"{_PROMPTS[asked]}: {self._keyboard.text}_  (Enter takes it, Esc drops it)"
        else:
            labels = [_LABELS[key] for key in view.keys]
            labels += ["c own test", "x not now", "m map", "p report", "i check"]
            text = "   ".join(label.replace(" ", NBSP) for label in labels)
        return [line.replace(NBSP, " ") for line in [*lines, *wrap(clean(text), cells)]]

    def _erase(self) -> None:
        if self._drawn:
            click.echo(f"\x1b[{len(self._drawn)}F\x1b[J", err=True, nl=False)
            self._drawn = []
