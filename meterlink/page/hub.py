"""Between the visit and its viewers: what is shown, and the keys that were pressed.

The visit runs in one thread and the web server in another. Neither waits for the other: the visit
leaves its view here and takes the presses that have come; viewers read what they have not seen yet.
A viewer that was away, or is slow, gets what has changed and the trace it missed; nothing piles up.
"""

import json
import math
import secrets
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, fields, is_dataclass

from meterlink.answers.wirings import Known
from meterlink.circuit.job import Job
from meterlink.errors import UsageError
from meterlink.show.format import clean
from meterlink.testlog.columns import TestRow
from meterlink.visit.keyboard import own_setup, places
from meterlink.visit.view import Command, Key, VisitView

DEAD_MS = 1000  # for so long a key that has just appeared under a finger counts for nothing
TRACE_S = 60.0
MAX_TRACE = 1200  # points; of more than twenty readings a second some are left out
MAX_VIEWERS = 32
MAX_STREAMS = 4  # of one viewer
MAX_WAITING_PRESSES = 16
MAX_NOTE = 500  # characters
MAX_VALUE = 60  # characters of a typed reading
_VALUES = (Command.IDLE, Command.ON, Command.LEVELS)


@dataclass(frozen=True, slots=True)
class Press:
    """What the operator pressed on the page.

    Attributes:
        key: A key, or a command besides.
        step: The step of the view that it answers.
        text: The note, the typed reading, the number of a test, or what
            ``meterlink.visit.keyboard`` takes: receptacles by their numbers only, as listed.
    """

    key: Key | Command
    step: int
    text: str = ""


@dataclass(slots=True)
class Seen:
    """How far one viewer has been told."""

    change: int = 0
    point: int = 0
    role: int = 0


@dataclass(frozen=True, slots=True)
class Papers:
    """What is handed over, whole, so that a phone can keep it.

    Attributes:
        map_svg: The map as a picture.
        report: The report, an HTML page that stands alone.
        label: The text for the panel door.
    """

    map_svg: str = ""
    report: str = ""
    label: str = ""


class RefusedError(Exception):
    """A press or a viewer that is not admitted; ``str`` says why in a few words."""


class Hub:
    """Shared by the visit's thread and the server's thread.

    Attributes:
        on_change: Called, in whatever thread, when viewers have something to read.
        on_press: Called, in the server's thread, when a key was taken.
        run: Differs from one start of the program to the next: steps count from one in each.
    """

    def __init__(self) -> None:
        self.on_change: Callable[[], None] = lambda: None
        self.on_press: Callable[[], None] = lambda: None
        self.run = secrets.token_hex(4)
        self._lock = threading.Lock()
        self._view: VisitView | None = None
        self._change = 1
        self._fields = {"run": (1, json.dumps(self.run)), "dead_ms": (1, json.dumps(DEAD_MS))}
        self._papers = Papers()
        self._trace: deque[tuple[int, float, float]] = deque(maxlen=MAX_TRACE)
        self._points = 0
        self._viewers: dict[str, int] = {}  # name to number of open streams, oldest first
        self._operator: str | None = None
        self._role_number = 1
        self._presses: deque[Press] = deque()
        self._answered: set[tuple[Key | Command, int]] = set()

    # -- for the visit -----------------------------------------------------------------------

    def hurry(self, speed: float) -> None:
        """Time runs so many times faster, with a simulated meter: new keys are dead for less."""
        with self._lock:
            self._change += 1
            self._fields["dead_ms"] = (self._change, json.dumps(round(DEAD_MS / speed)))

    def show(self, view: VisitView) -> None:
        """Leave the newest view."""
        with self._lock:
            before, self._view = self._view, view
            if before is None or before.step != view.step:
                self._answered.clear()
            if before == view:
                return
            self._change += 1
            for field in fields(view):
                value = getattr(view, field.name)
                if before is None or getattr(before, field.name) != value:
                    self._fields[field.name] = (self._change, _as_json(value))
        self.on_change()

    def keep(self, papers: Papers) -> None:
        """Leave the newest map, report and label; what is empty stays as it was."""
        with self._lock:
            self._papers = Papers(
                papers.map_svg or self._papers.map_svg,
                papers.report or self._papers.report,
                papers.label or self._papers.label,
            )
            self._change += 1
            there = [name for name, text in asdict(self._papers).items() if text]
            self._fields["papers"] = (self._change, json.dumps([self._change, *there]))
        self.on_change()

    def trace(self, t_s: float, millivolts: float) -> None:
        """Add a reading to the trace; call it before ``show`` for the same reading."""
        if not math.isfinite(millivolts):
            return
        with self._lock:
            last_s = self._trace[-1][1] if self._trace else -math.inf
            if t_s < last_s:  # a new recording: its time begins at zero
                self._trace.clear()
                last_s = -math.inf
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

    @property
    def view(self) -> VisitView | None:
        """The newest view."""
        return self._view

    @property
    def papers(self) -> Papers:
        """Map, report and label, as far as they were made."""
        return self._papers

    def operates(self, viewer: str) -> bool:
        """Whether a viewer's keys count; the first one who asks operates."""
        with self._lock:
            if self._operator is None:
                self._operator = viewer
            return viewer == self._operator

    def arrive(self, viewer: str) -> None:
        """A viewer has begun to look. One that is away makes room.

        Raises:
            RefusedError: There are too many, and all are looking.
        """
        self.operates(viewer)
        with self._lock:
            if viewer not in self._viewers and len(self._viewers) >= MAX_VIEWERS:
                away = [other for other, streams in self._viewers.items() if streams == 0]
                if not away:
                    raise RefusedError("too many viewers")
                del self._viewers[away[0]]
            if self._viewers.get(viewer, 0) >= MAX_STREAMS:
                raise RefusedError("this page is open too many times on this phone")
            self._viewers[viewer] = self._viewers.get(viewer, 0) + 1

    def leave(self, viewer: str) -> None:
        """A viewer looks no longer."""
        with self._lock:
            self._viewers[viewer] -= 1

    def take_over(self, viewer: str) -> None:
        """Make a viewer the operator; the one before only watches from now on."""
        with self._lock:
            self._operator = viewer
            self._role_number += 1
        self.on_change()

    def press(self, viewer: str, press: Press, run: str = "") -> None:
        """Take a key from a viewer.

        Args:
            viewer: Who.
            press: What.
            run: The start of the program that the page saw; empty where it does not say.

        Raises:
            RefusedError: Not the operator, another run, the step is over, the key means nothing
                there, it was pressed already, too many wait, or the text makes no sense.
        """
        with self._lock:
            view = self._view
            if viewer != self._operator:
                raise RefusedError("Another phone is in control")
            if view is None or (run and run != self.run):
                raise RefusedError("The program was started again; look at what it asks now")
            if isinstance(press.key, Command):
                _check(press, view)
            elif not view.takes(press.key, press.step):
                raise RefusedError("That step is over")
            if press.key is not Key.NOTE and not _may_follow(press.key):
                if (press.key, view.step) in self._answered:
                    raise RefusedError("Tapped already")
                self._answered.add((press.key, view.step))
            if len(self._presses) >= MAX_WAITING_PRESSES:
                raise RefusedError("Too many taps at once")
            self._presses.append(press)
        self.on_press()

    def news(self, viewer: str, seen: Seen) -> str | None:
        """What a viewer has not been told yet, as one JSON object; ``None`` where nothing is new.

        ``seen`` is brought up to date.
        """
        with self._lock:
            parts: list[str] = []
            changed = [
                f'"{name}":{text}'
                for name, (number, text) in self._fields.items()
                if number > seen.change
            ]
            if changed:
                parts.append(f'"view":{{{",".join(changed)}}}')
            if seen.role != self._role_number:
                parts.append(f'"operator":{json.dumps(viewer == self._operator)}')
            points = [[t_s, mv] for number, t_s, mv in self._trace if number > seen.point]
            if points:
                parts.append(f'"points":{json.dumps(points, separators=(",", ":"))}')
            seen.change, seen.point, seen.role = self._change, self._points, self._role_number
        return f"{{{','.join(parts)}}}" if parts else None


