"""``meterlink trials run`` with a simulated meter on a real serial device, twelvefold time."""

import csv
import io
import shlex
import signal
import sys
from functools import partial

import pytest

from drivers.address import steady_s
from drivers.simulated import Display, SimulatedMeter
from meterlink.live import session, terminal

SPEED = 12.0
HOOKUP = ("--hookup", "neutral-ground", "--lead-a", "Desk", "--load-at", "Desk")
QUICK = ("--idle", 5, "--on", 6, "--after", 4)


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """Address of a meter, and a command that switches the load it sees."""
    load = tmp_path / "load"
    load.write_text("off")
    clock = partial(session.LiveSession, clock=lambda: SPEED * steady_s())
    monkeypatch.setattr(session, "LiveSession", clock)
    code = "import sys, pathlib; pathlib.Path(sys.argv[1]).write_text(sys.argv[2])"
    command = shlex.join([sys.executable, "-S", "-c", code, str(load), "{state}"])
    with SimulatedMeter(
        lambda _t_s: 0.150 if load.read_text() == "on" else 0.003,
        rate_hz=5 * SPEED,
        display=Display(noise_v=0.2e-3),
    ) as meter:
        yield meter.address, command


def test_trials_are_taken_stopped_at_the_number_asked_and_gone_on_with(meterlink, tmp_path, bench):
    address, command = bench
    job = tmp_path / "bench"
    take = ("trials", "run", job, "--meter", address, *HOOKUP, *QUICK, "--switch-command", command)
    first = meterlink(*take, "--repeat", 2, "--set", "operator=Ann", "--amps", 12)
    assert first.code == 0, first.err
    assert "trial 2 of 2" in first.err
    assert f"2 of 2 trials are in {job / 'tests.csv'}" in first.err
    more = meterlink(*take, "--repeat", 3, "--set", "operator=Ann")
    assert "2 trials are there; going on" in more.err
    assert "3 of 3 trials" in more.err
    evaluated = meterlink("trials", job, "--by", "operator")
    assert ", 3 in-path" in evaluated.out
    assert len(list((job / "captures").iterdir())) == 2
    text = (job / "tests.csv").read_text(encoding="utf-8")
    counted = [row for row in csv.DictReader(io.StringIO(text)) if row["verdict"] == "in-path"]
    meterlink("withdraw", job, counted[1]["test"])
    made_up = meterlink(*take, "--repeat", 3, "--set", "operator=Ann")
    assert "2 trials are there; going on" in made_up.err
    assert ", 3 in-path" in meterlink("trials", job).out


def test_enough_trials_open_no_meter(meterlink, tmp_path, bench):
    address, command = bench
    take = ("trials", "run", tmp_path / "b", "--meter", address, *HOOKUP, *QUICK)
    assert meterlink(*take, "--repeat", 1, "--switch-command", command).code == 0
    run = meterlink(*take, "--repeat", 1, "--meter", "lines:/nowhere,9600")
    assert run.code == 0
    assert "1 of 1 trials" in run.err


@pytest.mark.parametrize("how", ["q", "Ctrl-C"])
def test_a_person_stops_it_and_the_load_is_off(meterlink, tmp_path, bench, monkeypatch, how):
    address, command = bench
    load = tmp_path / "load"

    def pressed(_keys):
        if load.read_text() == "off":
            return ""
        if how == "Ctrl-C":
            signal.raise_signal(signal.SIGINT)
            return ""
        return "q"

    monkeypatch.setattr(terminal.Keys, "pressed", pressed)
    take = ("trials", "run", tmp_path / "b", "--meter", address, *HOOKUP, *QUICK)
    run = meterlink(*take, "--repeat", 5, "--switch-command", command)
    assert run.code == 1
    assert "0 of 5 trials" in run.err
    assert "stopped. The same command goes on" in run.err
    assert load.read_text() == "off"
    assert "SWITCH THE LOAD OFF" not in run.err  # the command did it


def test_a_hand_that_stops_with_the_load_on_is_told_to_switch_it_off(
    meterlink, tmp_path, bench, monkeypatch
):
    address, _ = bench

    def pressed(_keys):
        (capture,) = (tmp_path / "b" / "captures").iterdir()
        return "q" if b"load-on" in capture.read_bytes() else ""

    monkeypatch.setattr(terminal.Keys, "pressed", pressed)
    take = ("trials", "run", tmp_path / "b", "--meter", address, *HOOKUP)
    run = meterlink(*take, "--repeat", 5, "--idle", 5, "--on", 300)
    assert run.code == 1
    assert "switch the load ON now" in run.err
    assert "SWITCH THE LOAD OFF NOW" in run.err
    assert "The same command with --load-is-off, once it is off, goes on" in run.err
    again = meterlink(*take, "--repeat", 5, "--idle", 5, "--on", 300)
    assert again.code == 1
    assert "*** THE LOAD MAY BE ON, at Desk, since 2" in again.err


