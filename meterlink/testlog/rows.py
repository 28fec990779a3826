"""One row of the test log, as ``tests.csv`` has it."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from meterlink.circuit.setup import Setup, Verdict


class Source(StrEnum):
    """Where the readings of a row came from."""

    LIVE = "live"
    REPLAY = "replay"
    ENTERED = "entered"


@dataclass(frozen=True, slots=True)
class TestRow:
    """One test: its setup and what was measured. Millivolts throughout; ``None`` is not known.

    Attributes:
        test: Number of the row in its log, from 1.
        time: When the test started, with offset.
        setup: Hookup, leads and load.
        amps: Current of the load that was stated for the test.
        idle_mv, idle_sd_mv, n_idle: Level, spread and count of the readings before the load.
        on_mv, on_sd_mv, n_on: The same with the load on.
        after_mv: Level after the load was switched off.
        delta_mv: ``on`` minus ``idle``, signed, averaged over cycles.
        drop_mv, drop_u_mv: What the load current itself causes, and its standard uncertainty.
        limit_mv: Smallest drop that would have been seen with 95 % probability.
        verdict: What the test says.
        source, capture: Where the readings came from, and the capture file's name.
        flags: Names of what was noticed (documented in ``meterlink.levels.flags``).
        note: Free text.
    """

    __test__ = False  # keeps pytest from collecting the class by its name

    test: int
    time: datetime
    setup: Setup
    amps: float | None
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
    n_idle: int | None
    n_on: int | None
    source: Source
    capture: str | None
    flags: tuple[str, ...] = ()
    note: str = ""
