"""A series made small enough to draw: nothing that stands out is lost."""

from dataclasses import dataclass


@dataclass(slots=True)
class _Bin:
    """Smallest and largest value within a span of readings, with their times."""

    low: tuple[float, float]
    high: tuple[float, float]

    def take(self, other: "_Bin") -> None:
        """Span the other one as well."""
        if other.low[1] < self.low[1]:
            self.low = other.low
        if other.high[1] > self.high[1]:
            self.high = other.high


class Envelope:
    """Keeps a series of any length in constant memory, as extremes over even spans of readings.

    Up to ``bins`` readings are kept as they are. Then neighbours are joined two by two, and each
    further bin spans twice as many readings.

    Args:
        bins: At most so many spans are kept; an even number, at least 2.
    """

    def __init__(self, bins: int = 80) -> None:
        if bins < 2 or bins % 2:
            raise ValueError(f"bins must be even and at least 2, not {bins}")
        self._most = bins
        self._span = 1
        self._filled = 0  # readings in the last bin
        self._bins: list[_Bin] = []

    def add(self, t_s: float, value: float) -> None:
        """Take the next reading."""
        one = _Bin((t_s, value), (t_s, value))
        if self._bins and self._filled < self._span:
            self._bins[-1].take(one)
            self._filled += 1
            return
        if len(self._bins) == self._most:
            self._join()
        self._bins.append(one)
        self._filled = 1

    def points(self) -> list[tuple[float, float]]:
        """Times and values to draw, in time order; at most two for each bin."""
        found: list[tuple[float, float]] = []
        for part in self._bins:
            found.extend(sorted({part.low, part.high}))
        return found

    def _join(self) -> None:
        for first, second in zip(self._bins[::2], self._bins[1::2], strict=True):
            first.take(second)
        self._bins = self._bins[::2]
        self._span *= 2
