"""Plays a visit without I/O: readings and time as data, marks echoed, rows numbered as in a log."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from drivers.readings import Function, Mark, Reading
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Setup
from meterlink.testlog.columns import Source, TestRow
from meterlink.testlog.rows import measured_row
from meterlink.visit.loop import Visit
from meterlink.visit.notices import Notice, NoticeKind
from meterlink.visit.planning import Outlook
from meterlink.visit.state import LogTest, Record, Request, SetMark, Think, Withdraw
from meterlink.visit.view import Key, Sign, VisitStage

CIRCUIT = Circuit("Four", ("A", "B", "C", "D"), volts=120, hertz=60, load_amps=10.0)
STARTED = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
AT_A = Setup(Hookup.NEUTRAL_GROUND, "A", None, "A")
AT_A_LOAD_B = Setup(Hookup.NEUTRAL_GROUND, "A", None, "B")
FROM_A_TO_B = Setup(Hookup.NEUTRAL_NEUTRAL, "A", "B", "C")
PERIOD_S = 0.25


class Play:
    """A visit, its log and its recording.

    Attributes:
        visit: The state machine.
        rows: What was logged.
        marks: Kinds of the marks that were set.
        events: The whole recording, as a replay would give it.
        plan: Setups to propose one after another; then the order is settled.
        disk_full: Marks, recordings and rows fail while it is set.
    """

    def __init__(self, *plan: Setup, seed: int = 1, cycles: int = 1, rhythm: bool = False) -> None:
        self.cycles = cycles
        self.plan = list(plan)
        self.rows: list[TestRow] = []
        self.marks: list[str] = []
        self.events: list[Reading | Mark] = []
        self.withdrawn: list[int] = []
        self.asked: list[type] = []
        self.thoughts: list[Think] = []
        self.disk_full = False
        self.level_mv = 8.0
        self.now_s = 0.0
        self._rng = np.random.default_rng(seed)
        self.visit = Visit(CIRCUIT, number=1, rhythm=rhythm)
        self.advance()

    @property
    def stage(self) -> VisitStage:
        return self.visit.view.stage

    def advance(self) -> None:
        """Carry out what the visit asks for until it asks for nothing more."""
        for _ in range(20):
            requests = self.visit.advance(self.now_s)
            for request in requests:
                self.asked.append(type(request))
                self.carry_out(request)
            if not requests:
                return
        raise AssertionError("the visit asks for ever")

    def carry_out(self, request: Request) -> None:
        if isinstance(request, Think):
            self.thoughts.append(request)
            if self.plan:
                self.visit.planned(
                    Outlook(settled=False, setup=self.plan[0], why="To know.", cycles=self.cycles)
                )
            else:
                self.visit.planned(Outlook(settled=True))
        elif isinstance(request, Record):
            if self.disk_full:
                self.visit.recording_failed("disk full")
            else:
                self.visit.recording()
        elif isinstance(request, SetMark):
            self.set_mark(request)
        elif isinstance(request, Withdraw):
            self.withdrawn.append(request.test)
            self.visit.withdrawn(request.test)
        elif isinstance(request, LogTest):
            if self.disk_full:
                self.visit.not_logged("disk full")
                return
            row = measured_row(
                request.done, started=STARTED, amps=10.0, source=Source.LIVE, capture="x"
            )
            self.rows.append(_numbered(row, len(self.rows) + 1))
            if self.plan:
                self.plan.pop(0)
            self.visit.logged(self.rows[-1])

    def set_mark(self, request: SetMark) -> None:
        if self.disk_full:
            self.visit.recording_failed("disk full")
            return
        setup = request.setup
        place = (
            (setup.hookup.value, setup.lead_a, setup.lead_b, setup.load_at)
            if setup
            else (None, None, None, None)
        )
        self.marks.append(request.kind)
        self.take(Mark(self.now_s, request.kind, request.text, *place))

    def take(self, event: Reading | Mark | Notice) -> None:
        if not isinstance(event, Notice):
            self.events.append(event)
        self.visit.take(event)

    def wait(self, seconds: float, *, readings: bool = True) -> None:
        """Let time pass, with readings or without."""
        for _ in range(round(seconds / PERIOD_S)):
            self.now_s = round(self.now_s + PERIOD_S, 3)
            if readings:
                self.take(self.reading())
            self.advance()

    def until(self, *stages: VisitStage, most_s: float = 60.0) -> None:
        """Let time pass until the visit is at one of some stages."""
        end_s = self.now_s + most_s
        while self.stage not in stages:
            assert self.now_s < end_s, (self.visit.view, stages)
            self.wait(PERIOD_S)

    def reading(self) -> Reading:
        volts = 1e-3 * (self.level_mv + float(self._rng.normal(0.0, 0.3)))
        return Reading(self.now_s, round(volts, 5), Function.AC, resolution_v=1e-5)

    def press(self, key: Key, text: str = "") -> bool:
        meant = self.visit.press(key, text, blind=True)
        self.advance()
        return meant

    def load(self, *, on: bool, drop_mv: float = 200.0) -> None:
        """Switch the load, and say so."""
        self.level_mv += drop_mv if on else -drop_mv
        assert self.press(Key.LOAD_ON if on else Key.LOAD_OFF)

    def switch(self, *, on: bool, drop_mv: float = 200.0) -> None:
        """Switch the load, and say nothing."""
        self.level_mv += drop_mv if on else -drop_mv

    def until_sign(self, *signs: Sign, most_s: float = 60.0) -> None:
        """Let time pass until the visit shows one of some signs."""
        end_s = self.now_s + most_s
        while self.visit.view.sign not in signs:
            assert self.now_s < end_s, (self.visit.view, signs)
            self.wait(PERIOD_S)

    def until_on(self, drop_mv: float = 200.0) -> None:
        """From where the leads are asked for to the load being switched on."""
        if self.stage is VisitStage.SET_UP:
            assert self.press(Key.READY)
        self.until(VisitStage.IDLE)
        self.load(on=True, drop_mv=drop_mv)

    def until_off(self, drop_mv: float = 200.0) -> None:
        """... and off again."""
        self.until_on(drop_mv)
        self.until_says("Switch it OFF")
        self.load(on=False, drop_mv=drop_mv)

    def whole_test(self, drop_mv: float = 200.0) -> None:
        """From where the leads are asked for to where the test is logged."""
        done = len(self.rows)
        self.until_off(drop_mv)
        for _ in range(200):
            if len(self.rows) > done:
                return
            self.wait(PERIOD_S)
        raise AssertionError(self.visit.view)

    def until_says(self, words: str, most_s: float = 60.0) -> None:
        end_s = self.now_s + most_s
        while words not in self.visit.view.instruction:
            assert self.now_s < end_s, self.visit.view
            self.wait(PERIOD_S)

    def notice(self, kind: NoticeKind, text: str = "Something.") -> None:
        self.take(Notice(self.now_s, kind, text))
        self.advance()


def _numbered(row: TestRow, number: int) -> TestRow:
    return replace(row, test=number)
