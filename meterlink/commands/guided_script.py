"""What ``meterlink test --json`` tells a script, and what a script tells it."""

import json
import queue
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import asdict
from typing import TextIO

from drivers.readings import Mark, Reading
from meterlink.errors import UsageError
from meterlink.live.terminal import tell
from meterlink.show.as_json import as_mapping
from meterlink.show.format import clean
from meterlink.testlog.columns import row_mapping
from meterlink.testlog.rows import TestRow
from meterlink.visit.keyboard import Typed, typed_line
from meterlink.visit.loop import Visit
from meterlink.visit.notices import Notice
from meterlink.visit.planning import Outlook
from meterlink.visit.view import Command, Key, VisitView


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
