"""Repeat trials taken live: the load switched on and off in a rhythm, one hookup or several.

Every cycle is a test of its own with its own row, so that what repeats and what drifts can be told
apart later. All is recorded; the load is switched off however a run ends.
"""

import random
from collections import deque
from collections.abc import Generator, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from enum import StrEnum

from drivers.errors import CaptureError, SilentError
from drivers.readings import Mark, Reading
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Setup, Verdict
from meterlink.errors import LabError, UsageError
from meterlink.lab.switching import Load
from meterlink.levels.visit_split import completed_tests
from meterlink.live.session import LiveSession
from meterlink.testlog.columns import Source, TestRow
from meterlink.testlog.log import TestLog
from meterlink.testlog.rows import measured_row
from meterlink.visit.notices import Notice, NoticeKind

_POLL_S = 0.2
#: Of each stage: a load comes up to 5 s after the word, and a level needs readings after that.
LEAST_S, MOST_S = 1.0, 600.0
MOST_REST_S = 24 * 3600.0
_ANNOUNCED_S = 3  # a hand needs a warning
MOST_FRUITLESS = 5  # trials in a row that are none; a sixth would be none either


class Stage(StrEnum):
    """Part of a cycle."""

    MOVE = "move"
    IDLE = "idle"
    ON = "on"
    AFTER = "after"
    REST = "rest"


@dataclass(frozen=True, slots=True)
class Rhythm:
    """Seconds of the stages of a cycle.

    Attributes:
        cool_down_s: Least rest between two trials.
        duty: Largest share of the time that the load is on; rests are as long as that takes.

    Raises:
        UsageError: A stage is too short or too long.
    """

    idle_s: float = 8.0
    on_s: float = 10.0
    after_s: float = 6.0
    cool_down_s: float = 0.0
    duty: float = 1.0

    def __post_init__(self) -> None:
        for name in ("idle_s", "on_s", "after_s"):
            if not LEAST_S <= getattr(self, name) <= MOST_S:
                raise UsageError(
                    f"A stage of {getattr(self, name):g} s makes no sense here; expected "
                    f"{LEAST_S:g} to {MOST_S:g} s for each of idle, on and after."
                )
        if not 0 <= self.cool_down_s <= MOST_REST_S or not 0 < self.duty <= 1:
            raise UsageError(
                f"A cool-down is 0 to {MOST_REST_S:g} s and a duty above 0 to 100 %; these are "
                f"{self.cool_down_s:g} s and {100 * self.duty:g} %."
            )
        if self.rest_s > MOST_REST_S:
            raise UsageError(f"A duty of {100 * self.duty:g} % means rests of more than a day.")

    @property
    def rest_s(self) -> float:
        """Seconds between two trials."""
        return max(self.cool_down_s, self.on_s / self.duty - self.cycle_s, 0.0)

    @property
    def cycle_s(self) -> float:
        """Seconds of a whole cycle, without the rest after it."""
        return self.idle_s + self.on_s + self.after_s

    def length_s(self, stage: Stage) -> float:
        """Seconds of a stage; moving takes as long as it takes."""
        lengths = {Stage.IDLE: self.idle_s, Stage.ON: self.on_s, Stage.AFTER: self.after_s}
        return lengths.get(stage, self.rest_s if stage is Stage.REST else 0.0)

    def left_s(self, stage: Stage, in_stage_s: float) -> float:
        """Seconds to the end of the cycle; of a rest, to its end."""
        stages = [Stage.MOVE, Stage.IDLE, Stage.ON, Stage.AFTER]
        later = stages[stages.index(stage) + 1 :] if stage in stages else []
        rest = sum(self.length_s(one) for one in later)
        return rest + max(0.0, self.length_s(stage) - in_stage_s)


def instruction(stage: Stage, in_stage_s: float, left_in_stage_s: float) -> str:
    """What a hand at the switch has to do now.

    Args:
        stage: The stage that runs.
        in_stage_s: Since it began.
        left_in_stage_s: Until it ends.
    """
    if stage is Stage.MOVE:
        return "move the leads and the load, then press a key"
    if stage is Stage.REST:
        return "load stays off to cool down"
    if in_stage_s < _ANNOUNCED_S and stage is not Stage.IDLE:
        return f"switch the load {'ON' if stage is Stage.ON else 'OFF'} now"
    if left_in_stage_s <= _ANNOUNCED_S and stage is not Stage.AFTER:
        return f"load {'ON' if stage is Stage.IDLE else 'OFF'} in {left_in_stage_s:.0f} s"
    return "load stays on" if stage is Stage.ON else "load stays off"


