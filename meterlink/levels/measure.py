"""One test from arrays of readings, without files or a meter."""

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from drivers.readings import Reading
from meterlink.circuit.setup import LIVE_HOOKUPS, Hookup, Setup
from meterlink.errors import UsageError
from meterlink.levels.detector import TestDetector
from meterlink.levels.progress import Measurement
from meterlink.levels.statistics import Floats

Times = float | Sequence[float] | None


def measure(
    t_s: npt.ArrayLike,
    volts: npt.ArrayLike,
    *,
    on: Times = None,
    off: Times = None,
    hertz: float | None = 60.0,
    hookup: str = Hookup.NEUTRAL_NEUTRAL,
    direct: bool = False,
    smallest_drop_mv: float | None = None,
) -> Measurement:
    """Measure one test.

    Args:
        t_s: Times of the readings in seconds, not decreasing.
        volts: What the meter showed, in volts, finite; leave out overload.
        on: When somebody said that the load was switched on: about, one time or several.
        off: The same for off. Without both the load is looked for in the readings alone, and
            "no jump" cannot be said.
        hertz: Of the supply; 0 for direct current, ``None`` where it is not known (taken as AC).
        hookup: ``neutral-neutral``, ``neutral-ground`` or ``line-drop``.
        direct: The load draws a direct current, and the readings are DC volts.
        smallest_drop_mv: Drop on the smallest run that could be there; 80 mV (1 m at 10 A).

    Returns:
        Levels, drop, verdict and flags, in mV.

    Raises:
        UsageError: Shapes that differ, NaN, times that run back, an unknown word.

    Example:
        >>> import numpy as np
        >>> t = np.arange(0.0, 30.0, 0.25)
        >>> volts = np.where((t > 10) & (t < 20), 0.3, 0.006)
        >>> found = measure(t, volts, on=9.0, off=19.5)
        >>> found.verdict, 290 < found.drop_mv < 310
        (<Verdict.IN_PATH: 'in-path'>, True)
    """
    times, values = _series("t_s", t_s), _series("volts", volts)
    if times.size != values.size:
        raise UsageError(f"t_s has {times.size} values and volts {values.size}; give one for each.")
    back = np.flatnonzero(np.diff(times) < 0)
    if back.size:
        k = int(back[0]) + 1
        raise UsageError(
            f"t_s[{k}] is {times[k]:g} after {times[k - 1]:g}: times must not run back. Sort them."
        )
    if hertz is not None and not 0 <= hertz < math.inf:
        raise UsageError(f"hertz is {hertz!r}; give a frequency, 0 for direct current, or None.")
    if hookup not in LIVE_HOOKUPS:
        known = ", ".join(LIVE_HOOKUPS)
        raise UsageError(f"The hookup {hookup!r:.40} is not known; known are {known}.")
    setup = Setup(Hookup(hookup), "A", "B" if Hookup(hookup).has_lead_b else None, "load")
    start_s = float(times[0]) if times.size else 0.0
    detector = TestDetector(
        setup,
        start_s,
        hertz=hertz,
        smallest_drop_mv=smallest_drop_mv,
        direct=direct,
    )
    marks = [(t, "load-on") for t in _times("on", on)] + [
        (t, "load-off") for t in _times("off", off)
    ]
    for mark_s, kind in sorted(marks):
        detector.mark(kind, mark_s)
    for one_s, value in zip(times.tolist(), values.tolist(), strict=True):
        detector.add(Reading(one_s, value))
    return detector.finish(float(times[-1]) if times.size else start_s)


def _series(name: str, values: npt.ArrayLike) -> Floats:
    """A series of finite numbers.

    Raises:
        UsageError: It is none.
    """
    try:
        series = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise UsageError(f"{name} is no series of numbers: {error}.") from error
    if series.ndim != 1:
        raise UsageError(f"{name} has {series.ndim} dimensions; give one series.")
    wild = np.flatnonzero(~np.isfinite(series))
    if wild.size:
        k = int(wild[0])
        raise UsageError(f"{name}[{k}] is {series[k]}: leave out what has no value.")
    return series


def _times(name: str, times: Times) -> list[float]:
    """Times of taps, in order."""
    if times is None:
        return []
    return sorted(_series(name, [times] if isinstance(times, int | float) else times).tolist())
