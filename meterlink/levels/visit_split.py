"""The readings and marks of a whole visit become its tests, one after another."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from drivers.events import Mark
from drivers.readings import Reading
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Setup
from meterlink.errors import UsageError
from meterlink.levels.detector import DEFAULT_AMPS, SMALLEST_RUN_MOHM, TestDetector
from meterlink.levels.measurement import Measurement


@dataclass(frozen=True, slots=True)
class CompletedTest:
    """One test of a visit.

    Attributes:
        setup: Hookup, leads and load.
        started_s: Seconds since the capture's start.
        measurement: What the readings came to.
        notes: Texts of the notes made while it was open.
    """

    setup: Setup
    started_s: float
    measurement: Measurement
    notes: tuple[str, ...]


def smallest_drop_mv(circuit: Circuit) -> float:
    """Drop on the smallest run that could be there: 1 m of the conductor at the load's amps.

    ``SMALLEST_RUN_MOHM`` and ``DEFAULT_AMPS`` stand in for what is not stated.
    """
    amps = circuit.load_amps or DEFAULT_AMPS
    ohm_per_m = circuit.ohm_per_m()  # None as well where the conductor's words are not understood
    return amps * (SMALLEST_RUN_MOHM if ohm_per_m is None else 1e3 * ohm_per_m)


def completed_tests(events: Iterable[Reading | Mark], circuit: Circuit) -> Iterator[CompletedTest]:
    """Split a visit into its tests.

    A test begins at its ``test`` mark and ends at ``end``, at the next ``test`` mark, or with the
    last event. A ``void`` mark takes the open test back. Readings outside tests are not used.

    Args:
        events: Readings and marks in time order.
        circuit: Supply, load and conductor.

    Yields:
        Each test when it ends.

    Raises:
        UsageError: A ``test`` mark lacks what its hookup needs.
    """
    smallest = smallest_drop_mv(circuit)
    detector: TestDetector | None = None
    mark: Mark | None = None
    notes: list[str] = []
    now_s = 0.0
    for event in events:
        now_s = event.t_s
        if isinstance(event, Reading):
            if detector is not None:
                detector.add(event)
            continue
        if event.kind in ("test", "end", "void"):
            if detector is not None and mark is not None and event.kind != "void":
                yield _complete(detector, mark, notes, now_s)
            detector, mark, notes = None, None, []
        if event.kind == "test":
            mark = event
            detector = TestDetector(
                setup_of(event),
                event.t_s,
                volts=circuit.volts,
                hertz=circuit.hertz,
                smallest_drop_mv=smallest,
            )
        elif event.kind == "note":
            notes.append(event.text or "")
        elif detector is not None:
            detector.mark(event.kind, event.t_s)
    if detector is not None and mark is not None:
        yield _complete(detector, mark, notes, now_s)


def setup_of(mark: Mark) -> Setup:
    """Setup that a ``test`` mark names.

    Raises:
        UsageError: Unknown hookup, or leads or load missing.
    """
    where = f"The test mark at {mark.t_s:g} s"
    try:
        hookup = Hookup(mark.hookup or "")
    except ValueError as error:
        known = ", ".join(Hookup)
        raise UsageError(f"{where} names the hookup {mark.hookup!r}; known are {known}.") from error
    if not mark.lead_a or not mark.load_at:
        raise UsageError(f"{where} lacks lead_a or load_at: say where the lead and the load were.")
    return Setup(hookup, mark.lead_a, mark.lead_b, mark.load_at)


def _complete(detector: TestDetector, mark: Mark, notes: list[str], now_s: float) -> CompletedTest:
    """End a test."""
    return CompletedTest(setup_of(mark), mark.t_s, detector.finish(now_s), tuple(notes))
