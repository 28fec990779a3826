"""What the report shows of the captures of a job: plots of the tests, instruments, digests.

A plot has all readings of a test, the levels found, and the drop.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from xml.etree.ElementTree import Element

from drivers.capture import CaptureReader, replay
from drivers.errors import DriverError
from drivers.readings import Mark, Reading
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import CAPTURES, JOB_FILE, LOG_FILE, Job
from meterlink.circuit.setup import Hookup
from meterlink.errors import MeterlinkError
from meterlink.levels.detector import Measurement
from meterlink.levels.visit_split import CompletedTest, completed_tests
from meterlink.show.map_svg import ACCENT, ALERT, FAINT, INK, PAPER, RULE, add, markup, picture
from meterlink.testlog.captures import sha256
from meterlink.testlog.columns import Source, TestRow
from meterlink.testlog.rows import measured_row

_MOST_MARKS = 40  # per test and kind; more would only blacken the plot


@dataclass(slots=True)
class _Bin:
    """Smallest and largest value within a span of readings, with their times."""

    low: tuple[float, float]
    high: tuple[float, float]

    def take(self, other: "_Bin") -> None:
        """Span the other one as well."""
        if other.low[1] < self.low[1]:
            self.low = other.low
        if other.high[1] > self.high[1]:
            self.high = other.high


class Envelope:
    """Keeps a series of any length in constant memory, as extremes over even spans of readings.

    Up to ``bins`` readings are kept as they are. Then neighbours are joined two by two, and each
    further bin spans twice as many readings.

    Args:
        bins: At most so many spans are kept; an even number, at least 2.
    """

    def __init__(self, bins: int = 80) -> None:
        if bins < 2 or bins % 2:
            raise ValueError(f"bins must be even and at least 2, not {bins}")
        self._most = bins
        self._span = 1
        self._filled = 0  # readings in the last bin
        self._bins: list[_Bin] = []

    def add(self, t_s: float, value: float) -> None:
        """Take the next reading."""
        one = _Bin((t_s, value), (t_s, value))
        if self._bins and self._filled < self._span:
            self._bins[-1].take(one)
            self._filled += 1
            return
        if len(self._bins) == self._most:
            self._join()
        self._bins.append(one)
        self._filled = 1

    def points(self) -> list[tuple[float, float]]:
        """Times and values to draw, in time order; at most two for each bin."""
        found: list[tuple[float, float]] = []
        for part in self._bins:
            found.extend(sorted({part.low, part.high}))
        return found

    def _join(self) -> None:
        for first, second in zip(self._bins[::2], self._bins[1::2], strict=True):
            first.take(second)
        self._bins = self._bins[::2]
        self._span *= 2


@dataclass(slots=True)
class DrawnTest:
    """One test as it is drawn. Times are seconds since the test's start, values thousandths.

    Attributes:
        started_s: Start of the test in the capture's time.
        ended_s: Time of its last event.
        in_ohms: It was read with an ohmmeter; else in volts.
        readings: What the meter showed.
        load_on_s, load_off_s: The operator's marks.
        beyond_range_s: Times of readings without a value, overload for one.
    """

    started_s: float
    ended_s: float = 0.0
    in_ohms: bool = False
    readings: Envelope = field(default_factory=Envelope)
    load_on_s: list[float] = field(default_factory=list)
    load_off_s: list[float] = field(default_factory=list)
    beyond_range_s: list[float] = field(default_factory=list)

    def take(self, event: Reading | Mark) -> None:
        """Add an event of the test."""
        t_s = event.t_s - self.started_s
        self.ended_s = max(self.ended_s, t_s)
        if isinstance(event, Reading):
            value = event.ohms if self.in_ohms else event.volts
            if value is not None:
                self.readings.add(t_s, value * 1e3)
            elif len(self.beyond_range_s) < _MOST_MARKS:
                self.beyond_range_s.append(t_s)
        elif event.kind == "load-on" and len(self.load_on_s) < _MOST_MARKS:
            self.load_on_s.append(t_s)
        elif event.kind == "load-off" and len(self.load_off_s) < _MOST_MARKS:
            self.load_off_s.append(t_s)


def traced_tests(
    events: Iterable[Reading | Mark], circuit: Circuit
) -> Iterator[tuple[CompletedTest, DrawnTest]]:
    """Give the tests of a capture with their traces, in order.

    Args:
        events: ``drivers.capture.replay`` of an open capture.
        circuit: Supply, load and conductor, for the detector.
    """
    traces: list[DrawnTest] = []

    def watched() -> Iterator[Reading | Mark]:
        """Pass events on, and keep those within tests."""
        inside = False
        for event in events:
            if isinstance(event, Mark) and event.kind in ("test", "end", "void"):
                inside = event.kind == "test"
                if inside:
                    in_ohms = event.hookup in (Hookup.PATH_RESISTANCE, Hookup.LOOP_RESISTANCE)
                    traces.append(DrawnTest(event.t_s, in_ohms=in_ohms))
            elif inside:
                traces[-1].take(event)
            yield event

    for test in completed_tests(watched(), circuit):
        while traces and traces[0].started_s < test.started_s:
            traces.pop(0)
        yield test, traces.pop(0)


WIDTH, HEIGHT = 340.0, 150.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 8.0, 282.0, 20.0, 132.0
_BAR_X = 316.0
_MARGIN = 0.12  # of the range of readings, kept free above and below
_LEAST_RANGE_MV = 20.0  # a fraction of the drop over 1 m of cable: wander must not look like a jump


@dataclass(frozen=True, slots=True)
class _Scale:
    """From seconds and millivolts to the picture."""

    end_s: float
    low_mv: float
    high_mv: float

    def x(self, t_s: float) -> float:
        """Across."""
        return _LEFT + (_RIGHT - _LEFT) * min(max(t_s / self.end_s, 0.0), 1.0)

    def y(self, value_mv: float) -> float:
        """Down; what is beyond the range stands at its edge."""
        share = (value_mv - self.low_mv) / (self.high_mv - self.low_mv)
        return _BOTTOM - (_BOTTOM - _TOP) * min(max(share, 0.0), 1.0)


def draw_trace(row: TestRow, measurement: Measurement, trace: DrawnTest, *, identity: str) -> str:
    """Draw one test as SVG.

    Args:
        row: The test as it is logged: its levels are the ones drawn.
        measurement: The same readings measured again, for the moments of switching.
        trace: The readings.
        identity: Prefix of element ids, unique in the page.
    """
    root = picture(identity, WIDTH, HEIGHT, f"Readings of test {row.test}", _description(row))
    add(root, "rect", x=0, y=0, width=WIDTH, height=HEIGHT, fill=PAPER)
    scale = _scale(row, trace)
    add(root, "path", d=f"M{_LEFT:g} {_BOTTOM:g}H{_RIGHT:g}", stroke=RULE, fill="none")
    _switching(root, scale, trace, measurement)
    points = " ".join(f"{scale.x(t):.1f},{scale.y(v):.1f}" for t, v in trace.readings.points())
    add(root, "polyline", points=points, fill="none", stroke=FAINT, stroke_width=1)
    for t_s in trace.beyond_range_s:
        x = scale.x(t_s)
        add(root, "path", d=f"M{x - 2:.1f} {_TOP - 6:g}l2 4l2 -4", stroke=ALERT, fill="none")
    _levels(root, scale, row, trace, measurement)
    _drop_bar(root, scale, row)
    _note(root, _LEFT, HEIGHT - 4, f"0 to {scale.end_s:.0f} s", FAINT)
    return markup(root)


def level_text(value_mv: float | None, spread_mv: float | None = None, unit: str = "V") -> str:
    """A level in thousandths of its unit, or in the unit itself where it is ten or more."""
    if value_mv is None:
        return "not seen"
    unit, factor = (unit, 1e-3) if abs(value_mv) >= 1e4 else (f"m{unit}", 1.0)
    places = 2 if factor < 1 or abs(value_mv) < 100 else 1
    text = f"{value_mv * factor:.{places}f}"
    if spread_mv is not None:
        text += f" (sd {spread_mv * factor:.{places}f})"
    return f"{text} {unit}"


def _description(row: TestRow) -> str:
    if row.setup.hookup.ohms:
        return f"path {level_text(row.path_mohm, unit='ohm')}."
    levels = (("idle", row.idle_mv), ("load on", row.on_mv), ("after", row.after_mv))
    return "; ".join(f"{name} {level_text(value)}" for name, value in levels) + "."


def _scale(row: TestRow, trace: DrawnTest) -> _Scale:
    """Fit every reading and every level: a jump that was missed has to be seen."""
    levels = (row.idle_mv, row.on_mv, row.after_mv, row.path_mohm)
    values = [v for v in levels if v is not None]
    values += [value for _, value in trace.readings.points()]
    low, high = min(values, default=0.0), max(values, default=0.0)
    spread = max(high - low, _LEAST_RANGE_MV, 6 * (row.idle_sd_mv or 0.0))
    middle, half = (low + high) / 2, spread * (0.5 + _MARGIN)
    return _Scale(max(trace.ended_s, 1e-3), middle - half, middle + half)


def _switching(root: Element, scale: _Scale, trace: DrawnTest, measurement: Measurement) -> None:
    """The person's marks as ticks on top, the moments found in the readings as lines."""
    for times, word in ((trace.load_on_s, "marked on"), (trace.load_off_s, "marked off")):
        for t_s in times:
            x = scale.x(t_s)
            add(root, "path", d=f"M{x:.1f} {_TOP - 6:g}V{_TOP:g}", stroke=INK, fill="none")
            _note(root, x + 2, _TOP - 8, word, INK)
    for seen_s in (measurement.on_at_s, measurement.off_at_s):
        if seen_s is not None:
            x = scale.x(seen_s - trace.started_s)
            add(
                root,
                "path",
                d=f"M{x:.1f} {_TOP:g}V{_BOTTOM:g}",
                stroke=RULE,
                fill="none",
                stroke_dasharray="2 3",
            )


