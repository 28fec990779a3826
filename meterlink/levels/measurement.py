"""What the readings of one test come to, before it is a row in a log."""

from dataclasses import dataclass

from meterlink.circuit.setup import Verdict


@dataclass(frozen=True, slots=True)
class Measurement:
    """Levels, drop and verdict of one test. Millivolts; ``None`` where it could not be measured.

    The fields up to ``flags`` are those of ``meterlink.testlog.rows.TestRow`` with the same names.

    Attributes:
        on_at_s, off_at_s: Monotonic times at which the load was seen to switch; ``None`` if unseen.
    """

    idle_mv: float | None
    idle_sd_mv: float | None
    on_mv: float | None
    on_sd_mv: float | None
    after_mv: float | None
    delta_mv: float | None
    drop_mv: float | None
    drop_u_mv: float | None
    limit_mv: float | None
    verdict: Verdict
    n_idle: int
    n_on: int
    flags: tuple[str, ...] = ()
    on_at_s: float | None = None
    off_at_s: float | None = None
