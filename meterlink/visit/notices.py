"""What a person must be told about a running meter, and what a fault does to a running test. Pure.

Before the load is on nothing is lost by waiting: the idle level is simply taken later. While the
load is on, its time counts: a break as long as ``LONGEST_BREAK_S`` leaves too little of the load's
warm level, and nobody knows what happened meanwhile. Then the test is void, with the reason, and is
to be done again. After the load went off, a missing level only makes the drop less certain; the
detector counts that.
"""

from collections import deque
from dataclasses import dataclass
from enum import StrEnum

from drivers.readings import Function, Mark, Reading, guess


class NoticeKind(StrEnum):
    """What a notice is about."""

    SILENT = "silent"  # nothing comes, or comes no more
    NOT_UNDERSTOOD = "not-understood"  # bytes come, but make no readings
    LOST = "lost"  # the port went away
    BACK = "back"  # readings come again
    WRONG_FUNCTION = "wrong-function"
    HOLD = "hold"
    BEHIND = "behind"  # the program could not keep up
    RECORDING = "recording"  # the capture cannot be written any more


@dataclass(frozen=True, slots=True)
class Notice:
    """Something to tell, once, when it begins or ends.

    Attributes:
        t_s: Seconds since the start of the recording.
        kind: What it is about.
        text: What happened, what it means and what to do.
    """

    t_s: float
    kind: NoticeKind
    text: str


#: Silence after which a person is told; longer for meters that are slow by themselves.
SILENT_S = 3.0
#: Bytes that make no reading for so long are told about.
_RUBBISH_S = 2.0
_SLOW_FACTOR = 2.5
_FIRST_BYTES = 40
_KEPT_BYTES = 400


class Watch:
    """Looks at what comes and says when something is wrong, or right again."""

    def __init__(self, wanted: Function = Function.AC) -> None:
        """``wanted``: the function that the readings should be in."""
        self._wanted = wanted
        self._intervals: deque[float] = deque(maxlen=5)
        self._last_s: float | None = None
        self._began_s: float | None = None
        self._silent = False
        self._lost = False
        self._rubbish_s: float | None = None
        self._rubbish = b""
        self._told_rubbish = False
        self._function_told: str | None = None
        self._hold = False

    @property
    def rubbish(self) -> bytes:
        """The first bytes since the last reading that make none."""
        return self._rubbish

    def bytes_came(self, data: bytes, t_s: float, *, readings: int) -> list[Notice]:
        """Bytes arrived that completed so many readings."""
        if readings:
            self._rubbish_s, self._rubbish, self._told_rubbish = None, b"", False
            return []
        if self._rubbish_s is None:
            self._rubbish_s = t_s
        self._rubbish = (self._rubbish + data)[:_KEPT_BYTES]
        if self._told_rubbish or t_s - self._rubbish_s < _RUBBISH_S:
            return []
        self._told_rubbish = True
        return [Notice(t_s, NoticeKind.NOT_UNDERSTOOD, not_understood(self._rubbish))]

    def reading_came(self, reading: Reading) -> list[Notice]:
        """A reading was decoded."""
        t_s = reading.t_s
        notices = []
        if self._silent or self._lost:
            silent_s = t_s - self._last_s if self._last_s is not None else 0.0
            text = "Readings come again" + (f" after {silent_s:.1f} s." if silent_s else ".")
            notices.append(Notice(t_s, NoticeKind.BACK, text))
        elif self._last_s is not None and t_s > self._last_s:
            self._intervals.append(t_s - self._last_s)
        self._silent = self._lost = False
        self._last_s = t_s
        return notices + self._function_notices(reading)

    def lost(self, t_s: float, reason: str) -> list[Notice]:
        """The link failed."""
        self._lost = True
        self._rubbish_s, self._rubbish = None, b""
        text = f"{reason} Waiting for it to come back; put the cable back, or stop with Ctrl-C."
        return [Notice(t_s, NoticeKind.LOST, text)]

    def time_passed(self, t_s: float) -> list[Notice]:
        """Nothing came for a moment; it is ``t_s`` now."""
        if self._began_s is None:
            self._began_s = t_s
        since_s = self._last_s if self._last_s is not None else self._began_s
        if self._silent or self._lost or t_s - since_s < self.silent_after_s:
            return []
        if self._rubbish_s is not None and self._rubbish_s > since_s:
            return []  # bytes do come: told elsewhere
        self._silent = True
        if self._last_s is None:
            text = (
                f"Nothing has come from the meter for {t_s - since_s:.0f} s. Is it on, is its link "
                "switched on, is the cable the right one? Some meters only answer when asked: "
                "'meterlink meters --ask'."
            )
        else:
            text = (
                f"The meter has been silent for {t_s - since_s:.0f} s. It may have switched itself "
                "off: press a key on it, and turn its automatic power-off off."
            )
        return [Notice(t_s, NoticeKind.SILENT, text)]

    @property
    def silent_after_s(self) -> float:
        """Silence that is longer than this meter's own pace explains."""
        usual_s = max(self._intervals, default=SILENT_S if self._last_s is None else 0.0)
        return max(SILENT_S, _SLOW_FACTOR * usual_s)

    def _function_notices(self, reading: Reading) -> list[Notice]:
        notices = []
        if reading.hold and not self._hold:
            text = "Hold is on: the display stands still. Press HOLD on the meter to go on."
            notices.append(Notice(reading.t_s, NoticeKind.HOLD, text))
        self._hold = reading.hold
        shown = wrong_function(reading, self._wanted)
        if shown is not None and shown != self._function_told:
            text = f"The meter shows {shown}. Turn it to {unit_of(self._wanted)}."
            notices.append(Notice(reading.t_s, NoticeKind.WRONG_FUNCTION, text))
        self._function_told = shown
        return notices