def _levels(
    root: Element, scale: _Scale, row: TestRow, trace: DrawnTest, measurement: Measurement
) -> None:
    """Idle, on and after as level lines over the spans that they belong to."""
    on_s = _first(measurement.on_at_s, trace, trace.load_on_s)
    off_s = _first(measurement.off_at_s, trace, trace.load_off_s)
    start_s = on_s if on_s is not None else scale.end_s
    stop_s = off_s if off_s is not None else scale.end_s
    spans = (
        ("idle", row.idle_mv, 0.0, start_s),
        ("on", row.on_mv, start_s, stop_s),
        ("after", row.after_mv, stop_s, scale.end_s),
        ("path", row.path_mohm, 0.0, scale.end_s),
    )
    for name, value, from_s, to_s in spans:
        if value is not None and to_s > from_s and math.isfinite(value):
            x, y = scale.x(from_s), scale.y(value)
            line = f"M{x:.1f} {y:.1f}H{scale.x(to_s):.1f}"
            add(root, "path", d=line, stroke=ACCENT, stroke_width=2.2, fill="none")
            below = y < (_TOP + _BOTTOM) / 2
            text = f"{name} {level_text(value, unit='ohm' if trace.in_ohms else 'V')}"
            _note(root, min(x + 5, _RIGHT - 90), y + 15 if below else y - 5, text, ACCENT)


