"""What is wrong with the meter now, in words, for as long as it is wrong. Pure."""

from drivers.readings import Function, Reading
from meterlink.visit.notices import Notice, NoticeKind, wrong_function

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