def random_order(left: Sequence[tuple[Setup, int]], seed: int) -> tuple[Setup, ...]:
    """Setups in random order, each as often as is left of it, in rounds that are as even as can be.

    What warms up or wanders in the course of a run then falls on all setups alike.

    Args:
        left: Setups and how often each is to come.
        seed: The same seed gives the same order.
    """
    rng = random.Random(seed)
    order: list[Setup] = []
    for number in range(max((count for _, count in left), default=0), 0, -1):
        round_ = [setup for setup, count in left if count >= number]
        rng.shuffle(round_)
        order += round_
    return tuple(order)


def is_trial(row: TestRow, *, seen_in_path: bool) -> bool:
    """Whether a row counts as a trial done.

    An unclear one does not; nor one that is not in the path where the same hookup was: nobody, or
    nothing, switched.
    """
    if row.verdict is Verdict.UNCLEAR:
        return False
    return row.verdict is not Verdict.NOT_IN_PATH or not seen_in_path


@dataclass(frozen=True, slots=True)
class Plan:
    """What a run is to do.

    Attributes:
        order: The hookup of each trial that is left.
        rhythm: Seconds of the stages.
        done: Trials that are in the log already.
        in_path: Hookups that have been in the path.
        extra: Text for further columns of the log, such as the operator.
        seed: Of the order, where it is random: it goes into the notes.
    """

    order: tuple[Setup, ...]
    rhythm: Rhythm
    done: int = 0
    in_path: frozenset[Setup] = frozenset()
    extra: Mapping[str, str] | None = None
    seed: int | None = None

    @property
    def total(self) -> int:
        """Trials in all."""
        return self.done + len(self.order)


@dataclass(frozen=True, slots=True)
class TrialProgress:
    """Something to show.

    Attributes:
        trial: Number of the trial that runs, from 1.
        setup: Its hookup.
        stage: Its stage.
        instruction: What to do.
        left_s: Seconds until the last trial ends.
        reading: The newest reading, if one came.
        notice: Something to tell.
        row: The trial as it was logged, at its end.
        counts: Whether that row is a trial done; one that is not is made up for.
    """

    trial: int
    setup: Setup
    stage: Stage
    instruction: str
    left_s: float
    reading: Reading | None = None
    notice: Notice | None = None
    row: TestRow | None = None
    counts: bool = True