def _first(seen_s: float | None, trace: DrawnTest, marks: list[float]) -> float | None:
    if seen_s is not None:
        return seen_s - trace.started_s
    return marks[0] if marks else None


def _drop_bar(root: Element, scale: _Scale, row: TestRow) -> None:
    """The drop as a bar from the idle level the way the level went, its uncertainty as caps."""
    if row.drop_mv is None or row.idle_mv is None:
        return
    end_mv = row.idle_mv + math.copysign(row.drop_mv, row.delta_mv or row.drop_mv)
    y0, y1 = scale.y(row.idle_mv), scale.y(end_mv)
    add(root, "path", d=f"M{_BAR_X:g} {y0:.1f}V{y1:.1f}", stroke=INK, stroke_width=3, fill="none")
    for u_mv in (-(row.drop_u_mv or 0.0), row.drop_u_mv or 0.0):
        y = scale.y(end_mv + u_mv)
        add(root, "path", d=f"M{_BAR_X - 6:g} {y:.1f}h12", stroke=INK, fill="none")
    _note(root, _BAR_X - 12, _TOP - 8, "drop", INK)


def _note(root: Element, x: float, y: float, text: str, fill: str) -> None:
    """A word in the plot, with a white halo that keeps it readable over lines."""
    add(
        root,
        "text",
        text,
        x=x,
        y=y,
        font_size=11,
        fill=fill,
        stroke=PAPER,
        stroke_width=3,
        stroke_linejoin="round",
        paint_order="stroke",
    )


