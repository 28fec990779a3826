"""The trace of the last minute as one line of text. Pure, constant memory."""

from collections import deque

_BARS = "▁▂▃▄▅▆▇█"
_ASCII = "_.-=+*#@"


class MinuteTrace:
    """Averages of a series in equal slots over the last minute.

    Attributes:
        span_s: How far it looks back.
        slots: Number of characters.
    """

    def __init__(self, span_s: float = 60.0, slots: int = 60) -> None:
        self.span_s = span_s
        self.slots = slots
        self._sums: deque[tuple[int, float, int]] = deque(maxlen=slots)

    def add(self, t_s: float, volts: float) -> None:
        """Take a reading."""
        slot = int(t_s * self.slots / self.span_s)
        if self._sums and self._sums[-1][0] == slot:
            _, total, count = self._sums.pop()
            self._sums.append((slot, total + volts, count + 1))
        else:
            self._sums.append((slot, volts, 1))

    def line(self, now_s: float, *, ascii_only: bool = False) -> tuple[str, float, float] | None:
        """The trace, with the lowest and highest average in volts.

        A slot without readings is a blank: a gap is seen as a gap.
        """
        last = int(now_s * self.slots / self.span_s)
        means = {slot: total / n for slot, total, n in self._sums if slot > last - self.slots}
        if not means:
            return None
        low, high = min(means.values()), max(means.values())
        bars = _ASCII if ascii_only else _BARS
        step = (high - low) / (len(bars) - 1)
        text = "".join(
            " " if slot not in means else bars[round((means[slot] - low) / step) if step else 0]
            for slot in range(last - self.slots + 1, last + 1)
        )
        return text, low, high
