"""What a fault does to a running test: go on, wait, or end it as void. Pure.

Before the load is on nothing is lost by waiting: the idle level is simply taken later. While the
load is on, its time counts: a break as long as ``LONGEST_BREAK_S`` leaves too little of the load's
warm level, and nobody knows what happened meanwhile. Then the test is void, with the reason, and is
to be done again. After the load went off, a missing level only makes the drop less certain; the
detector counts that.
"""

from collections import deque

from drivers.events import Mark
from drivers.readings import Function, Reading
from meterlink.visit.notices import Notice, NoticeKind, wrong_function

#: Longest time without usable readings while the load is on. The load's own delay after its mark is
#: up to 5 s, so that a shorter break still leaves readings on both sides of the switching.
LONGEST_BREAK_S = 5.0
_SLOW_FACTOR = 2.5
_GRAVE = {NoticeKind.BEHIND, NoticeKind.RECORDING}


class TestValidity:
    """Follows one test and says when it is void."""

    __test__ = False  # keeps pytest from collecting the class by its name

    def __init__(self, started_s: float, wanted: Function = Function.AC) -> None:
        """``started_s``: time of the test mark; ``wanted``: the function that counts."""
        self._wanted = wanted
        self._usable_s = started_s
        self._intervals: deque[float] = deque(maxlen=5)
        self._trouble = "no reading came"
        self._on_s: float | None = None
        self._reason: str | None = None

    @property
    def reason(self) -> str | None:
        """Why the test is void, ``None`` while it is not."""
        return self._reason

    def take(self, event: Reading | Mark | Notice) -> None:
        """Take an event of the session."""
        if isinstance(event, Notice):
            if event.kind in _GRAVE:
                self._reason = self._reason or event.text
            elif event.kind is NoticeKind.NOT_UNDERSTOOD:
                self._trouble = "Bytes came that make no readings"
        elif isinstance(event, Mark):
            self._take_mark(event)
        else:
            self._take_reading(event)

    def time_passed(self, now_s: float) -> None:
        """It is ``now_s``; called when nothing comes."""
        if self._on_s is None or self._reason is not None:
            return
        break_s = now_s - max(self._usable_s, self._on_s)
        # A meter that gives one reading in five seconds is slow, not silent.
        longest_s = max(LONGEST_BREAK_S, _SLOW_FACTOR * min(self._intervals, default=0.0))
        if break_s > longest_s:
            self._reason = (
                f"{self._trouble} for more than {longest_s:.0f} s while the load was on. "
                "Switch the load off and start this test again."
            )

    def _take_mark(self, mark: Mark) -> None:
        self.time_passed(mark.t_s)
        if mark.kind == "load-on":
            self._on_s = mark.t_s
        elif mark.kind == "load-off":
            self._on_s = None
        elif mark.kind == "link-lost":
            self._trouble = "The link to the meter was lost"

    def _take_reading(self, reading: Reading) -> None:
        self.time_passed(reading.t_s)
        shown = wrong_function(reading, self._wanted)
        if shown is not None:
            self._trouble = f"The meter showed {shown}"
        elif reading.hold:
            self._trouble = "The display was held"
        else:
            # Overload counts as usable here: it is what a range change looks like, and a range
            # that is too low for the load is the detector's to say.
            if reading.t_s > self._usable_s:
                self._intervals.append(reading.t_s - self._usable_s)
            self._usable_s = reading.t_s
            self._trouble = "No reading came"
