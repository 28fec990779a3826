"""Repeat trials through a simulated meter on a real serial device, time running twentyfold."""

from contextlib import closing

import pytest

from drivers.address import steady_s
from drivers.errors import CaptureError, SilentError
from drivers.readings import Reading
from drivers.simulated import Display, SimulatedMeter
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.errors import LabError, LogError, UsageError
from meterlink.lab.run import (
    MOST_FRUITLESS,
    Plan,
    Rhythm,
    Stage,
    TrialRun,
    instruction,
    random_order,
)
from meterlink.lab.switching import Load, SwitchError
from meterlink.live.session import LiveSession
from meterlink.testlog.columns import Source
from meterlink.testlog.from_capture import replay_into
from meterlink.testlog.log import TestLog

SPEED = 20.0
USUAL = Rhythm(5, 6, 4)
SETUP = Setup(Hookup.NEUTRAL_GROUND, "Desk", None, "Desk")
CIRCUIT = Circuit("Bench", ("Desk",), volts=120, hertz=60, load_amps=12)


class Relay:
    """Switches a simulated load; remembers what it was told."""

    by_hand = False
    name = "relay"

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


def run_of(bench, relay, total, done=0, rhythm=USUAL, **plan):
    _, log, session = bench
    plan = Plan((SETUP,) * (total - done), rhythm, done, frozenset(), {"operator": "=Ann"}, **plan)
    load = Load(relay, session.capture.parent, pause=lambda _s: None)
    return TrialRun(session, log, CIRCUIT, plan, load)


def test_each_cycle_is_a_row_and_the_load_ends_off(bench, relay, tmp_path):
    steps = list(run_of(bench, relay, 3).progress())
    rows = [step.row for step in steps if step.row is not None]
    assert [row.test for row in rows] == [1, 2, 3]
    assert relay.told == [True, False] * 3
    for row in rows:
        assert row.verdict is Verdict.IN_PATH
        assert row.source is Source.LIVE
        assert row.capture == "visit.jsonl"
        assert row.drop_mv == pytest.approx(150, abs=6)
    assert b",operator\r\n" in (tmp_path / "tests.csv").read_bytes()
    assert (tmp_path / "tests.csv").read_bytes().count(b",'=Ann\r\n") == 3


def test_progress_counts_down_and_name_the_stage(bench, relay):
    steps = list(run_of(bench, relay, 1).progress())
    assert [stage for stage in Stage if any(b.stage is stage for b in steps)] == [
        Stage.IDLE,
        Stage.ON,
        Stage.AFTER,
    ]
    left = [step.left_s for step in steps]
    assert left == sorted(left, reverse=True)
    assert left[0] == pytest.approx(15, abs=2)
    assert any(isinstance(step.reading, Reading) for step in steps)


def test_the_recording_gives_the_same_rows(bench, relay, tmp_path):
    rows = [step.row for step in run_of(bench, relay, 2).progress() if step.row is not None]
    bench[2].close()
    again = replay_into(tmp_path / "visit.jsonl", tmp_path / "again").rows
    assert [row.drop_mv for row in again] == [row.drop_mv for row in rows]
    assert [row.time for row in again] == [row.time for row in rows]


def test_a_run_goes_on_after_those_that_are_done(bench, relay):
    steps = list(run_of(bench, relay, 5, done=4).progress())
    assert {step.trial for step in steps} == {5}


def test_stopping_with_the_load_on_switches_it_off_and_logs_nothing(bench, relay, tmp_path):
    with closing(run_of(bench, relay, 9).progress()) as steps:
        for step in steps:
            if step.stage is Stage.ON:
                break
    assert relay.told == [True, False]
    assert (tmp_path / "tests.csv").read_bytes().count(b"\n") == 1
    assert b'"mark":"void"' in (tmp_path / "visit.jsonl").read_bytes().replace(b" ", b"")


def test_a_silent_meter_ends_the_run_before_the_load_is_switched_on(bench, relay):
    bench[0].unplug()
    run = run_of(bench, relay, 1)
    bench[2].poll(1.0)
    with pytest.raises(SilentError, match="while the load was off"):
        list(run.progress())
    assert relay.told == []


