"""The readings of each test of a capture, small enough to draw, with what was seen in them."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from drivers.events import Mark
from drivers.readings import Reading
from meterlink.circuit.circuit import Circuit
from meterlink.levels.visit_split import CompletedTest, completed_tests
from meterlink.show.envelope import Envelope

_MOST_MARKS = 40  # per test and kind; more would only blacken the plot


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
