"""What the visit knows at a moment, and what it asks of whoever runs it.

Changed by ``loop`` through ``steps``, read by ``showing``. The visit itself does no I/O.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum, auto

from drivers.readings import Reading
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels.progress import Progress, Stage
from meterlink.levels.visit_split import CompletedTest
from meterlink.testlog.columns import TestRow
from meterlink.visit.notices import Faults, TestValidity
from meterlink.visit.planning import Outlook
from meterlink.visit.view import Cue, Sound

PATIENCE_S = 20.0  # after which the load may come although the idle level is not steady
LONGEST_ON_S = 40.0  # of waiting for a certain answer with the load on
LONGEST_AFTER_S = 15.0  # of waiting for the level after the load where no readings come
LATE_HAND_S = 12.0  # from the tap to the switch: the person walks to the load first
CYCLE_S = 5.0  # that the load is on, and off, in each of several cycles
CHANGING = "changing"  # text of the mark of a source whose current is on its way
CALL_S = 4.0  # from "get ready" to "now", where the switching is called out
CALLED_ON_S = 8.0  # that the load runs where its switching is called out


# -- what the visit asks for -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SetMark:
    """Set a mark in the recording; it comes back to the visit among the readings."""

    kind: str
    text: str = ""
    setup: Setup | None = None


@dataclass(frozen=True, slots=True)
class TypedTest:
    """A test whose readings were typed: both levels, or only whether there was a jump.

    Attributes:
        setup: Where leads and load were.
        idle, on: Levels in the unit of the hookup: mV, or ohms; ``on`` alone for ohms.
        verdict: Where only a jump, or none, was seen.
        step: Weight of the last digit that was typed, in ohm; ``None`` where it is not known.
    """

    setup: Setup
    idle: float | None = None
    on: float | None = None
    verdict: Verdict | None = None
    step: float | None = None


@dataclass(frozen=True, slots=True)
class LogTest:
    """Append a completed test to the log; answer with ``logged`` or ``not_logged``."""

    done: CompletedTest | TypedTest


@dataclass(frozen=True, slots=True)
class Withdraw:
    """Write down that a logged test does not count; answer with ``withdrawn``, or not at all."""

    test: int


@dataclass(frozen=True, slots=True)
class Think:
    """Work out what the log says and what to test next; answer with ``planned``.

    Attributes:
        last: The setup of the last test: where leads and load are now.
        not_now: Receptacles that cannot be reached.
    """

    last: Setup | None
    not_now: frozenset[str]


@dataclass(frozen=True, slots=True)
class LetFlow:
    """Let a direct source's current on, one way or the other, or switch it off.

    Answer with the mark ``source`` among the readings, or with ``source_failed``.

    Attributes:
        sign: 1, -1, or 0 for off.
    """

    sign: int


@dataclass(frozen=True, slots=True)
class Record:
    """Begin a new recording; answer with ``recording`` or ``recording_failed``."""


Request = SetMark | LogTest | Withdraw | Think | Record | LetFlow


# -- what it knows -----------------------------------------------------------------------------


class Phase(Enum):
    """What the visit is busy with."""

    HALTED = auto()  # no recording runs: nothing is measured until one does
    THINKING = auto()
    SET_UP = auto()  # the person moves leads and load, or types what the meter shows
    BEGINNING = auto()  # the test's mark is on its way
    RUNNING = auto()
    ENDING = auto()  # the mark that ends or voids it is on its way
    LOGGING = auto()
    SETTLED = auto()
    STOPPED = auto()


@dataclass(slots=True)
class RunningTest:
    """The test that is open.

    Attributes:
        started_s: Time of its mark.
        validity: Says when a fault spoiled it.
        cycles: How often the load is to be switched on and off.
        cycle: Which of these it is.
        progress: How it stands; ``None`` before the first reading.
        on_s: When the load was tapped, called or seen on; ``None`` before.
        off_s: When it was tapped, called or seen off.
        is_seen: The trace shows that the load came on in this cycle.
        is_seen_off: It shows that the load went off again.
        is_called: The switching is called out; nobody has said yet that the load followed.
        is_confirmed: A person said that the load ran.
        ready_s: Since when the idle level is steady, ``None`` while it is not.
        is_certain: The answer with the load on was certain, or will not be.
        jump_told, off_told: The switching was rung for.
        is_tapped: A person, or the calling out, said that the load came on.
        went_off_s: When it went off in the cycle before.
        currents: Directions of the source's current in this test of the dead circuit, none of an
            ohmmeter; ``None`` where a person switches.
        standing: Which of these it is.
        stands_s: Since when.
        is_turning: The source was asked for another current, which has not come yet.
    """

    started_s: float
    validity: TestValidity
    cycles: int = 1
    cycle: int = 1
    progress: Progress | None = None
    on_s: float | None = None
    off_s: float | None = None
    is_seen: bool = False
    is_seen_off: bool = False
    is_called: bool = False
    is_confirmed: bool = False
    ready_s: float | None = None
    is_certain: bool = False
    jump_told: bool = False
    off_told: bool = False
    is_tapped: bool = False
    went_off_s: float = float("-inf")
    currents: tuple[int, ...] | None = None
    standing: int = 0
    stands_s: float = 0.0
    is_turning: bool = False

    @property
    def flows(self) -> bool:
        """Whether the source was let on for this test and not switched off again."""
        now = self.currents[self.standing] if self.currents else 0
        return bool(self.currents) and (self.is_turning or now != 0)

    def next_current(self, now_s: float) -> int | None:
        """Direction of the current to come once this one was read; ``None`` where none is to come.

        Raises:
            StopIteration: The last one was read.
        """
        progress = self.progress
        steady = progress is not None and progress.enough
        waited = now_s - self.stands_s > LONGEST_ON_S and bool(self.currents)
        if self.is_turning or not (steady or waited):
            return None
        if self.standing + 1 >= len(self.currents or ()):
            raise StopIteration
        self.standing, self.is_turning = self.standing + 1, True
        return (self.currents or ())[self.standing]

    def turned(self, now_s: float) -> None:
        """The current that was asked for flows."""
        self.is_turning, self.stands_s, self.progress = False, now_s, None

    def begin_with_source(self, currents: tuple[int, ...]) -> int:
        """A supply goes through these currents; returns the first, to be asked for at once."""
        self.currents, self.is_turning = currents, True
        return currents[0]

    @property
    def is_on(self) -> bool:
        """Whether the load is on, as far as is known."""
        return self.on_s is not None and self.off_s is None

    @property
    def has_no_jump(self) -> bool:
        """Whether the load should have come, and did not show."""
        return not self.is_seen and self.is_certain

    @property
    def must_be_confirmed(self) -> bool:
        """Whether a person still has to say that the load ran."""
        return self.off_s is not None and self.is_called and self.has_no_jump

    def look(self, now_s: float) -> Iterator[Sound]:
        """Notice a steady level, the load, a certain answer; gives what is to be heard."""
        progress = self.progress
        if progress is None:
            return
        self._follow_trace(progress, now_s)
        if self.on_s is None:
            self._look_at_idle(progress, now_s)
        elif self.off_s is None:
            yield from self._look_at_load(progress, now_s)
        elif self.is_seen_off and not self.off_told:
            self.off_told = True
            yield Sound.DONE

    def _follow_trace(self, progress: Progress, now_s: float) -> None:
        """Take over what the trace shows; it may think better of it with more readings."""
        is_first = self.cycle == 1
        on = progress.load_seen_on and (is_first or self.is_seen or not progress.load_seen_off)
        off = on and progress.load_seen_off
        if on and not self.is_seen:
            self.is_seen, self.is_certain = True, False
            self.on_s = now_s if self.on_s is None else self.on_s
        elif self.is_seen and not progress.load_seen_on:
            self.is_seen = self.is_seen_off = False
            self.on_s = self.on_s if self.is_tapped else None
            self.off_s = self.off_s if self.is_tapped else None
        if off and not self.is_seen_off:
            self.is_seen_off = True
            self.off_s = now_s if self.off_s is None else self.off_s
        elif self.is_seen_off and on and not off:  # a thermostat, or a joint that moves
            self.is_seen_off, self.off_s = False, None

    def _look_at_idle(self, progress: Progress, now_s: float) -> None:
        stage = progress.stage
        idle = stage is Stage.AFTER if self.cycle > 1 else stage in (Stage.SETTLING, Stage.IDLE)
        if not idle:
            self.ready_s = None
        elif progress.enough and self.ready_s is None and now_s - self.went_off_s >= CYCLE_S:
            self.ready_s = now_s

    def _look_at_load(self, progress: Progress, now_s: float) -> Iterator[Sound]:
        if self.is_seen and not self.jump_told:
            self.jump_told = True
            yield Sound.JUMP
        enough = progress.no_jump or (progress.enough and progress.stage is Stage.ON)
        waited_s = now_s - (self.on_s or 0.0)
        enough = enough and (self.cycles == 1 or waited_s >= CYCLE_S or not self.is_seen)
        if (enough or waited_s > LONGEST_ON_S) and not self.is_certain:
            self.is_certain = True
            yield Sound.DONE

    def is_idle_again(self, now_s: float) -> bool:
        """Whether the level after the load is known, or will not be."""
        if self.off_s is None:
            return False
        progress, since_s = self.progress, now_s - self.off_s
        if progress is None:
            return since_s > LONGEST_AFTER_S
        is_silent = progress.reading is None or progress.reading.t_s < now_s - LONGEST_AFTER_S / 3
        if is_silent:
            return since_s > LONGEST_AFTER_S
        if self.is_still_on(now_s):
            return False
        return progress.stage is Stage.AFTER and (progress.enough or since_s > LONGEST_AFTER_S)

    def is_still_on(self, now_s: float) -> bool:
        """Whether the load was said to be off for long enough, and the reading is still up."""
        if self.off_s is None or not self.is_seen or self.is_seen_off or self.progress is None:
            return False
        stayed = "load-stayed-on" in self.progress.flags
        return stayed and now_s - self.off_s > LATE_HAND_S / 2

    def next_cycle(self) -> None:
        """Begin to wait for the load once more."""
        self.cycle += 1
        self.went_off_s = self.off_s or 0.0
        self.on_s = self.off_s = self.ready_s = None
        self.is_seen = self.is_seen_off = self.is_certain = False
        self.jump_told = self.off_told = self.is_tapped = False


@dataclass(slots=True)
class State:
    """The whole of it.

    Attributes:
        circuit: What is known of the circuit.
        number: Of the next row in the log.
        faults: What is wrong with the meter.
        is_typed: Readings are typed, as no cable brings them.
        phase: What it is busy with.
        setup: Of the test that is asked for or runs.
        why: Why that one.
        last: Setup of the last test, where leads and load are.
        leads_placed: The leads were seen to be where ``last`` has them, in this visit.
        test: The test that is open.
        typed_idle: The level without load that was typed for it.
        odd: A typed test with an odd value, and what was probably meant.
        why_odd: Why it is odd.
        outlook: What the log says.
        rows: What is in the log, in its order.
        away: Numbers of the tests that were undone.
        row: The last row that was logged in this visit.
        unlogged: Tests that were done and are not in the log yet.
        not_now: Receptacles that nobody can reach.
        rhythm: The program calls out when to switch.
        source_reverses: A supply lets the current on by itself, and can turn it or not; ``None``
            where there is none.
        hookups: Those that can be done; none for all that the live circuit allows.
        is_stopping: The visit ends as soon as no mark is on its way.
        trouble: Why nothing goes on: recording or log cannot be written; empty where all is well.
        void: Why the last try was discarded; empty where it was not.
        reading: The newest.
        now_s: The time.
        cue: The newest sound.
    """

    circuit: Circuit
    number: int
    faults: Faults
    is_typed: bool = False
    last: Setup | None = None
    phase: Phase = Phase.HALTED
    setup: Setup | None = None
    why: str = ""
    leads_placed: bool = False
    test: RunningTest | None = None
    typed_idle: float | None = None
    odd: tuple[TypedTest, TypedTest] | None = None
    why_odd: str = ""
    outlook: Outlook | None = None
    rows: list[TestRow] = field(default_factory=list)
    away: set[int] = field(default_factory=set)
    row: TestRow | None = None
    unlogged: deque[CompletedTest | TypedTest] = field(default_factory=deque)
    not_now: frozenset[str] = frozenset()
    rhythm: bool = False
    source_reverses: bool | None = None
    hookups: tuple[Hookup, ...] = ()
    is_stopping: bool = False
    trouble: str = ""
    void: str = ""
    reading: Reading | None = None
    now_s: float = 0.0
    cue: Cue | None = None

    @property
    def last_number(self) -> int:
        """Number of the test that ``last`` is of; those of removed ones are not used again."""
        return self.rows[-1].test if self.rows else self.number - 1

    def ring(self, sound: Sound) -> None:
        """Make a sound once."""
        self.cue = Cue(self.cue.number + 1 if self.cue else 1, sound)
