"""A reading that leaves what the meter has shown waits for its confirmation by the next. Pure.

A line that lost a byte, or got a wrong one, often still is a number with a unit: 100.47 mV becomes
10.47 mV, or 100.47 V. It differs from all before in its form (length, unit, words, weight of its
last digit) or in its size. So does the first line after a sound change of range; but that one is
confirmed by the line that follows, and a damaged one is not. The rules:

- A line whose form came three times running, of a size that was shown, passes at once, and so does
  one of a new form within a tenth of the reading before it.
- Any other waits for the next line. It passes, with its own time, where that one is within a factor
  of two of it (or of some counts), where one of up to eight readings of the last level was, or
  where it is between the last reading and the next, as on a display that settles; else it is
  dropped.
- Where the next line is new as well and does not confirm it, both wait, and so on; of more than
  three the first passes if it is between its neighbours.
- The very first line has nothing to be compared with and passes. So do a wrong digit in a line of
  known form, up to ten times the greatest value shown, and what is between the levels before and
  after a jump: nothing in the line tells.
"""

from collections import deque

from drivers.readings import Function, Reading

_CLOSE = 0.1  # of the greater: the same level, whatever the form
_ALIKE = 0.5  # of the greater: within a factor of two
_COUNTS = 20  # digits by which a display may flicker around zero
_TIMES = 10.0  # sizes beyond this many times the greatest shown are new
_RECENT = 8
_RUN = 3  # lines of one form, one after another, make it one that the meter shows
_MOST_FORMS = 256  # a meter has a dozen; foreign bytes must not fill memory
_MOST_WAITING = 3

_FORM = bytes(
    0x30 if 0x30 <= byte <= 0x39 else 0x20 if byte in b"+-" else byte for byte in range(256)
)


class _Shown:
    """What the meter has shown in one function."""

    def __init__(self) -> None:
        self.greatest = 0.0
        self.recent: deque[Reading] = deque(maxlen=_RECENT)


class Confirmation:
    """Holds back what is new until the next reading says whether it is so.

    Attributes:
        dropped: Bytes of the readings that were not confirmed.
    """

    def __init__(self) -> None:
        self.dropped = 0
        self._known: set[tuple[bytes, float]] = set()
        self._form: tuple[bytes, float] = (b"", 0.0)  # of the last reading that passed
        self._run = 0  # how many of that form came one after another
        self._shown = {function: _Shown() for function in Function}
        self._waiting: list[Reading] = []

    def take(self, reading: Reading) -> list[Reading]:
        """Take the next reading; returns those that pass now, in order."""
        value = reading.volts if reading.ohms is None else reading.ohms
        if value is None:
            return self._without_value(reading)
        form = _form(reading)
        if self._is_known(reading, form, value):
            if not self._waiting:  # nearly always: no more is done than must be
                self._note(reading, form, value)
                return [reading]
            passed = self._resolve(reading)
        elif not self._waiting:
            if not self._is_close(reading):
                self._waiting.append(reading)
                return []
            passed = []
        elif any(_is_alike(other, reading) for other in self._waiting[-2:]):
            passed = self._resolve(reading)
        else:
            self._waiting.append(reading)
            return self._first_of_many() if len(self._waiting) > _MOST_WAITING else []
        self._note(reading, form, value)
        return [*passed, reading]

    def forget(self) -> None:
        """Drop what waits: the link was lost."""
        for reading in self._waiting:
            self._drop(reading)
        self._waiting.clear()

    def _first_of_many(self) -> list[Reading]:
        """The one that waits longest passes if it is on the way from the one before to the next."""
        first = self._waiting.pop(0)
        recent = self._shown_in(first).recent
        after = next((r for r in self._waiting if _value(r) is not None), first)
        if _value(first) is None or (recent and _is_between(first, recent[-1], after)):
            self._note_late(first)
            return [first]
        self._drop(first)
        return []

    def _resolve(self, by: Reading) -> list[Reading]:
        """Let go of what waited, now that a reading came that passes."""
        if not self._waiting:
            return []
        waiting, self._waiting = self._waiting, []
        recent = self._shown_in(by).recent
        before = recent[-1] if recent else by
        passed = []
        for reading in waiting:
            value = _value(reading)
            if (
                value is None
                or _is_alike(reading, by)
                or any(_is_alike(reading, other) for other in recent)
                or _is_between(reading, before, by)
            ):
                passed.append(reading)
            else:
                self._drop(reading)
        for reading in passed:
            self._note_late(reading)
        return passed

    def _without_value(self, reading: Reading) -> list[Reading]:
        """Overload and the like pass; what waits can wait for one of them only."""
        if not self._waiting:
            return [reading]
        if _value(self._waiting[-1]) is not None:
            self._waiting.append(reading)
            return []
        waiting, self._waiting = self._waiting, []
        for other in waiting:
            if _value(other) is not None:
                self._drop(other)
        return [*(other for other in waiting if _value(other) is None), reading]

    def _is_known(self, reading: Reading, form: tuple[bytes, float], value: float) -> bool:
        """Whether the meter has shown this form in a run, and values of this size."""
        return form in self._known and abs(value) <= _TIMES * self._shown_in(reading).greatest

    def _is_close(self, reading: Reading) -> bool:
        """Whether the reading before it, if there is one, was about the same."""
        recent = self._shown_in(reading).recent
        return not self._run or (bool(recent) and _differ(reading, recent[-1]) <= _CLOSE)

    def _note(self, reading: Reading, form: tuple[bytes, float], value: float) -> None:
        """The meter has shown this."""
        shown = self._shown_in(reading)
        recent = shown.recent
        if abs(value) > shown.greatest and any(_is_alike(reading, other) for other in recent):
            shown.greatest = max(abs(value), _COUNTS * form[1])
        if recent and value != recent[-1].volts and not _is_alike(reading, recent[-1]):
            recent.clear()  # another level, most likely
        recent.append(reading)
        self._run = self._run + 1 if form == self._form else 1
        self._form = form
        if self._run == _RUN and form not in self._known:
            if len(self._known) >= _MOST_FORMS:
                self._known.clear()
            self._known.add(form)

    def _note_late(self, reading: Reading) -> None:
        value = _value(reading)
        if value is not None:
            self._note(reading, _form(reading), value)

    def _shown_in(self, reading: Reading) -> _Shown:
        return self._shown[reading.function]

    def _drop(self, reading: Reading) -> None:
        self.dropped += len(reading.raw)


def _value(reading: Reading) -> float | None:
    return reading.volts if reading.ohms is None else reading.ohms


def _resolution(reading: Reading) -> float:
    return reading.resolution_v or reading.resolution_ohm or 0.0


def _form(reading: Reading) -> tuple[bytes, float]:
    """The line without its digits and signs, and the weight of its last digit."""
    return reading.raw.translate(_FORM), _resolution(reading)


def _differ(one: Reading, other: Reading) -> float:
    """By what share of the greater two readings of a function differ; 0 within some counts."""
    a, b = _value(one), _value(other)
    if a is None or b is None or one.function is not other.function:
        return 2.0
    apart = abs(a - b)
    share = apart / (max(abs(a), abs(b)) or 1.0)
    if share > _CLOSE and apart <= _COUNTS * min(_resolution(one), _resolution(other)):
        return 0.0
    return share


def _is_alike(one: Reading, other: Reading) -> bool:
    return _differ(one, other) <= _ALIKE


def _is_between(reading: Reading, before: Reading, after: Reading) -> bool:
    value, low, high = (_value(r) or 0.0 for r in (reading, before, after))
    return reading.function is after.function and min(low, high) <= value <= max(low, high)