@pytest.mark.parametrize(
    ("options", "code", "message"),
    [
        (["--set", "operator"], 2, "expected COLUMN=TEXT"),
        (["--set", "drop_mV=3"], 2, "expected COLUMN=TEXT"),
        (["--set", "test=3"], 2, "none that a log has anyway"),
        (["--on", "0.1"], 2, "makes no sense here"),
        (["--lead-b", "Door"], 2, "one too many"),
        (["--amps", "-4"], 1, "amps"),
        (["--switch-command", "relay on"], 2, "{state}"),
        (["--switch-command", "r {state}", "--switch-scpi", "scpi:ASRL9"], 2, "Choose one"),
        (["--meter", "nobody"], 2, "no meter of the name"),
        (["--meter", "lines:/nowhere,9600"], 1, "/nowhere"),
    ],
)
def test_what_cannot_be_done_is_told(meterlink, tmp_path, options, code, message):
    run = meterlink(
        *("trials", "run", tmp_path / "bench", "--repeat", 2, *HOOKUP),
        *("--meter", "lines:/nowhere,9600", *options),
    )
    assert run.code == code, run.err
    assert message in run.err


def test_a_job_that_lacks_the_receptacle_is_refused(meterlink, tmp_path, captures):
    meterlink("replay", captures / "circuit-101" / "visit.jsonl", "--job", tmp_path / "job")
    run = meterlink(
        *("trials", "run", tmp_path / "job", "--repeat", 2, *HOOKUP, "--meter", "lines:/nowhere")
    )
    assert run.code == 2
    assert "'Desk'" in run.err


SETUPS = ("--setup", "neutral-ground,Desk,Desk", "--setup", "neutral-neutral,Desk,Door,Desk")


def test_several_hookups_come_in_random_order_that_is_noted(
    meterlink, tmp_path, bench, monkeypatch
):
    address, command = bench
    monkeypatch.setattr(terminal.Keys, "pressed", lambda _keys: " ")
    made = terminal.Keys.__init__

    def at_a_terminal(keys):
        made(keys)
        keys.available = True

    monkeypatch.setattr(terminal.Keys, "__init__", at_a_terminal)
    take = ("trials", "run", tmp_path / "b", "--meter", address, *QUICK, *SETUPS, "--seed", 5)
    run = meterlink(*take, "--repeat", 2, "--switch-command", command)
    assert run.code == 0, run.err
    assert "Hookups in random order, --seed 5." in run.err
    assert "move the leads and the load, then press a key" in run.err
    assert "4 of 4 trials" in run.err
    text = (tmp_path / "b" / "tests.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    hookups = [row["hookup"] for row in rows]  # more where a trial had to be made up for
    assert min(hookups.count("neutral-ground"), hookups.count("neutral-neutral")) >= 2
    assert {row["note"] for row in rows} == {
        f"random order, seed 5, place {place}" for place in range(1, 5)
    }


def test_several_hookups_need_a_person_who_moves_the_leads(meterlink, tmp_path, bench):
    address, command = bench
    take = ("trials", "run", tmp_path / "b", "--meter", address, *QUICK, *SETUPS)
    run = meterlink(*take, "--repeat", 1, "--switch-command", command)
    assert run.code == 2
    assert "a person moves the leads" in run.err


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ((), "Say what is repeated"),
        (("--setup", "neutral-ground,Desk"), "expected HOOKUP,A,B,LOAD"),
        (("--setup", "nowhere,Desk,Desk"), "expected HOOKUP,A,B,LOAD"),
        (("--setup", "neutral-ground,Desk,Desk", *HOOKUP), "--setup stands for"),
        ((*HOOKUP, "--duty", "0"), "a duty above 0"),
        ((*HOOKUP, "--cool-down", "-3"), "A cool-down is 0"),
    ],
)
def test_what_is_repeated_has_to_be_clear(meterlink, tmp_path, options, message):
    take = ("trials", "run", tmp_path / "b", "--meter", "lines:/nowhere,9600", "--repeat", 2)
    run = meterlink(*take, *options)
    assert run.code == 2
    assert message in run.err


def test_a_name_that_no_job_can_have_makes_none(meterlink, tmp_path):
    take = ("trials", "run", tmp_path / "b", "--meter", "lines:/nowhere,9600", "--repeat", 2)
    run = meterlink(*take, "--setup", "neutral-ground,panel,Desk")
    assert run.code == 1
    assert "mean parts of the map" in run.err
    assert not (tmp_path / "b").exists()
