"""The clock that readings are timed by: steady, and going on while the machine is asleep."""

import sys
import time


def _steady_clock_id() -> int | None:
    """The system's clock that also counts time asleep, so that a suspend is seen as a gap."""
    system: str = sys.platform
    if system == "linux":
        return getattr(time, "CLOCK_BOOTTIME", None)
    if system == "darwin":
        return getattr(time, "CLOCK_MONOTONIC", None)
    return None  # Windows: time.monotonic counts time asleep


_CLOCK_ID = _steady_clock_id()


def steady_s() -> float:
    """Seconds since some moment in the past; never set back, whatever happens to the wall clock."""
    return time.monotonic() if _CLOCK_ID is None else time.clock_gettime(_CLOCK_ID)
