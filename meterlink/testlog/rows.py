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
        flags: Names of what was noticed (documented in ``meterlink.levels.test_flags``).
        note: Free text.
        path_mohm, path_u_mohm: What an ohmmeter read between the leads, and its standard
            uncertainty.
        setting: Setting of the load: ``low``, ``high``, or ``low+high`` where both were used and
            the drop is that of the high one; ``None`` where nobody said.
        level_u_mv: Standard uncertainty of the jump between the levels, before what the unknown
            phase of the idle reading adds.
        cycles: How often the load was switched on and off.
    """

    __test__ = False  # keeps pytest from collecting the class by its name

    test: int
    time: datetime
    setup: Setup
    amps: float | None = None
    idle_mv: float | None = None
    idle_sd_mv: float | None = None
    on_mv: float | None = None
    on_sd_mv: float | None = None
    after_mv: float | None = None
    delta_mv: float | None = None
    drop_mv: float | None = None
    drop_u_mv: float | None = None
    limit_mv: float | None = None
    verdict: Verdict = Verdict.UNCLEAR
    n_idle: int | None = None
    n_on: int | None = None
    source: Source = Source.ENTERED
    capture: str | None = None
    flags: tuple[str, ...] = ()
    note: str = ""
    path_mohm: float | None = None
    path_u_mohm: float | None = None
    setting: str | None = None
    level_u_mv: float | None = None
    cycles: int | None = None
