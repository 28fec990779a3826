"""The one change that is most likely in a series: exact, over every split point."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Change:
    """The best split of a series into two constant levels.

    Attributes:
        split: Number of values before the change (index of the first value after it).
        step: Mean after minus mean before, in the unit of the values.
        cost: Sum of squares about the two means.
        gain: What the split takes off the sum of squares about one common mean.
    """

    split: int
    step: float
    cost: float
    gain: float


def split_gains(values: Floats) -> Floats:
    """Fall of the sum of squares for each split.

    Args:
        values: Shape (n,), n >= 2, finite.

    Returns:
        Shape (n - 1,): entry k - 1 is ``k (n - k) / n * (mean_after - mean_before)**2``, the
        between-groups sum of squares of k values before and n - k after. Cost O(n), by cumulative
        sums of the values about their mean (which keeps digits when the level is large).
    """
    n = values.size
    before = np.cumsum(values - values.mean())[:-1]
    k = np.arange(1, n, dtype=np.float64)
    gains: Floats = before * before * (n / (k * (n - k)))
    return gains


def most_likely_change(values: Floats, first: int = 1, last: int | None = None) -> Change:
    """Find the split with the least sum of squares about two levels.

    With normal noise of constant spread that split is the most likely one (Hinkley 1970).

    Args:
        values: Shape (n,), n >= 2, finite.
        first: Least number of values before the change.
        last: Greatest number of values before the change; default n - 1.

    Returns:
        The first of the best splits.

    Raises:
        ValueError: Too few values, values that are not finite, or an empty range of splits.

    Example:
        >>> import numpy as np
        >>> change = most_likely_change(np.array([1.0, 1.0, 1.0, 5.0, 5.0]))
        >>> change.split, change.step
        (3, 4.0)
    """
    series = np.asarray(values, dtype=np.float64)
    n = series.size
    last = n - 1 if last is None else last
    if series.ndim != 1 or n < 2:
        raise ValueError(f"a change needs one series of at least two values; got {series.shape}")
    if not np.isfinite(series).all():
        raise ValueError("a change needs finite values; leave overload and blanks out first")
    if not 1 <= first <= last <= n - 1:
        raise ValueError(f"splits from {first} to {last} do not lie within 1 to {n - 1}")
    gains = split_gains(series)
    split = first + int(np.argmax(gains[first - 1 : last]))
    step = float(series[split:].mean() - series[:split].mean())
    gain = float(gains[split - 1])
    total = float(((series - series.mean()) ** 2).sum())
    return Change(split, step, max(total - gain, 0.0), gain)
