"""What ``meterlink test`` shows: a block at the foot of a terminal, plain lines, or JSON lines."""

import json
import queue
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from typing import TextIO

import click

from drivers.readings import Mark, Reading
from meterlink.errors import UsageError
from meterlink.live.terminal import Block, Keys, columns, is_utf8, tell
from meterlink.live.watching import MinuteTrace
from meterlink.show.as_json import as_mapping
from meterlink.show.drawing import draw
from meterlink.show.format import NBSP, clean, flags_text, wrap
from meterlink.testlog.columns import TestRow, row_mapping
from meterlink.visit.keyboard import CHARACTERS, LIKELY, Keyboard, Typed, numbered, typed_line
from meterlink.visit.loop import Visit
from meterlink.visit.notices import Notice
from meterlink.visit.planning import Outlook
from meterlink.visit.view import Command, Key, Sign, VisitView, result_text, volts_text

_PROMPTS: dict[Key | Command | None, str] = {
    Key.NOTE: "note",
    Key.NO_JUMP: "j for no jump, or the note",
    Command.CHOOSE: "test (nn A B L, ng A L, ld A L)",
    Command.NOT_NOW: "skip, or skip no longer",
    Command.UNDO: "undo test number",
    Command.LEVELS: "reading",
}
_OTHERS = (
    (Command.CHOOSE, "pick a test"),
    (Command.NOT_NOW, "skip receptacles"),
    (Command.UNDO, "undo a test"),
    (Command.RHYTHM, "call out on and off"),
    (Command.MAP, "map"),
    (Command.REPORT, "report"),
    (Command.ISOLATE, "power-off check"),
)
_SIGNS: dict[Sign, tuple[str, str]] = {  # what stands in capitals, and its colour
    Sign.SET_UP: ("SET UP", "cyan"),
    Sign.WAIT: ("WAIT", "white"),
    Sign.SWITCH_ON: ("SWITCH ON", "green"),
    Sign.CONFIRM_LOAD: ("DID IT RUN?", "yellow"),
    Sign.SWITCH_OFF: ("SWITCH OFF", "magenta"),
    Sign.DONE: ("DONE", "blue"),
    Sign.TROUBLE: ("TROUBLE", "red"),
    Sign.SETTLED: ("SETTLED", "green"),
}
_REDRAW_S = 0.1
OnCommand = Callable[[Command], None]


def as_drawn(outlook: Outlook | None, *, colour: bool = False) -> str:
    """The map as it is drawn in a terminal."""
    if outlook is None or outlook.wiring_map is None:
        return "No test has been logged yet."
    ascii_only = not is_utf8(sys.stderr)
    return draw(
        outlook.wiring_map,
        outlook.protection,
        width=columns(),
        colour=colour,
        ascii_only=ascii_only,
    )


def _is_offered(word: Command, view: VisitView) -> bool:
    """Whether something besides the keys means something now."""
    if word in (Command.CHOOSE, Command.NOT_NOW):
        return word in view.choices.words
    if word is Command.UNDO:
        return any(test.removable for test in view.history)
    return bool(view.reading) if word is Command.RHYTHM else bool(view.history)  # typed: none


class TextSurface:
    """Plain lines on standard error: each new instruction, result and alert once."""

    def __init__(self, keys: Keys, receptacles: Sequence[str], on_command: OnCommand) -> None:
        """``on_command``: does what is asked for besides the keys of the visit."""
        self._keys = keys
        self._keyboard = Keyboard()
        self._receptacles = receptacles
        self._on_command = on_command
        self._view: VisitView | None = None
        self._rung = 0
        self._alerts: tuple[str, ...] = ()

    def typed(self) -> Sequence[Typed]:
        """Keys of the terminal."""
        if self._view is None:
            return ()
        asked = self._keyboard.asked
        found = self._keyboard.press(self._keys.pressed(), self._view)
        if self._keyboard.asked in (Command.CHOOSE, Command.NOT_NOW) and asked is None:
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
            place = f"Leads: {view.leads}. Load: {view.load}." if view.leads else ""
            self.say(f"{view.title}. {place} {view.instruction} {view.detail}".strip())
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
        flags = f" ({flags_text(row.flags)})" if row.flags else ""
        self.say(f"{result_text(row)}{flags}".replace(NBSP, " "))

    def outlook(self, outlook: Outlook) -> None:
        """How sure it is."""
        self.say(outlook.certainty)

    def say(self, text: str) -> None:
        """A sentence, broken at the edge."""
        for line in wrap(clean(text), columns()):
            click.echo(line, err=True)

    def command(self, command: Command, outlook: Outlook | None) -> None:
        """The map here; the rest elsewhere."""
        if command is Command.MAP:
            click.echo(as_drawn(outlook), err=True)
        else:
            self._on_command(command)

    def close(self) -> None:
        """Nothing to put in order."""


