"""Repeat trials taken live: the same hookup, the load switched on and off in a rhythm.

Every cycle is a test of its own with its own row, so that what repeats and what drifts can be told
apart later. All is recorded; the load is switched off however a run ends.
"""

from collections.abc import Generator, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass

from drivers.errors import SilentError
from drivers.events import Mark
from drivers.readings import Reading
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Setup
from meterlink.lab.rhythm import Rhythm, Stage, instruction
from meterlink.lab.switching import Switch, SwitchError
from meterlink.levels.visit_split import completed_tests
from meterlink.live.session import LiveSession
from meterlink.testlog.log import TestLog
from meterlink.testlog.measured import measured_row
from meterlink.testlog.rows import Source, TestRow
from meterlink.visit.notices import Notice

_POLL_S = 0.2


@dataclass(frozen=True, slots=True)
class Plan:
    """What a run is to do.

    Attributes:
        setup: The hookup that is repeated.
        rhythm: Seconds of the stages.
        total: Trials in all.
        done: Of them, those that are in the log already.
        extra: Text for further columns of the log, such as the operator.
    """

    setup: Setup
    rhythm: Rhythm
    total: int
    done: int = 0
    extra: Mapping[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Beat:
    """Something to show.

    Attributes:
        trial: Number of the trial that runs, from 1.
        stage: Its stage.
        instruction: What to do.
        left_s: Seconds until the last trial ends.
        reading: The newest reading, if one came.
        notice: Something to tell.
        row: The trial as it was logged, at its end.
    """

    trial: int
    stage: Stage
    instruction: str
    left_s: float
    reading: Reading | None = None
    notice: Notice | None = None
    row: TestRow | None = None


class TrialRun:
    """Takes trials; iterate over ``beats``.

    Attributes:
        ended_on: Whether the run ended while the load was on. A switch was told to switch it off;
            a hand has to be.
    """

    def __init__(
        self, session: LiveSession, log: TestLog, circuit: Circuit, plan: Plan, switch: Switch
    ) -> None:
        """Nothing is switched or marked before the first beat.

        Args:
            session: The meter, recording.
            log: Where rows go.
            circuit: Supply and load.
            plan: What to do.
            switch: What switches the load.
        """
        self._session = session
        self._log = log
        self._circuit = circuit
        self._plan = plan
        self._switch = switch
        self.ended_on = False
        self._is_on = False
        self._events: list[Reading | Mark] = []
        self._newest: Reading | None = None

    def beats(self) -> Generator[Beat]:
        """Take the trials that are left.

        Closing the iterator, or an error, ends the trial that runs without a row and switches the
        load off.

        Yields:
            Several a second; one with a row at the end of each trial.

        Raises:
            SilentError: The meter gave no reading in a whole stage.
            SwitchError: The load could not be switched.
            LogError: A row could not be written.
        """
        try:
            for trial in range(self._plan.done + 1, self._plan.total + 1):
                yield from self._cycle(trial)
        except BaseException:
            with suppress(Exception):  # the error that ended the run is the one to tell
                self._session.mark("void")
            raise
        finally:
            self.ended_on = self._is_on
            if self._is_on:
                self._set(on=False)

    def _cycle(self, trial: int) -> Iterator[Beat]:
        setup = self._plan.setup
        self._events = []
        self._session.mark(
            "test",
            hookup=setup.hookup,
            lead_a=setup.lead_a,
            lead_b=setup.lead_b,
            load_at=setup.load_at,
        )
        yield from self._stage(Stage.IDLE, trial)
        self._need_readings()
        self._session.mark("load-on")
        self._set(on=True)
        yield from self._stage(Stage.ON, trial)
        self._session.mark("load-off")
        self._set(on=False)
        yield from self._stage(Stage.AFTER, trial)
        self._session.mark("end")
        while not self._ended():
            self._take()
        yield self._beat(Stage.AFTER, trial, self._plan.rhythm.after_s, row=self._logged())

    def _stage(self, stage: Stage, trial: int) -> Iterator[Beat]:
        began_s = self._session.now_s()
        length_s = self._plan.rhythm.length_s(stage)
        while (in_stage_s := self._session.now_s() - began_s) < length_s:
            notices = self._take()
            yield self._beat(stage, trial, in_stage_s)
            for notice in notices:
                yield self._beat(stage, trial, in_stage_s, notice=notice)

    def _take(self) -> list[Notice]:
        """Collect what has come; returns what has to be told."""
        notices = []
        for event in self._session.poll(_POLL_S):
            if isinstance(event, Notice):
                notices.append(event)
            else:
                self._events.append(event)
                if isinstance(event, Reading):
                    self._newest = event
        return notices

    def _beat(
        self,
        stage: Stage,
        trial: int,
        in_stage_s: float,
        *,
        notice: Notice | None = None,
        row: TestRow | None = None,
    ) -> Beat:
        rhythm = self._plan.rhythm
        left_s = rhythm.left_s(stage, in_stage_s) + (self._plan.total - trial) * rhythm.cycle_s
        text = instruction(stage, in_stage_s, rhythm.length_s(stage) - in_stage_s)
        return Beat(trial, stage, text, left_s, self._newest, notice, row)

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
        return self._log.append(row, self._plan.extra)

    def _set(self, *, on: bool) -> None:
        """Switch; what is not known to be off counts as on."""
        self._is_on = True
        try:
            self._switch.set(on=on)
        except SwitchError as error:
            if on:
                raise
            raise SwitchError(
                f"THE LOAD MAY STILL BE ON: switch it off by hand. {error}"
            ) from error
        self._is_on = on
