"""What ``meterlink watch`` shows: a screen that is redrawn, plain lines, or JSON lines.

An output takes events as they come and is told when time has passed. None of them talks to a meter.

Jumps in the running series are told as they come, for the screen only; what a test comes to is
worked out by ``meterlink.levels``.
"""

import json
import math
import sys
from collections import deque
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

import click
import numpy as np

from drivers.readings import Function, Mark, Reading
from meterlink.assumptions import USUAL
from meterlink.levels.statistics import robust_center
from meterlink.levels.trace import find_changes, samples_of, settled, without_strays
from meterlink.live.terminal import Block, columns, is_utf8, tell
from meterlink.visit.notices import Notice, wrong_function
from meterlink.visit.view import volts_text

#: Span that is looked at for a change, and how many readings of it.
_SPAN_S = 20.0
_MOST_POINTS = 256
_LEAST_BLOCKS = 3  # of the old level and of the new one, before a jump is told
_JITTERS = 6.0  # of single readings at the old level: a jump is larger
_SETTLED_SHARE = 0.03  # of a jump: by less the two halves of the new level differ
_FEW = 4  # readings that have a level


@dataclass(frozen=True, slots=True)
class Jump:
    """A change of level.

    Attributes:
        t_s: When it was seen.
        size_v: New level minus old level in volts.
        level_v: The new level.
    """

    t_s: float
    size_v: float
    level_v: float


@dataclass(frozen=True, slots=True)
class Quiet:
    """Level and jitter of the readings since the last jump, in volts."""

    level_v: float
    jitter_v: float


class JumpFinder:
    """Follows the level of a series and tells when it changes.

    Changes are those of ``meterlink.levels.trace``, looked for whenever a block of readings is
    complete, in what came since the last one and in bounded memory.
    """

    def __init__(self) -> None:
        self._points: deque[tuple[float, float]] = deque(maxlen=_MOST_POINTS)
        self._next_s = 0.0
        self._look_s = 0.0

    def add(self, t_s: float, volts: float) -> Jump | None:
        """Take a reading; returns a jump at the reading that makes it sure.

        At high rates one reading in some is looked at, so that the whole span fits.
        """
        if t_s < self._next_s:
            return None
        self._next_s = t_s + _SPAN_S / _MOST_POINTS
        self._points.append((t_s, 1e3 * volts))
        while self._points[0][0] < t_s - _SPAN_S:
            self._points.popleft()
        if t_s < self._look_s:
            return None
        self._look_s = t_s + USUAL.levels.block_s
        return self._jump(t_s)

    def quiet(self) -> Quiet | None:
        """Level and jitter since the last jump, ``None`` before there is one."""
        if len(self._points) < _FEW:
            return None
        level_mv, jitter_mv = robust_center(np.array(self._points)[:, 1])
        return Quiet(1e-3 * level_mv, 1e-3 * jitter_mv)

    def _jump(self, t_s: float) -> Jump | None:
        """A jump to the level that the series is at now; what came before it is forgotten."""
        usable = without_strays(samples_of(*np.array(self._points).T))
        usual = USUAL.levels
        if abs(float(np.median(usable.mv))) > usual.floating_mv:  # volts: the supply
            usual = usual.of_supply()
        plateaus = find_changes(usable, usual).plateaus
        if len(plateaus) < 2 or plateaus[-1].blocks < _LEAST_BLOCKS:
            return None
        before, now = plateaus[-2:]
        here = settled(usable.between(now.first_s, math.inf), usual)
        was_mv, jitter_mv = robust_center(usable.between(before.first_s, now.first_s).mv)
        earlier_mv, level_mv = (float(np.median(half)) for half in np.array_split(here.mv, 2))
        size_mv = level_mv - was_mv
        moves = abs(level_mv - earlier_mv) > max(_SETTLED_SHARE * abs(size_mv), 2.0 * jitter_mv)
        if moves or before.blocks < _LEAST_BLOCKS or abs(size_mv) < _JITTERS * jitter_mv:
            return None  # the meter has not come to rest yet, or it is noise
        self._points.clear()
        self._points.extend(zip(here.t_s.tolist(), here.mv.tolist(), strict=True))
        return Jump(t_s, 1e-3 * size_mv, 1e-3 * level_mv)


_REDRAW_S = 0.2
_PLAIN_EVERY_S = 1.0
_STALE_S = 2.0
_KEYS = "[l] load on  [o] load off  [n] note  [q] stop"


_BARS = "▁▂▃▄▅▆▇█"
_ASCII = "_.-=+*#@"


