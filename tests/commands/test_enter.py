"""``meterlink enter``: readings by eye."""

import pytest
from conftest import JOB_OF_THREE

from meterlink.circuit.setup import Verdict
from meterlink.testlog.columns import Source
from meterlink.testlog.reader import read_rows

JOB = JOB_OF_THREE.format(amps=12)
GROUND = ["--hookup", "neutral-ground", "--lead-a", "Desk", "--load-at", "Bed"]
NEUTRALS = ["--hookup", "neutral-neutral", "--lead-a", "Desk", "--load-at", "Bed"]
NEUTRALS += ["--lead-b", "Door"]
LINE = ["--hookup", "line-drop", "--lead-a", "Bed", "--load-at", "Bed"]


@pytest.fixture
def job(tmp_path):
    (tmp_path / "job.toml").write_text(JOB)
    return tmp_path


def entered(job, meterlink, *options):
    done = meterlink("enter", job, *options)
    assert done.code == 0, done.err
    (row,) = read_rows(job / "tests.csv")
    assert row.source is Source.ENTERED
    assert row.capture is None
    return row


def test_idle_and_on_become_a_drop_with_its_uncertainty(job, meterlink):
    row = entered(job, meterlink, *GROUND, "--idle", 6, "--on", 215, "--note", "by hand")
    # For a pickup of any phase, |on - idle| <= drop <= on + idle.
    assert 209 < row.drop_mv < 221
    assert 4 < row.drop_u_mv < 9
    assert (row.idle_mv, row.on_mv, row.delta_mv, row.amps, row.note) == (
        6,
        215,
        209,
        12,
        "by hand",
    )
    assert row.verdict is Verdict.IN_PATH


def test_a_small_drop_that_could_hide_in_the_wander_is_not_called_absent(job, meterlink):
    row = entered(job, meterlink, *NEUTRALS, "--idle", 60, "--on", 62)
    assert row.verdict is Verdict.UNCLEAR


def test_only_a_jump_or_none_is_kept_without_figures(job, meterlink):
    row = entered(job, meterlink, *NEUTRALS, "--no-jump")
    assert row.verdict is Verdict.NOT_IN_PATH
    assert (row.idle_mv, row.drop_mv, row.limit_mv) == (None, None, None)


def test_a_jump_is_kept_as_in_path(job, meterlink):
    assert entered(job, meterlink, *NEUTRALS, "--jump").verdict is Verdict.IN_PATH


@pytest.mark.parametrize(
    ("options", "drop_mv", "amps"),
    [
        (["--sag", 4, "--amps", 15], 4800, 15),
        (["--no-load", 121.4, "--loaded", 116.9], 4500, 12),
        (["--idle", 121400, "--on", 116900], 4500, 12),
    ],
)
def test_a_sag_is_entered_in_percent_in_volts_or_in_millivolts(
    job, meterlink, options, drop_mv, amps
):
    row = entered(job, meterlink, *LINE, *options)
    assert row.drop_mv == pytest.approx(drop_mv)
    assert row.amps == amps
    assert 50 < row.drop_u_mv < 200


def test_the_stated_wander_sets_the_uncertainty(job, meterlink):
    row = entered(job, meterlink, *LINE, "--idle", 121400, "--on", 116900, "--wander", 300)
    # JCGM 100 clause 4.3.7: half-width over the square root of three, for each of two readings.
    assert row.drop_u_mv == pytest.approx(300 / 3**0.5 * 2**0.5, abs=1e-3)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ([*GROUND], "Say what was seen in one way"),
        ([*GROUND, "--idle", 3], "Say what was seen in one way"),
        ([*GROUND, "--on", 3], "Say what was seen in one way"),
        ([*GROUND, "--idle", 3, "--on", 4, "--jump"], "Say what was seen in one way"),
        ([*GROUND, "--sag", 3], "are for --hookup line-drop"),
        ([*GROUND, "--idle", -3, "--on", 4], "makes no sense"),
        ([*GROUND, "--idle", 3, "--on", "nan"], "makes no sense"),
        ([*GROUND, "--idle", 3, "--on", 1e9], "makes no sense"),
        ([*GROUND, "--idle", 3, "--on", 9, "--wander", 0], "makes no sense"),
        ([*LINE, "--sag", 80], "makes no sense"),
        ([*GROUND, "--jump", "--lead-b", "Door"], "one too many"),
        ([*NEUTRALS[:6], "--jump"], "needs two receptacles"),
        ([*GROUND[:-1], "Attic", "--jump"], "'Attic' is no receptacle here"),
        ([*GROUND, "--jump", "--time", "noon"], "is no ISO 8601 time"),
        (["--hookup", "ohms"], "ohms"),
    ],
)
def test_wrong_usage_ends_with_2_and_logs_nothing(job, meterlink, options, message):
    done = meterlink("enter", job, *options)
    assert done.code == 2
    assert message in done.err
    assert not (job / "tests.csv").exists()


def test_a_load_beyond_sense_is_refused(job, meterlink):
    done = meterlink("enter", job, *GROUND, "--jump", "--amps", -4)
    assert done.code == 1
    assert "--amps is -4" in done.err
