"""A test that was measured, as a row of the log: the same for live and replayed visits."""

from datetime import datetime, timedelta

from meterlink.levels.steady import DeadMeasurement
from meterlink.levels.visit_split import CompletedTest
from meterlink.testlog.rows import Source, TestRow


def measured_row(
    done: CompletedTest, *, started: datetime, amps: float | None, source: Source, capture: str
) -> TestRow:
    """Make the row of a completed test; the log gives it its number.

    Args:
        done: The test.
        started: Time zero of its capture. The row's time is that of the test's mark, to the
            millisecond, so that a replay finds it again.
        amps: Stated current of the load; a test at its lower setting knows that one's itself.
        source: Live or replay.
        capture: File name of the capture in the job's folder of captures; may be set later.
    """
    found = done.measurement
    dead = found if isinstance(found, DeadMeasurement) else None
    return TestRow(
        test=0,
        time=_to_milliseconds(started + timedelta(milliseconds=round(done.started_s * 1e3))),
        setup=done.setup,
        amps=_amps(done, amps),
        idle_mv=found.idle_mv,
        idle_sd_mv=found.idle_sd_mv,
        on_mv=found.on_mv,
        on_sd_mv=found.on_sd_mv,
        after_mv=found.after_mv,
        delta_mv=found.delta_mv,
        drop_mv=found.drop_mv,
        drop_u_mv=found.drop_u_mv,
        limit_mv=found.limit_mv,
        verdict=found.verdict,
        n_idle=found.n_idle,
        n_on=found.n_on,
        source=source,
        capture=capture,
        flags=found.flags,
        note="; ".join(note for note in done.notes if note),
        path_mohm=dead.path_mohm if dead else None,
        path_u_mohm=dead.path_u_mohm if dead else None,
        setting=found.setting or None,
        level_u_mv=found.level_u_mv,
        cycles=found.cycles,
    )


def _amps(done: CompletedTest, stated: float | None) -> float | None:
    """Current as stated; of a direct source as it was read back; none of an ohmmeter."""
    if isinstance(done.measurement, DeadMeasurement):
        return done.measurement.amps if not done.setup.hookup.ohms else None
    return done.amps_low if done.measurement.setting == "low" and done.amps_low else stated


def _to_milliseconds(time: datetime) -> datetime:
    """A time as the log keeps it; a live visit starts at some microsecond."""
    return time.replace(microsecond=time.microsecond // 1000 * 1000)