class MinuteTrace:
    """Averages of a series in equal slots over the last minute.

    Attributes:
        span_s: How far it looks back.
        slots: Number of characters.
    """

    def __init__(self, span_s: float = 60.0, slots: int = 60) -> None:
        self.span_s = span_s
        self.slots = slots
        self._sums: deque[tuple[int, float, int]] = deque(maxlen=slots)

    def add(self, t_s: float, volts: float) -> None:
        """Take a reading."""
        slot = int(t_s * self.slots / self.span_s)
        if self._sums and self._sums[-1][0] == slot:
            _, total, count = self._sums.pop()
            self._sums.append((slot, total + volts, count + 1))
        else:
            self._sums.append((slot, volts, 1))

    def line(self, now_s: float, *, ascii_only: bool = False) -> tuple[str, float, float] | None:
        """The trace, with the lowest and highest average in volts.

        A slot without readings is a blank: a gap is seen as a gap.
        """
        last = int(now_s * self.slots / self.span_s)
        means = {slot: total / n for slot, total, n in self._sums if slot > last - self.slots}
        if not means:
            return None
        low, high = min(means.values()), max(means.values())
        bars = _ASCII if ascii_only else _BARS
        step = (high - low) / (len(bars) - 1)
        text = "".join(
            " " if slot not in means else bars[round((means[slot] - low) / step) if step else 0]
            for slot in range(last - self.slots + 1, last + 1)
        )
        return text, low, high


class Output(Protocol):
    """Shows events of a live session."""

    def take(self, event: Reading | Mark | Notice) -> None:
        """Show an event, or keep it to be shown."""

    def flush(self, now_s: float) -> None:
        """Time has passed; bring what was taken to the screen."""

    def prompt(self, text: str | None) -> None:
        """Show what is being typed; ``None`` when it is done."""

    def close(self) -> None:
        """Leave the screen in order."""


class JsonOutput:
    """One JSON object a reading on standard output; the rest on standard error."""

    def __init__(self, started: datetime) -> None:
        """``started``: wall-clock time of second zero."""
        self._started = started

    def take(self, event: Reading | Mark | Notice) -> None:
        """Write a reading at once."""
        if isinstance(event, Reading):
            sys.stdout.write(json.dumps(self._reading(event)) + "\n")
        elif isinstance(event, Notice):
            tell(event.text)

    def flush(self, now_s: float) -> None:
        """Hand over what was written."""
        del now_s
        sys.stdout.flush()

    def prompt(self, text: str | None) -> None:
        """Nothing is typed here."""

    def close(self) -> None:
        """Nothing to put in order."""

    def _reading(self, reading: Reading) -> dict[str, object]:
        time = self._started + timedelta(seconds=reading.t_s)
        return {
            "t": reading.t_s,
            "time": time.isoformat(timespec="microseconds"),
            "volts": reading.volts,
            "function": str(reading.function),
            "quantity": reading.quantity,
            "resolution_V": reading.resolution_v,
            "overload": reading.overload,
            "hold": reading.hold,
            "ohms": reading.ohms,
        }


class Figures:
    """What is known of the running readings: level, jitter, jumps, trace, rate."""

    def __init__(self, wanted: Function) -> None:
        """``wanted``: function that readings must be in to count."""
        self._wanted = wanted
        self.finder = JumpFinder()
        self.trace = MinuteTrace()
        self.jumps: deque[Jump] = deque(maxlen=3)
        self.last: Reading | None = None
        self._times: deque[float] = deque(maxlen=50)

    def add(self, reading: Reading) -> Jump | None:
        """Take a reading; returns a jump when one is seen."""
        self.last = reading
        self._times.append(reading.t_s)
        if reading.volts is None or reading.hold or wrong_function(reading, self._wanted):
            return None
        self.trace.add(reading.t_s, reading.volts)
        jump = self.finder.add(reading.t_s, reading.volts)
        if jump is not None:
            self.jumps.append(jump)
        return jump

    def _is_stale(self, now_s: float) -> bool:
        return now_s - self._times[-1] > max(_STALE_S, 2.5 / (self.rate_hz() or 1.0))

    def rate_text(self, now_s: float) -> str:
        """Readings a second; nothing where none come."""
        rate_hz = self.rate_hz()
        if rate_hz is None or self._is_stale(now_s):
            return ""
        return f"{rate_hz:.1f} readings/s"

    def rate_hz(self) -> float | None:
        """Readings a second lately."""
        if len(self._times) < 2 or self._times[-1] <= self._times[0]:
            return None
        return (len(self._times) - 1) / (self._times[-1] - self._times[0])

    def reading_text(self, now_s: float) -> str:
        """The latest reading in words; an old one is not shown as if it were of now."""
        reading = self.last
        if reading is None:
            return "no reading yet"
        if self._is_stale(now_s):
            return f"none for {now_s - reading.t_s:.0f} s"
        if reading.overload:
            return "overload"
        if reading.ohms is not None:
            return f"{reading.ohms:g} ohm" + (" HOLD" if reading.hold else "")
        if reading.volts is None:
            return f"no volts ({reading.quantity})"
        function = f" {reading.function}" if reading.function is not Function.UNKNOWN else ""
        held = " HOLD" if reading.hold else ""
        return volts_text(reading.volts, reading.resolution_v) + function + held

    def level_text(self) -> str:
        """Level and jitter in words."""
        quiet = self.finder.quiet()
        if quiet is None:
            return "waiting for the meter"
        return f"level {volts_text(quiet.level_v)}, jitter {volts_text(quiet.jitter_v)}"