def test_a_cable_pulled_with_the_load_on_costs_that_trial_and_ends_the_run(bench, relay):
    steps = []

    def take():
        for step in run_of(bench, relay, 5).progress():
            steps.append(step)
            if step.stage is Stage.ON and step.trial == 2:
                bench[0].unplug()

    with pytest.raises(SilentError):
        take()
    rows = [step.row for step in steps if step.row is not None]
    assert len(rows) == 2
    assert rows[0].verdict is Verdict.IN_PATH
    assert rows[1].flags
    assert any(step.notice is not None for step in steps)
    assert not relay.is_on


def test_a_recording_that_breaks_off_ends_the_run_with_the_load_off(bench, relay, monkeypatch):
    _, log, session = bench
    steps = run_of(bench, relay, 2).progress()
    next(step for step in steps if step.stage is Stage.ON)

    def refuse(_event):
        raise CaptureError("recording stopped: the disk is full.")

    monkeypatch.setattr(session._writer, "append", refuse)
    with pytest.raises(CaptureError, match="the disk is full"):
        list(steps)
    assert relay.told[-1] is False
    assert list(log.rows()) == []


def test_a_load_that_does_not_go_off_is_told_again_and_shouted(bench, relay, tmp_path):
    relay.refuses = False
    with pytest.raises(SwitchError, match="THE LOAD MAY STILL BE ON"):
        list(run_of(bench, relay, 1).progress())
    assert relay.told == [True, *[False] * 6]  # three tries at its time, three at the end
    assert (tmp_path / "load-may-be-on.json").exists()


def test_a_load_that_does_not_go_on_is_switched_off_to_be_sure(bench, relay):
    relay.refuses = True
    with pytest.raises(SwitchError, match="The relay is stuck"):
        list(run_of(bench, relay, 1).progress())
    assert relay.told == [True, False]


def test_a_log_without_the_column_is_refused_with_what_to_do(tmp_path):
    TestLog(tmp_path / "tests.csv").close()
    with pytest.raises(LogError, match="no column operator"):
        TestLog(tmp_path / "tests.csv", extra=("operator",))


def test_time_left_counts_the_stages_to_come():
    rhythm = Rhythm(8, 10, 6)
    assert rhythm.cycle_s == 24
    assert rhythm.left_s(Stage.IDLE, 3) == 21
    assert rhythm.left_s(Stage.ON, 10) == 6
    assert rhythm.left_s(Stage.AFTER, 7) == 0


@pytest.mark.parametrize(
    ("stage", "in_stage_s", "left_s", "text"),
    [
        (Stage.IDLE, 0, 8, "load stays off"),
        (Stage.IDLE, 6, 2, "load ON in 2 s"),
        (Stage.ON, 0.5, 9.5, "switch the load ON now"),
        (Stage.ON, 5, 5, "load stays on"),
        (Stage.ON, 8, 2, "load OFF in 2 s"),
        (Stage.AFTER, 1, 5, "switch the load OFF now"),
        (Stage.AFTER, 5, 1, "load stays off"),
    ],
)
def test_a_hand_is_told_before_and_when_to_switch(stage, in_stage_s, left_s, text):
    assert instruction(stage, in_stage_s, left_s) == text


@pytest.mark.parametrize("seconds", [0.0, -3.0, 601.0, float("nan")])
def test_a_stage_without_sense_is_refused(seconds):
    with pytest.raises(UsageError, match="expected 1 to 600 s"):
        Rhythm(on_s=seconds)


def test_rests_keep_the_duty_and_the_cool_down():
    assert Rhythm(8, 10, 6).rest_s == 0
    assert Rhythm(8, 10, 6, cool_down_s=30).rest_s == 30
    quarter = Rhythm(8, 10, 6, cool_down_s=3, duty=0.25)
    assert quarter.on_s / (quarter.cycle_s + quarter.rest_s) == pytest.approx(0.25)