class TrialRun:
    """Takes trials; iterate over ``progress``.

    Attributes:
        ended_on: Whether the run ended while the load was on. A switch was told to switch it off;
            a hand has to be.
        moved: Set it once leads and load are where a ``MOVE`` stage wants them.
    """

    def __init__(
        self, session: LiveSession, log: TestLog, circuit: Circuit, plan: Plan, load: Load
    ) -> None:
        """Nothing is switched or marked before the first step.

        Args:
            session: The meter, recording.
            log: Where rows go.
            circuit: Supply and load.
            plan: What to do.
            load: The load and what switches it.
        """
        self._session = session
        self._log = log
        self._circuit = circuit
        self._plan = plan
        self._load = load
        self.ended_on = False
        self.moved = False
        self._queue = deque(plan.order)
        self._in_path = set(plan.in_path)
        self._trial = plan.done + 1
        self._setup = plan.order[0] if plan.order else None
        self._events: list[Reading | Mark] = []
        self._newest: Reading | None = None

    def progress(self) -> Generator[TrialProgress]:
        """Take the trials that are left.

        Closing the iterator, or an error, ends the trial that runs without a row and switches the
        load off.

        Yields:
            Several a second; one with a row at the end of each trial.

        Raises:
            SilentError: The meter gave no reading in a whole stage.
            CaptureError: The recording broke off.
            SwitchError: The load could not be switched.
            LogError: A row could not be written.
            LabError: Trial after trial was none.
        """
        try:
            yield from self._trials()
        except BaseException:
            with suppress(Exception):  # the error that ended the run is the one to tell
                self._session.mark("void")
            raise
        finally:
            self.ended_on = self._load.may_be_on
            if self.ended_on and not self._load.by_hand:
                self._load.off()

    def _trials(self) -> Iterator[TrialProgress]:
        fruitless = 0
        several = len(set(self._plan.order)) > 1
        while self._queue:
            setup, before = self._queue.popleft(), self._setup
            self._setup = setup
            if setup != before or (several and self._trial == self._plan.done + 1):
                yield from self._move()
            yield from self._cycle(setup)
            row = self._logged()
            counts = is_trial(row, seen_in_path=setup in self._in_path)
            if row.verdict is Verdict.IN_PATH:
                self._in_path.add(setup)
            yield self._step(Stage.AFTER, self._plan.rhythm.after_s, row=row, counts=counts)
            fruitless = 0 if counts else fruitless + 1
            if fruitless >= MOST_FRUITLESS:
                raise LabError(
                    f"{fruitless} trials in a row were none (unclear, or nobody switched). Look at "
                    "leads, load and meter; the same command goes on."
                )
            self._trial += counts
            if not counts:
                self._queue.append(setup)
            if self._queue:
                yield from self._stage(Stage.REST)

    def _move(self) -> Iterator[TrialProgress]:
        self.moved = False
        while not self.moved:
            notices = self._take()
            yield self._step(Stage.MOVE, 0.0)
            yield from (self._step(Stage.MOVE, 0.0, notice=notice) for notice in notices)

    def _cycle(self, setup: Setup) -> Iterator[TrialProgress]:
        self._events = []
        self._session.mark(
            "test",
            hookup=setup.hookup,
            lead_a=setup.lead_a,
            lead_b=setup.lead_b,
            load_at=setup.load_at,
        )
        yield from self._stage(Stage.IDLE)
        self._need_readings()
        self._session.mark("load-on")
        self._load.on(setup.load_at or "")
        yield from self._stage(Stage.ON)
        self._session.mark("load-off")
        self._load.off()
        yield from self._stage(Stage.AFTER)
        self._session.mark("end")
        while not self._ended():
            self._take()

    def _stage(self, stage: Stage) -> Iterator[TrialProgress]:
        began_s = self._session.now_s()
        length_s = self._plan.rhythm.length_s(stage)
        while (in_stage_s := self._session.now_s() - began_s) < length_s:
            notices = self._take()
            yield self._step(stage, in_stage_s)
            for notice in notices:
                yield self._step(stage, in_stage_s, notice=notice)

    def _take(self) -> list[Notice]:
        """Collect what has come; returns what has to be told.

        Raises:
            CaptureError: Nothing is recorded any more.
        """
        notices = []
        for event in self._session.poll(_POLL_S):
            if isinstance(event, Notice):
                if event.kind is NoticeKind.RECORDING:
                    raise CaptureError(event.text)
                notices.append(event)
            else:
                self._events.append(event)
                if isinstance(event, Reading):
                    self._newest = event
        return notices

    def _step(
        self,
        stage: Stage,
        in_stage_s: float,
        *,
        notice: Notice | None = None,
        row: TestRow | None = None,
        counts: bool = True,
    ) -> TrialProgress:
        rhythm, setup = self._plan.rhythm, self._setup
        if setup is None:
            raise LabError("There is no trial to take.")
        later = len(self._queue) * (rhythm.cycle_s + rhythm.rest_s)
        if stage is Stage.REST:
            later -= rhythm.rest_s
        return TrialProgress(
            trial=self._trial,
            setup=setup,
            stage=stage,
            instruction=instruction(stage, in_stage_s, rhythm.length_s(stage) - in_stage_s),
            left_s=rhythm.left_s(stage, in_stage_s) + later,
            reading=self._newest,
            notice=notice,
            row=row,
            counts=counts,
        )

    def _need_readings(self) -> None:
        if not any(isinstance(event, Reading) for event in self._events):
            raise SilentError(
                f"No reading came from {self._session.meter.address} while the load was off. Check "
                "that the meter is on and its cable in place."
            )

    def _ended(self) -> bool:
        return any(isinstance(event, Mark) and event.kind == "end" for event in self._events)

    def _logged(self) -> TestRow:
        (done,) = completed_tests(iter(self._events), self._circuit)
        row = measured_row(
            done,
            started=self._session.started,
            amps=self._circuit.load_amps,
            source=Source.LIVE,
            capture=self._session.capture.name if self._session.capture else "",
        )
        if self._plan.seed is not None:
            place = self._trial - self._plan.done
            row = replace(row, note=f"random order, seed {self._plan.seed}, place {place}")
        return self._log.append(row, self._plan.extra)