class PlainOutput:
    """Lines for a file or a pipe: the reading once a second, jumps, marks and notices at once."""

    def __init__(self, wanted: Function) -> None:
        """``wanted``: function that readings must be in to count."""
        self._figures = Figures(wanted)
        self._next_s = 0.0

    def take(self, event: Reading | Mark | Notice) -> None:
        """Show an event."""
        text = said(event, self._figures)
        if text:
            click.echo(text, err=isinstance(event, Notice))

    def flush(self, now_s: float) -> None:
        """Show the reading if a second has passed."""
        if now_s >= self._next_s and self._figures.last is not None:
            self._next_s = now_s + _PLAIN_EVERY_S
            text = f"{now_s:8.1f} s  {self._figures.reading_text(now_s):>14}"
            click.echo(f"{text}  {self._figures.level_text()}")

    def prompt(self, text: str | None) -> None:
        """Nothing is typed here."""

    def close(self) -> None:
        """Nothing to put in order."""


def said(event: Reading | Mark | Notice, figures: Figures) -> str:
    """What an event is worth saying in a line of its own; empty for a plain reading."""
    if isinstance(event, Reading):
        jump = figures.add(event)
        if jump is None:
            return ""
        size, level = volts_text(jump.size_v, signed=True), volts_text(jump.level_v)
        return f"{jump.t_s:8.1f} s  jump {size} to {level}"
    if isinstance(event, Notice):
        return f"{event.t_s:8.1f} s  {event.text}"
    if event.kind.startswith("link"):
        return ""
    return f"{event.t_s:8.1f} s  {event.kind.replace('-', ' ')} {event.text}".rstrip()


class ScreenOutput:
    """A few lines at the bottom of a terminal, redrawn in place; events scroll above them."""

    def __init__(self, title: str, wanted: Function, *, keys: bool) -> None:
        """``title``: the meter; ``keys``: whether the keyboard is listened to."""
        self._title = title
        self._figures = Figures(wanted)
        self._help = _KEYS if keys else "Ctrl-C stops"
        self._typed: str | None = None
        self._next_s = 0.0
        self.block = Block(err=False)

    def take(self, event: Reading | Mark | Notice) -> None:
        """Keep a reading; show anything else above the block."""
        text = said(event, self._figures)
        if text:
            self.block.say(text)
            self._next_s = 0.0

    def flush(self, now_s: float) -> None:
        """Redraw, some times a second at most."""
        if now_s < self._next_s:
            return
        self._next_s = now_s + _REDRAW_S
        width = columns() - 1
        self.block.show([line[:width] for line in self._lines(now_s, width)])
        sys.stdout.flush()

    def prompt(self, text: str | None) -> None:
        """Show what is being typed."""
        if text != self._typed:
            self._typed = text
            self._next_s = 0.0

    def close(self) -> None:
        """Leave the last state on the screen."""
        self.block.leave()
        sys.stdout.flush()

    def _lines(self, now_s: float, width: int) -> list[str]:
        figures = self._figures
        speed = figures.rate_text(now_s)
        lines = [
            f"{self._title}   {now_s:.0f} s",
            f"  {figures.reading_text(now_s):<16} {figures.level_text()}   {speed}".rstrip(),
        ]
        figures.trace.slots = 60 if width >= 99 else 40
        drawn = figures.trace.line(now_s, ascii_only=not is_utf8(sys.stdout))
        if drawn is not None:
            trace, low, high = drawn
            lines.append(f"  {trace}  {volts_text(low)} to {volts_text(high)}, last minute")
        if self._typed is not None:
            lines.append(f"  note: {self._typed}_  (Enter keeps it, Esc drops it)")
        else:
            lines.append(f"  {self._help}")
        return lines