class ScreenSurface(TextSurface):
    """A block at the foot of a terminal, redrawn in place; results scroll above it."""

    def __init__(self, keys: Keys, receptacles: Sequence[str], on_command: OnCommand) -> None:
        super().__init__(keys, receptacles, on_command)
        self._block = Block()
        self._trace = MinuteTrace(slots=48)
        self._now_s = 0.0
        self._due_s = 0.0
        self._step = 0
        self._typing = ""
        keys.on_return = self._block.leave

    def event(self, event: Reading | Mark | Notice) -> None:
        """Readings make the trace."""
        self._now_s = event.t_s
        if isinstance(event, Reading) and event.volts is not None:
            self._trace.add(event.t_s, event.volts)

    def show(self, visit: Visit) -> None:
        """Redraw what changed; at once where something else is asked, else some times a second."""
        view = visit.view
        self._view = view
        self.ring(view)
        now_s = time.monotonic()
        typing = f"{self._keyboard.asked}{self._keyboard.text}{self._keyboard.sure}"
        is_new = (view.step, typing) != (self._step, self._typing)
        if is_new or now_s >= self._due_s:
            self._block.show([line.replace(NBSP, " ") for line in self._lines(view)])
            self._step, self._typing, self._due_s = view.step, typing, now_s + _REDRAW_S

    def outlook(self, outlook: Outlook) -> None:
        """How sure it is stands in the block; the map comes when it is asked for."""

    def say(self, text: str) -> None:
        """A sentence above the block."""
        self._block.erase()
        super().say(text)

    def command(self, command: Command, outlook: Outlook | None) -> None:
        """As asked, above the block."""
        self._block.erase()
        if command is Command.MAP:
            click.echo(as_drawn(outlook, colour=True), err=True, color=True)
        else:
            super().command(command, outlook)

    def close(self) -> None:
        """Leave the last block on the screen."""
        self._block.leave()

    def _lines(self, view: VisitView) -> Iterator[str]:
        cells = columns() - 1
        name, colour = _SIGNS[view.sign]
        yield ""
        yield from wrap(clean(f"== {view.title}   {view.certainty}".rstrip()), cells)
        if view.leads:
            yield from _indented(f"LEADS  {view.leads}", cells)
            yield from _indented(f"LOAD   {view.load or 'none'}", cells)
        first, *rest = wrap(clean(f"[{name}] > {view.instruction}"), cells)
        yield click.style(first, fg=colour, bold=True)
        yield from (click.style(line, fg=colour, bold=True) for line in rest)
        if view.detail:
            yield from _indented(view.detail, cells)
        for alert in view.alerts:
            yield from (click.style(part, fg="red") for part in wrap(clean(f"! {alert}"), cells))
        yield from self._figures(view, cells)
        yield from wrap(clean(self._foot(view)), cells)

    def _figures(self, view: VisitView, cells: int) -> Iterator[str]:
        """The reading and the levels, and the trace of the last minute.

        What the test before came to stands above the block already.
        """
        shown = [pair for pair in view.levels if not pair[0].startswith("test ")]
        if not view.reading and not shown:
            return
        levels = "   ".join(f"{label} {text}" for label, text in shown)
        yield from _indented(f"{view.reading:<14} {levels}".rstrip(), cells)
        drawn = self._trace.line(self._now_s, ascii_only=not is_utf8(sys.stderr))
        if drawn is not None:
            trace, low, high = drawn
            yield f"   {trace} {volts_text(low)} to {volts_text(high)}"[:cells]

    def _foot(self, view: VisitView) -> str:
        """What can be pressed, or what is being typed."""
        keyboard = self._keyboard
        if keyboard.asked is not None:
            return f"{_PROMPTS[keyboard.asked]}: {keyboard.text}_  (Enter takes it, Esc drops it)"
        if keyboard.sure is not None:
            label = next((b.label for b in view.buttons if b.key is keyboard.sure), "")
            return f"{CHARACTERS[keyboard.sure]} once more: {label}"
        likely = view.keys[0] if view.keys else None
        labels = [
            f"{'Enter' if b.key is likely and b.key in LIKELY else CHARACTERS[b.key]} {b.label}"
            for b in view.buttons
        ]
        if view.typed is not None:
            both = ", or both" if view.typed.word is Command.IDLE else ""
            labels.insert(0, f"type {view.typed.label.lower()} ({view.typed.unit}){both}")
        labels += [
            f"{CHARACTERS[word]} {label}" for word, label in _OTHERS if _is_offered(word, view)
        ]
        return "   ".join(label.replace(" ", NBSP) for label in labels)


