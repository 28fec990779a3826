"""The readings and marks of a whole visit become its tests, one after another."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from drivers.readings import Mark, Reading
from meterlink.assumptions import USUAL, Assumptions
from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.setup import Hookup, Setup, made_setup
from meterlink.errors import UsageError
from meterlink.levels.dead_circuit import DeadDetector
from meterlink.levels.detector import Measurement, TestDetector
from meterlink.levels.progress import Progress


@dataclass(frozen=True, slots=True)
class CompletedTest:
    """One test of a visit.

    Attributes:
        setup: Hookup, leads and load.
        started_s: Seconds since the capture's start.
        measurement: What the readings came to.
        notes: Texts of the notes made while it was open.
        amps_low: Stated current of the load at its lower setting, if it has one.
    """

    setup: Setup
    started_s: float
    measurement: Measurement
    notes: tuple[str, ...]
    amps_low: float | None = None


def smallest_drop_mv(circuit: Circuit, assumed: Assumptions = USUAL) -> float:
    """Drop on the smallest run that could be there: 1 m of the conductor at the load's amps.

    What is not stated is assumed.
    """
    amps = circuit.load_amps or assumed.meter.amps
    ohm_per_m = circuit.ohm_per_m()  # None as well where the conductor's words are not understood
    return amps * (assumed.levels.smallest_run_mohm if ohm_per_m is None else 1e3 * ohm_per_m)


def ratio_of(circuit: Circuit) -> float | None:
    """Current of the load at its higher setting over that at the lower; ``None`` if not stated."""
    high, low = circuit.load_amps, circuit.amps_low
    return high / low if high and low and high > low else None


class DirectTest:
    """A test with a direct source: a supply says what it gives, or a person switches.

    Where the mark ``source`` comes, the standings between them are what counts; else the trace
    says when the current came, as with any load.
    """

    def __init__(self, by_itself: DeadDetector, by_hand: TestDetector) -> None:
        self._by_itself = by_itself
        self._by_hand = by_hand
        self._chosen: DeadDetector | TestDetector = by_hand

    def add(self, reading: Reading) -> None:
        """Take the next reading, in time order."""
        self._by_itself.add(reading)
        self._by_hand.add(reading)

    def mark(self, kind: str, t_s: float, text: str = "") -> None:
        """Take a mark."""
        if kind == "source":
            self._chosen = self._by_itself
            self._by_itself.mark(kind, t_s, text)
        else:
            self._by_hand.mark(kind, t_s)

    def finish(self, t_s: float) -> Measurement:
        """End the test and measure it."""
        return self._chosen.finish(t_s)

    def progress(self) -> Progress:
        """How the test stands."""
        return self._chosen.progress()


class TestSplitter:
    """Splits a visit into its tests as its events come, the same live and in a replay.

    A test begins at its ``test`` mark and ends at ``end``, at the next ``test`` mark, or with the
    visit. A ``void`` mark takes the open test back. Readings outside tests are not used.

    Attributes:
        setup: Of the test that is open, ``None`` where none is.
        detector: Its detector.
    """

    __test__ = False  # keeps pytest from collecting the class by its name

    def __init__(
        self, circuit: Circuit, *, four_wire: bool = False, assumptions: Assumptions = USUAL
    ) -> None:
        """``circuit``: supply, load and conductor; ``four_wire``: of an ohmmeter."""
        self._four_wire = four_wire
        self._assumptions = assumptions
        self._lead_mohm = 0.0
        self._null: DeadDetector | None = None
        self._circuit = circuit
        self._smallest_mv = smallest_drop_mv(circuit, assumptions)
        self._started_s = 0.0
        self._notes: list[str] = []
        self.setup: Setup | None = None
        self.detector: TestDetector | DeadDetector | DirectTest | None = None

    def take(self, event: Reading | Mark) -> CompletedTest | None:
        """Take the next event in time order; returns the test that it ended, if it ended one.

        Raises:
            UsageError: A ``test`` mark lacks what its hookup needs.
        """
        if isinstance(event, Reading):
            for detector in (self.detector, self._null):
                if detector is not None:
                    detector.add(event)
            return None
        done = None
        if event.kind in ("test", "end", "void"):
            done = self.finish(event.t_s) if event.kind != "void" else None
            self.setup, self.detector, self._notes = None, None, []
            self._take_null(event.t_s)
        if event.kind == "test":
            self._begin(event)
        elif event.kind == "null":
            leads = made_setup(Hookup.PATH_RESISTANCE, "the leads")
            self._null = DeadDetector(leads, event.t_s, four_wire=True)
        elif event.kind == "note":
            self._notes.append(event.text or "")
        elif isinstance(self.detector, DeadDetector | DirectTest):
            self.detector.mark(event.kind, event.t_s, event.text)
        elif self.detector is not None:
            self.detector.mark(event.kind, event.t_s, event.setting or "")
        return done

    def finish(self, t_s: float) -> CompletedTest | None:
        """The test that is open, ended at a time; ``None`` where none is."""
        if self.detector is None or self.setup is None:
            return None
        found = self.detector.finish(t_s)
        notes = tuple(self._notes)
        return CompletedTest(self.setup, self._started_s, found, notes, self._circuit.amps_low)

    def _take_null(self, t_s: float) -> None:
        """The leads' own resistance, where it was being read."""
        if self._null is not None:
            found = self._null.finish(t_s).path_mohm
            self._lead_mohm = self._lead_mohm if found is None else found
            self._null = None

    def _begin(self, mark: Mark) -> None:
        setup = setup_of(mark, self._circuit)
        self.setup, self._started_s = setup, mark.t_s
        dead = DeadDetector(
            setup,
            mark.t_s,
            smallest_mv=self._smallest_mv,
            lead_mohm=self._lead_mohm,
            four_wire=self._four_wire,
            assumptions=self._assumptions,
        )
        if setup.hookup.ohms:
            self.detector = dead
            return
        by_trace = TestDetector(
            setup,
            mark.t_s,
            hertz=self._circuit.hertz,
            smallest_drop_mv=self._smallest_mv,
            direct=self._circuit.load_kind is not LoadKind.HEATER,
            ratio=ratio_of(self._circuit),
            assumptions=self._assumptions,
        )
        self.detector = DirectTest(dead, by_trace) if setup.dead else by_trace


