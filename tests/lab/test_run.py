"""Repeat trials through a simulated meter on a real serial device, time running twentyfold."""

from contextlib import closing

import pytest

from drivers.clock import steady_s
from drivers.errors import SilentError
from drivers.readings import Reading
from drivers.simulated import Display, SimulatedMeter
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.errors import LogError
from meterlink.lab.rhythm import Rhythm, Stage
from meterlink.lab.run import Plan, TrialRun
from meterlink.lab.switching import SwitchError
from meterlink.live.session import LiveSession
from meterlink.testlog.from_capture import replay_into
from meterlink.testlog.log import TestLog
from meterlink.testlog.rows import Source

SPEED = 20.0
SETUP = Setup(Hookup.NEUTRAL_GROUND, "Desk", None, "Desk")
CIRCUIT = Circuit("Bench", ("Desk",), volts=120, hertz=60, load_amps=12)


class Relay:
    """Switches a simulated load; remembers what it was told."""

    by_hand = False

    def __init__(self):
        self.is_on = False
        self.told = []
        self.refuses = None

    def set(self, *, on):
        self.told.append(on)
        if on is self.refuses:
            raise SwitchError("The relay is stuck.")
        self.is_on = on

    def close(self):
        pass


@pytest.fixture
def relay():
    return Relay()


@pytest.fixture
def bench(tmp_path, relay):
    """A session on a simulated meter and an open log."""
    meter = SimulatedMeter(
        lambda _t_s: 0.150 if relay.is_on else 0.003,
        rate_hz=5 * SPEED,
        display=Display(noise_v=0.2e-3),
    )
    with (
        meter,
        TestLog(tmp_path / "tests.csv", extra=("operator",)) as log,
        LiveSession(
            meter.address,
            tmp_path / "visit.jsonl",
            circuit={"name": "Bench", "receptacles": ["Desk"], "volts": 120, "amps": 12},
            clock=lambda: SPEED * steady_s(),
        ) as session,
    ):
        yield meter, log, session


def run_of(bench, relay, total, done=0):
    _, log, session = bench
    plan = Plan(SETUP, Rhythm(5, 6, 4), total, done, {"operator": "=Ann"})
    return TrialRun(session, log, CIRCUIT, plan, relay)


def test_each_cycle_is_a_row_and_the_load_ends_off(bench, relay, tmp_path):
    beats = list(run_of(bench, relay, 3).beats())
    rows = [beat.row for beat in beats if beat.row is not None]
    assert [row.test for row in rows] == [1, 2, 3]
    assert relay.told == [True, False] * 3
    for row in rows:
        assert row.verdict is Verdict.IN_PATH
        assert row.source is Source.LIVE
        assert row.capture == "visit.jsonl"
        assert row.drop_mv == pytest.approx(150, abs=6)
    assert b",operator\r\n" in (tmp_path / "tests.csv").read_bytes()
    assert (tmp_path / "tests.csv").read_bytes().count(b",'=Ann\r\n") == 3


def test_beats_count_down_and_name_the_stage(bench, relay):
    beats = list(run_of(bench, relay, 1).beats())
    assert [stage for stage in Stage if any(b.stage is stage for b in beats)] == list(Stage)
    left = [beat.left_s for beat in beats]
    assert left == sorted(left, reverse=True)
    assert left[0] == pytest.approx(15, abs=2)
    assert any(isinstance(beat.reading, Reading) for beat in beats)


def test_the_recording_gives_the_same_rows(bench, relay, tmp_path):
    rows = [beat.row for beat in run_of(bench, relay, 2).beats() if beat.row is not None]
    bench[2].close()
    again = replay_into(tmp_path / "visit.jsonl", tmp_path / "again").rows
    assert [row.drop_mv for row in again] == [row.drop_mv for row in rows]
    assert [row.time for row in again] == [row.time for row in rows]


def test_a_run_goes_on_after_those_that_are_done(bench, relay):
    beats = list(run_of(bench, relay, 5, done=4).beats())
    assert {beat.trial for beat in beats} == {5}


def test_stopping_with_the_load_on_switches_it_off_and_logs_nothing(bench, relay, tmp_path):
    with closing(run_of(bench, relay, 9).beats()) as beats:
        for beat in beats:
            if beat.stage is Stage.ON:
                break
    assert relay.told == [True, False]
    assert (tmp_path / "tests.csv").read_bytes().count(b"\n") == 1
    assert b'"mark":"void"' in (tmp_path / "visit.jsonl").read_bytes().replace(b" ", b"")


def test_a_silent_meter_ends_the_run_before_the_load_is_switched_on(bench, relay):
    bench[0].unplug()
    run = run_of(bench, relay, 1)
    bench[2].poll(1.0)
    with pytest.raises(SilentError, match="while the load was off"):
        list(run.beats())
    assert relay.told == []


def test_a_cable_pulled_with_the_load_on_costs_that_trial_and_ends_the_run(bench, relay):
    beats = []

    def take():
        for beat in run_of(bench, relay, 5).beats():
            beats.append(beat)
            if beat.stage is Stage.ON and beat.trial == 2:
                bench[0].unplug()

    with pytest.raises(SilentError):
        take()
    rows = [beat.row for beat in beats if beat.row is not None]
    assert len(rows) == 2
    assert rows[0].flags == ()
    assert rows[1].flags
    assert any(beat.notice is not None for beat in beats)
    assert not relay.is_on


def test_a_load_that_does_not_go_off_is_shouted(bench, relay):
    relay.refuses = False
    with pytest.raises(SwitchError, match="THE LOAD MAY STILL BE ON"):
        list(run_of(bench, relay, 1).beats())
    assert relay.told == [True, False, False]


def test_a_load_that_does_not_go_on_is_switched_off_to_be_sure(bench, relay):
    relay.refuses = True
    with pytest.raises(SwitchError, match="The relay is stuck"):
        list(run_of(bench, relay, 1).beats())
    assert relay.told == [True, False]


def test_a_log_without_the_column_is_refused_with_what_to_do(tmp_path):
    TestLog(tmp_path / "tests.csv").close()
    with pytest.raises(LogError, match="no column operator"):
        TestLog(tmp_path / "tests.csv", extra=("operator",))