def _may_follow(key: Key | Command) -> bool:
    """Commands that may come twice within a step: another thought, or another test to undo."""
    return isinstance(key, Command) and key not in _VALUES


def _check(press: Press, view: VisitView) -> None:
    """Refuse at once, in words for the person, what the visit would not take."""
    try:
        match press.key:
            case Command.UNDO:
                _check_undo(press.text, view)
            case Command.IDLE | Command.ON | Command.LEVELS:
                _check_value(press, view)
            case Command.RHYTHM:
                return
            case Command.CHOOSE if Command.CHOOSE in view.choices.words:
                choices = view.choices
                own_setup(press.text, choices.receptacles, by_number=True, hookups=choices.hookups)
            case Command.NOT_NOW if Command.NOT_NOW in view.choices.words:
                places(press.text, view.choices.receptacles, by_number=True)
            case _:
                raise RefusedError("Not possible now")
    except UsageError as error:
        raise RefusedError(str(error).rstrip(".")) from error


def _check_undo(number: str, view: VisitView) -> None:
    if not any(test.removable and str(test.number) == number for test in view.history):
        raise RefusedError(f"Test {clean(number[:9])} cannot be undone now")


def _check_value(press: Press, view: VisitView) -> None:
    if (
        view.typed is None
        or press.step != view.step
        or press.key not in (view.typed.word, Command.LEVELS)
    ):
        raise RefusedError("No reading is asked for now")
    if not press.text.strip() or len(press.text) > MAX_VALUE:
        raise RefusedError("Type the number that the meter shows")


def _as_json(value: object) -> str:
    """A part of the view with all text made safe to show; the page only ever sets it as text."""

    def safe(value: object) -> object:
        if isinstance(value, str):
            return clean(value)
        if is_dataclass(value) and not isinstance(value, type):
            return safe(asdict(value))
        if isinstance(value, dict):
            return {key: safe(part) for key, part in value.items()}
        if isinstance(value, list | tuple):
            return [safe(part) for part in value]
        return value

    return json.dumps(safe(value), separators=(",", ":"))


def papers_of(job: Job, rows: Sequence[TestRow], known: Known) -> Papers:
    """Map, report and label of a job as it stands; the report is empty where it cannot be made."""
    from meterlink.answers.protection import protect
    from meterlink.show.map_svg import draw_map
    from meterlink.show.report import label_text, render_report

    try:
        report = render_report(job, rows, known)
    except OSError:
        report = ""
    wiring_map, protection = known.wiring_map, protect(known.wirings)
    label = label_text(job.circuit, rows, wiring_map, protection)
    return Papers(draw_map(wiring_map, protection, narrow=True), report, label)