def _indented(text: str, cells: int) -> Iterator[str]:
    """What belongs to the instruction, set in below it."""
    return (f"   {line}" for line in wrap(clean(text), cells - 3))


class ScriptSurface:
    """A JSON object a line on standard output; words of ``meterlink.visit.keyboard`` a line in.

    The end of standard input stops the visit.
    """

    def __init__(self, stream: TextIO, on_command: Callable[[Command], None]) -> None:
        """Begins to read ``stream`` in a thread of its own, as reading may block anywhere."""
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._on_command = on_command
        self._view: VisitView | None = None
        threading.Thread(target=self._read, args=(stream,), name="script", daemon=True).start()

    def typed(self) -> Sequence[Typed]:
        """Lines that came since the last call."""
        found = []
        while not self._lines.empty():
            line = self._lines.get()
            if line is None:
                found.append(Typed(Key.STOP, blind=True))
            elif line.strip():
                try:
                    found.append(typed_line(line))
                except UsageError as error:
                    self.say(str(error))
        return found

    def show(self, visit: Visit) -> None:
        """A line when anything but the reading changed."""
        view, before = visit.view, self._view
        self._view = view
        if before is None or _without_reading(view) != _without_reading(before):
            setup = visit.setup
            place = setup and {
                "hookup": setup.hookup.value,
                "lead_a": setup.lead_a,
                "lead_b": setup.lead_b,
                "load_at": setup.load_at,
                "side": setup.side,
                "return_at": setup.return_at,
            }
            self._write("view", setup=place, **_without_reading(view))

    def event(self, event: Reading | Mark | Notice) -> None:
        """Notices; readings are in the recording."""
        if isinstance(event, Notice):
            self._write("notice", kind=event.kind.value, t=event.t_s, text=event.text)

    def row(self, row: TestRow) -> None:
        """The row as the log has it."""
        self._write("row", **row_mapping(row))

    def outlook(self, outlook: Outlook) -> None:
        """The map."""
        if outlook.wiring_map is not None:
            self._write("map", goal_reached=outlook.settled, **as_mapping(outlook.wiring_map))

    def say(self, text: str) -> None:
        """Messages go to standard error."""
        tell(clean(text))

    def command(self, command: Command, outlook: Outlook | None) -> None:
        """The map again; the rest elsewhere."""
        if command is not Command.MAP:
            self._on_command(command)
        elif outlook is not None:
            self.outlook(outlook)

    def close(self) -> None:
        """Nothing to put in order."""

    def _read(self, stream: TextIO) -> None:
        for line in stream:
            self._lines.put(line)
        self._lines.put(None)

    def _write(self, event: str, **content: object) -> None:
        sys.stdout.write(json.dumps({"event": event, **content}) + "\n")
        sys.stdout.flush()


def _without_reading(view: VisitView) -> dict[str, object]:
    """What a script needs of a view; figures that change with every reading are left out."""
    return {
        "step": view.step,
        "stage": view.stage.value,
        "title": view.title,
        "instruction": view.instruction,
        "why": view.why,
        "keys": [key.value for key in view.keys],
        "alerts": list(view.alerts),
        "certainty": view.certainty,
        "cue": view.cue.sound.value if view.cue else None,
        "sign": view.sign.value,
        "leads": view.leads,
        "load": view.load,
        "buttons": {button.key.value: button.label for button in view.buttons},
        "typed": asdict(view.typed) if view.typed else None,
        "answer": asdict(view.answer) if view.answer else None,
    }
