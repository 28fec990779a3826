"""The readings of each test of a capture, small enough to draw, with what was seen in them."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from drivers.events import Mark
from drivers.readings import Reading
from meterlink.circuit.circuit import Circuit
from meterlink.levels.visit_split import CompletedTest, completed_tests

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
class Trace:
    """One test as it is drawn. Times are seconds since the test's start, values millivolts.

    Attributes:
        started_s: Start of the test in the capture's time.
        ended_s: Time of its last event.
        readings: What the meter showed.
        load_on_s, load_off_s: The operator's marks.
        beyond_range_s: Times of readings without a value, overload for one.
    """

    started_s: float
    ended_s: float = 0.0
    readings: Envelope = field(default_factory=Envelope)
    load_on_s: list[float] = field(default_factory=list)
    load_off_s: list[float] = field(default_factory=list)
    beyond_range_s: list[float] = field(default_factory=list)

    def take(self, event: Reading | Mark) -> None:
        """Add an event of the test."""
        t_s = event.t_s - self.started_s
        self.ended_s = max(self.ended_s, t_s)
        if isinstance(event, Reading):
            if event.volts is not None:
                self.readings.add(t_s, event.volts * 1e3)
            elif len(self.beyond_range_s) < _MOST_MARKS:
                self.beyond_range_s.append(t_s)
        elif event.kind == "load-on" and len(self.load_on_s) < _MOST_MARKS:
            self.load_on_s.append(t_s)
        elif event.kind == "load-off" and len(self.load_off_s) < _MOST_MARKS:
            self.load_off_s.append(t_s)


def traced_tests(
    events: Iterable[Reading | Mark], circuit: Circuit
) -> Iterator[tuple[CompletedTest, Trace]]:
    """Give the tests of a capture with their traces, in order.

    Args:
        events: ``drivers.replay.replay`` of an open capture.
        circuit: Supply, load and conductor, for the detector.
    """
    traces: list[Trace] = []

    def watched() -> Iterator[Reading | Mark]:
        """Pass events on, and keep those within tests."""
        inside = False
        for event in events:
            if isinstance(event, Mark) and event.kind in ("test", "end", "void"):
                inside = event.kind == "test"
                if inside:
                    traces.append(Trace(event.t_s))
            elif inside:
                traces[-1].take(event)
            yield event

    for test in completed_tests(watched(), circuit):
        while traces and traces[0].started_s < test.started_s:
            traces.pop(0)
        yield test, traces.pop(0)