@pytest.mark.parametrize(
    ("cool_down_s", "duty"), [(-1, 1), (1e9, 1), (0, 0), (0, 1.5), (0, 1e-6), (float("nan"), 1)]
)
def test_rests_that_make_no_sense_are_refused(cool_down_s, duty):
    with pytest.raises(UsageError):
        Rhythm(8, 10, 6, cool_down_s, duty)


def test_the_load_rests_between_trials_and_not_after_the_last(bench, relay):
    rhythm = Rhythm(5, 6, 4, cool_down_s=4)
    steps = list(run_of(bench, relay, 2, rhythm=rhythm).progress())
    stages = [step.stage for step in steps]
    assert stages.count(Stage.REST) > 0
    assert stages[-1] is Stage.AFTER
    rests = [step for step in steps if step.stage is Stage.REST]
    assert {step.trial for step in rests} == {2}
    left = [step.left_s for step in steps]
    assert left == sorted(left, reverse=True)


def test_random_order_is_even_seeded_and_uses_what_is_left():
    one, two = SETUP, Setup(Hookup.NEUTRAL_GROUND, "Door", None, "Desk")
    order = random_order([(one, 6), (two, 4)], seed=3)
    assert order == random_order([(one, 6), (two, 4)], seed=3)
    assert order != random_order([(one, 6), (two, 4)], seed=4)
    assert (order.count(one), order.count(two)) == (6, 4)
    assert order[:2] == (one, one)  # what one has less of is made up first
    assert {order[k : k + 2].count(one) for k in (2, 4, 6, 8)} == {1}


def test_a_trial_that_nothing_switched_does_not_count_and_is_made_up_for(bench, relay):
    real, asked = relay.set, []

    def lazy(*, on):
        asked.append(on)
        if asked.count(True) != 2:  # the second time it does nothing
            real(on=on)

    relay.set = lazy
    rows = [step for step in run_of(bench, relay, 2).progress() if step.row is not None]
    assert [step.counts for step in rows] == [True, False, True]
    assert [step.trial for step in rows] == [1, 2, 2]


def test_trial_after_trial_that_is_none_ends_the_run(bench, relay):
    relay.set = lambda *, on: None
    run = run_of(bench, relay, 9)
    run._in_path.add(SETUP)
    with pytest.raises(LabError, match=f"{MOST_FRUITLESS} trials in a row were none"):
        list(run.progress())


def test_several_hookups_are_moved_between_and_the_order_is_noted(bench, relay, tmp_path):
    other = Setup(
        Hookup.NEUTRAL_GROUND,
        "Desk",
        None,
        "Desk",
    )
    door = Setup(Hookup.NEUTRAL_GROUND, "Door", None, "Desk")
    run = run_of(bench, relay, 1, seed=7)
    run._queue.clear()
    run._queue.extend([other, door])
    run._circuit = Circuit("Bench", ("Desk", "Door"), volts=120, hertz=60, load_amps=12)
    rows, moves = [], []
    for step in run.progress():
        if step.stage is Stage.MOVE:
            moves.append(step.setup)
            run.moved = True
        if step.row is not None:
            rows.append(step.row)
    assert set(moves) == {door}
    assert [row.setup.lead_a for row in rows] == ["Desk", "Door"]
    assert rows[0].note == "random order, seed 7, place 1"
    assert b"random order, seed 7, place 2" in (tmp_path / "tests.csv").read_bytes()


def test_that_the_load_may_be_on_is_on_the_disk_before_it_is(bench, relay, tmp_path):
    state = tmp_path / "load-may-be-on.json"
    real, there = relay.set, []

    def watched(*, on):
        there.append((on, state.exists()))
        real(on=on)

    relay.set = watched
    list(run_of(bench, relay, 1).progress())
    assert there == [(True, True), (False, True)]
    assert not state.exists()


def test_where_it_cannot_be_written_down_the_load_is_not_switched_on(bench, relay, monkeypatch):
    def full(_path, _chunks):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("meterlink.lab.switching.write_durably", full)
    with pytest.raises(SwitchError, match="No space left"):
        list(run_of(bench, relay, 1).progress())
    assert True not in relay.told