def wrong_function(reading: Reading, wanted: Function) -> str | None:
    """What a reading shows that is not wanted, ``None`` where it is as it should be."""
    if reading.function is Function.OTHER:
        return reading.quantity
    if Function.UNKNOWN in (wanted, reading.function) or reading.function is wanted:
        return None
    return unit_of(reading.function)


def unit_of(function: Function) -> str:
    """A function as it stands at the meter's switch."""
    return "ohms" if function is Function.OHM else f"{function} volts"


def not_understood(data: bytes) -> str:
    """What is to be said of bytes that make no readings: the first of them, and what may be wrong.

    Args:
        data: Up to some hundred bytes, in the order they came.
    """
    text = (
        f"Bytes come, but they make no readings. The first are: {printable(data[:_FIRST_BYTES])}. "
    )
    found = guess(data)
    if found is None:
        return text + (
            "The speed, the framing or the driver in the address may be wrong; "
            "'meterlink meters' tries them."
        )
    return text + f"They look like {found.driver}, {found.framing}: write that in the address."


def printable(data: bytes) -> str:
    """Bytes as text that is safe on a terminal: hex for what is not printable ASCII."""
    return repr(data)[1:]


_PASSING = {NoticeKind.BACK, NoticeKind.RECORDING}
_SILENCES = (NoticeKind.SILENT, NoticeKind.LOST, NoticeKind.NOT_UNDERSTOOD)


class Faults:
    """Standing faults: each from its notice until readings show that it is over."""

    def __init__(self, wanted: Function) -> None:
        """``wanted``: the function that readings should be in."""
        self._wanted = wanted
        self._texts: dict[NoticeKind, str] = {}

    @property
    def texts(self) -> tuple[str, ...]:
        """A sentence for each."""
        return tuple(self._texts.values())

    def notice(self, notice: Notice) -> None:
        """Something was noticed."""
        if notice.kind is NoticeKind.BACK:
            self.forget(*_SILENCES)
        elif notice.kind not in _PASSING:
            self._texts[notice.kind] = notice.text

    def reading(self, reading: Reading) -> None:
        """A reading came: the meter is not silent, and shows what it is set to."""
        if not self._texts:
            return
        self.forget(*_SILENCES)
        if not wrong_function(reading, self._wanted):
            self.forget(NoticeKind.WRONG_FUNCTION)
        if not reading.hold:
            self.forget(NoticeKind.HOLD)

    def begin(self) -> None:
        """A test, or a recording, begins: what was lost before it does not matter any more."""
        self.forget(*_SILENCES, NoticeKind.BEHIND)

    def forget(self, *kinds: NoticeKind) -> None:
        """Faults that are over."""
        for kind in kinds:
            self._texts.pop(kind, None)


#: Longest time without usable readings while the load is on. The load's own delay after its mark is
#: up to 5 s, so that a shorter break still leaves readings on both sides of the switching.
LONGEST_BREAK_S = 5.0
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