def completed_tests(
    events: Iterable[Reading | Mark], circuit: Circuit, *, four_wire: bool = False
) -> Iterator[CompletedTest]:
    """Split a whole visit into its tests.

    Args:
        events: Readings and marks in time order.
        circuit: Supply, load and conductor.
        four_wire: The ohmmeter has four wires.

    Yields:
        Each test when it ends.

    Raises:
        UsageError: A ``test`` mark lacks what its hookup needs.
    """
    splitter = TestSplitter(circuit, four_wire=four_wire)
    now_s = 0.0
    for event in events:
        now_s = event.t_s
        done = splitter.take(event)
        if done is not None:
            yield done
    last = splitter.finish(now_s)
    if last is not None:
        yield last


def setup_of(mark: Mark, circuit: Circuit) -> Setup:
    """Setup that a ``test`` mark names; ``circuit`` says what kind of load there is.

    Raises:
        UsageError: Unknown hookup, or leads or load missing.
    """
    where = f"The test mark at {mark.t_s:g} s"
    try:
        hookup = Hookup(mark.hookup or "")
    except ValueError as error:
        known = ", ".join(Hookup)
        raise UsageError(f"{where} names the hookup {mark.hookup!r}; known are {known}.") from error
    if not mark.lead_a or not (mark.load_at or hookup.ohms):
        raise UsageError(f"{where} lacks lead_a or load_at: say where the lead and the load were.")
    direct = circuit.load_kind is LoadKind.DIRECT_SOURCE
    return made_setup(
        hookup,
        mark.lead_a,
        mark.lead_b,
        mark.load_at,
        side=mark.side,
        return_at=mark.return_at,
        direct=direct,
    )
