"""What the visit knows at a moment. Changed by ``loop`` alone, read by ``showing``."""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum, auto

from drivers.readings import Reading
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Setup, Verdict
from meterlink.levels.progress import Progress, Stage
from meterlink.levels.visit_split import CompletedTest
from meterlink.testlog.rows import TestRow
from meterlink.visit.faults import Faults
from meterlink.visit.planning import Outlook
from meterlink.visit.test_validity import TestValidity
from meterlink.visit.view import Cue, Sound

LONGEST_ON_S = 40.0  # of waiting for a certain answer with the load on
LONGEST_AFTER_S = 15.0  # of waiting for the level after the load; without it the drop is less sure


class Phase(Enum):
    """What the visit is busy with."""

    HALTED = auto()  # no recording runs: nothing is measured until one does
    THINKING = auto()
    SET_UP = auto()  # the person moves leads and load
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
        guard: Says when a fault makes it void.
        progress: How it stands; ``None`` before the first reading.
        load_s: When the load was said to be on, ``None`` before.
        off_s: When it was said to be off.
        is_quiet: The idle level was quiet for long enough.
        is_certain: The answer with the load on was certain, or will not be.
        jump_told: The jump was rung for.
    """

    started_s: float
    guard: TestValidity
    progress: Progress | None = None
    load_s: float | None = None
    off_s: float | None = None
    is_quiet: bool = False
    is_certain: bool = False
    jump_told: bool = False

    def look(self, now_s: float) -> Iterator[Sound]:
        """Notice a quiet level, a jump, a certain answer; gives what is to be heard."""
        progress = self.progress
        if progress is None or self.off_s is not None:
            return
        if progress.stage in (Stage.SETTLING, Stage.IDLE):
            self.is_quiet = self.is_quiet or progress.enough
        elif progress.stage is Stage.ON:
            if progress.verdict is Verdict.IN_PATH and not self.jump_told:
                self.jump_told = True
                yield Sound.JUMP
            waited_s = now_s - (self.load_s or 0.0)
            if (progress.enough or waited_s > LONGEST_ON_S) and not self.is_certain:
                self.is_certain = True
                yield Sound.DONE

    def is_over(self, now_s: float) -> bool:
        """Whether the level after the load is known, or will not be."""
        if self.off_s is None:
            return False
        progress = self.progress
        known = progress is not None and progress.stage is Stage.AFTER and progress.enough
        return known or now_s - self.off_s > LONGEST_AFTER_S


@dataclass(slots=True)
class State:
    """The whole of it.

    Attributes:
        circuit: What is known of the circuit.
        phase: What it is busy with.
        number: Of the next row in the log.
        faults: What is wrong with the meter.
        setup: Of the test that is asked for or runs.
        why: Why that one.
        last: Setup of the last test, where leads and load are.
        leads_placed: The leads were seen to be where ``last`` has them, in this visit.
        test: The test that is open.
        outlook: What the log says.
        row: The last row that was logged.
        unlogged: Tests that were done and are not in the log yet.
        not_now: Receptacles that nobody can get at.
        trouble: Why nothing goes on: recording or log cannot be written; empty where all is well.
        void: Why the last test was void; empty where it was not.
        reading: The newest.
        now_s: The time.
        cue: The newest sound.
    """

    circuit: Circuit
    number: int
    faults: Faults
    last: Setup | None = None
    phase: Phase = Phase.HALTED
    setup: Setup | None = None
    why: str = ""
    leads_placed: bool = False
    test: RunningTest | None = None
    outlook: Outlook | None = None
    row: TestRow | None = None
    unlogged: deque[CompletedTest] = field(default_factory=deque)
    not_now: frozenset[str] = frozenset()
    trouble: str = ""
    void: str = ""
    reading: Reading | None = None
    now_s: float = 0.0
    cue: Cue | None = None

    def ring(self, sound: Sound) -> None:
        """Make a sound once."""
        self.cue = Cue(self.cue.number + 1 if self.cue else 1, sound)