@dataclass(frozen=True, slots=True)
class Recording:
    """One capture of the job.

    Attributes:
        name: File name in the folder of captures.
        started: When it began; ``None`` where the file cannot be read.
        facts: What is known of the instrument, as label and value.
        remarks: Lines that were damaged, or why the file cannot be read.
        notes: What the person wrote between tests and at the end.
    """

    name: str
    started: datetime | None
    facts: tuple[tuple[str, str], ...]
    remarks: tuple[str, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Digest:
    """A file of the job as it was when the report was made."""

    name: str
    size_bytes: int
    sha256: str


def visits(job: Job, rows: Sequence[TestRow]) -> tuple[tuple[Recording, ...], Mapping[int, str]]:
    """Read the captures that the rows name.

    Args:
        job: The job folder. Names in the log are only looked for in its folder of captures.
        rows: The test log.

    Returns:
        The captures that are there, and the plot of each test (SVG) by its number.
    """
    plots: dict[int, str] = {}
    found: list[Recording] = []
    for path in _captures(job):
        mine = [row for row in rows if row.capture == path.name]
        if mine:
            found.append(_visit(path, job, mine, plots))
    return tuple(found), plots


def digests(job: Job) -> tuple[Digest, ...]:
    """SHA-256 (FIPS 180-4) of every file that the report rests on.

    Raises:
        OSError: A file cannot be read.
    """
    files = [job.folder / JOB_FILE, job.folder / LOG_FILE, *_captures(job)]
    return tuple(
        Digest(path.relative_to(job.folder).as_posix(), path.stat().st_size, sha256(path))
        for path in files
        if path.is_file()
    )


def _captures(job: Job) -> list[Path]:
    folder = job.folder / CAPTURES
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if path.is_file())


def _visit(path: Path, job: Job, rows: list[TestRow], plots: dict[int, str]) -> Recording:
    try:
        with CaptureReader(path) as reader:
            notes: list[str] = []
            plots.update(_plots(reader, job, rows, notes))
            header = reader.header
            damaged = [f"line {d.line}: {d.reason}" for d in (*reader.damaged, *reader.warnings)]
    except (DriverError, MeterlinkError) as error:
        return Recording(path.name, None, (), (f"{error} Its tests have no plots.",))
    facts = [("bytes read as", header.driver), *sorted(header.instrument.items())]
    facts += [(key, str(value)) for key, value in sorted(header.settings.items())]
    return Recording(path.name, header.started, tuple(facts), tuple(damaged), tuple(notes))


def _plots(
    reader: CaptureReader, job: Job, rows: list[TestRow], notes: list[str]
) -> Iterator[tuple[int, str]]:
    """Measure the capture again and draw each test that is in the log, found by its time.

    Notes that belong to no test are gathered on the way.
    """
    waiting = {(row.time, row.setup): row for row in reversed(rows)}
    for test, trace in traced_tests(_noting(replay(reader), notes), job.circuit):
        again = measured_row(
            test,
            started=reader.header.started,
            amps=job.circuit.load_amps,
            source=Source.REPLAY,
            capture=reader.name,
        )
        row = waiting.pop((again.time, again.setup), None)
        if row is not None:
            drawn = draw_trace(row, test.measurement, trace, identity=f"test-{row.test}")
            yield row.test, drawn


def _noting(events: Iterable[Reading | Mark], notes: list[str]) -> Iterator[Reading | Mark]:
    """Pass events on, and keep what was noted between tests and at the end."""
    inside = False
    for event in events:
        if isinstance(event, Mark):
            if event.kind in ("test", "end", "void"):
                inside = event.kind == "test"
            elif event.kind == "note" and not inside and event.text:
                notes.append(event.text)
        yield event
