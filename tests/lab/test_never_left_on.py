"""Ways to stop a run while the load is on: real processes, real signals, a switch that writes down.

The switch is a shell script; what it was told stands in a file in the order told.
"""

import json
import os
import pty
import shlex
import signal
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from drivers.simulated import Display, SimulatedMeter

SCRIPT = """
echo "$1" >> "$2/told"
if [ -e "$2/slow-$1" ]; then echo "$1" >> "$2/begun"; sleep 1; fi
if [ -e "$2/fail-$1" ]; then rm "$2/fail-$1"; echo stuck >&2; exit 3; fi
if [ -e "$2/broken-$1" ]; then echo broken >&2; exit 4; fi
if [ -e "$2/hang-$1" ]; then rm "$2/hang-$1"; sleep 600 & wait; fi
echo "$1" > "$2/load"
"""
WITHIN_S = 20.0

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of Unix")


@dataclass
class Bench:
    """A meter, a switch, and the command line of a run that stays on for ten minutes."""

    folder: Path
    meter: SimulatedMeter

    @property
    def job(self):
        return self.folder / "job"

    @property
    def state(self):
        return self.job / "load-may-be-on.json"

    def command(self, *more, address=None):
        switch = shlex.join(["/bin/sh", str(self.folder / "switch.sh"), "{state}"])
        return [
            *(sys.executable, "-m", "meterlink", "trials", "run", str(self.job)),
            *("--meter", address or self.meter.address, "--repeat", "9", "--idle", "1"),
            *("--on", "600", "--after", "1", "--hookup", "neutral-ground", "--lead-a", "Desk"),
            *("--load-at", "Desk", "--switch-limit", "0.6"),
            *("--switch-command", f"{switch} {shlex.quote(str(self.folder))}"),
            *more,
        ]

    def start(self, **options):
        return subprocess.Popen(
            self.command(), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE, text=True, **options,
        )  # fmt: skip

    def told(self):
        path = self.folder / "told"
        return path.read_text().split() if path.exists() else []

    def is_on(self):
        path = self.folder / "load"
        return path.exists() and path.read_text().strip() == "on"

    def set(self, what):
        (self.folder / what).touch()


def wait_for(true, what):
    until = time.monotonic() + WITHIN_S
    while not true():
        assert time.monotonic() < until, what
        threading.Event().wait(0.01)


def ended(process):
    _, err = process.communicate(timeout=WITHIN_S)
    return process.returncode, err


@pytest.fixture
def bench(tmp_path):
    (tmp_path / "switch.sh").write_text(SCRIPT)
    load = tmp_path / "load"
    load.write_text("off\n")
    with SimulatedMeter(
        lambda _t_s: 0.150 if load.read_text() == "on\n" else 0.003,
        rate_hz=20,
        display=Display(noise_v=0.2e-3),
    ) as meter:
        yield Bench(tmp_path, meter)


@pytest.mark.parametrize("name", ["INT", "TERM", "HUP", "QUIT", "USR1"])
def test_a_signal_switches_off_and_ends(bench, name):
    process = bench.start()
    wait_for(bench.is_on, "on")
    process.send_signal(getattr(signal, f"SIG{name}"))
    code, err = ended(process)
    assert code == 1
    assert "stopped. The same command goes on" in err
    assert not bench.is_on()
    assert bench.told() == ["off", "on", "off"]
    assert not bench.state.exists()


def test_signals_that_come_while_off_runs_do_not_stop_it(bench):
    process = bench.start()
    wait_for(bench.is_on, "on")
    # A second Ctrl-C, a closed terminal and more, to the whole group, as a terminal sends them.
    bench.set("slow-off")
    process.send_signal(signal.SIGINT)
    wait_for((bench.folder / "begun").exists, "off begun")
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGTERM, signal.SIGINT):
        process.send_signal(number)
    (bench.folder / "slow-off").unlink()
    ended(process)
    assert not bench.is_on()
    assert not bench.state.exists()


def test_a_terminal_that_sends_its_ctrl_c_to_the_whole_group_does_not_end_the_switch(bench):
    bench.set("slow-on")
    process = bench.start(start_new_session=True)
    wait_for((bench.folder / "begun").exists, "on begun")
    os.killpg(process.pid, signal.SIGINT)  # while the switch is on its way to on
    ended(process)
    assert bench.told()[-1] == "off"
    assert not bench.is_on()


def test_ctrl_z_does_not_leave_the_program_standing_with_the_load_on(bench):
    process = bench.start()
    wait_for(bench.is_on, "on")
    process.send_signal(signal.SIGTSTP)
    process.send_signal(signal.SIGTERM)  # it would not be taken by a program that stands
    assert ended(process)[0] == 1
    assert not bench.is_on()


def test_a_closed_terminal_switches_off(bench):
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        bench.command(), stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True,
        preexec_fn=_own_terminal,
    )  # fmt: skip
    os.close(theirs)
    wait_for(bench.is_on, "on")
    os.close(ours)
    process.wait(WITHIN_S)
    assert bench.told()[-1] == "off"
    assert not bench.is_on()
    assert not bench.state.exists()


def _own_terminal():
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


@pytest.mark.parametrize("how", ["fail-off", "hang-off"])
def test_off_that_fails_or_hangs_is_told_again(bench, how):
    process = bench.start()
    wait_for(bench.is_on, "on")
    bench.set(how)
    process.send_signal(signal.SIGTERM)
    assert ended(process)[0] == 1
    assert bench.told() == ["off", "on", "off", "off"]
    assert not bench.is_on()
    assert not bench.state.exists()


def test_on_that_hangs_is_followed_by_off(bench):
    bench.set("hang-on")
    code, err = ended(bench.start())
    assert code == 1
    assert "has not ended after 0.6 s" in err
    assert bench.told() == ["off", "on", "off"]


def test_a_switch_that_does_not_go_off_is_shouted_and_the_next_start_makes_it_good(bench):
    process = bench.start()
    wait_for(bench.is_on, "on")
    bench.set("broken-off")
    process.send_signal(signal.SIGTERM)
    code, err = ended(process)
    assert code == 1
    assert "*** THE LOAD MAY STILL BE ON: SWITCH IT OFF BY HAND, NOW. ***" in err
    assert bench.told().count("off") == 4
    assert json.loads(bench.state.read_text())["load_at"] == "Desk"
    (bench.folder / "broken-off").unlink()
    again = subprocess.run(
        bench.command(address="lines:/nowhere,9600"), capture_output=True, text=True, check=False
    )
    assert "it has been switched off now" in again.stderr
    assert not bench.is_on()
    assert not bench.state.exists()


def test_after_a_kill_the_next_start_switches_off_before_it_measures(bench):
    process = bench.start()
    wait_for(bench.is_on, "on")
    process.kill()
    ended(process)
    assert bench.is_on()  # nothing can be done about it ...
    assert bench.state.exists()  # ... but it is known
    # The meter is not even there: off comes first.
    again = subprocess.run(
        bench.command(address="lines:/nowhere,9600"), capture_output=True, text=True, check=False
    )
    assert again.returncode == 1
    assert "may have left the load on; it has been switched off now" in again.stderr
    assert bench.told() == ["off", "on", "off"]
    assert not bench.is_on()
    assert not bench.state.exists()


def test_another_switch_than_the_last_run_had_is_not_trusted_to_switch_off(bench, meterlink):
    process = bench.start()
    wait_for(bench.is_on, "on")
    process.kill()
    ended(process)
    take = (
        *("trials", "run", bench.job, "--meter", "lines:/nowhere,9600", "--repeat", 9),
        *("--hookup", "neutral-ground", "--lead-a", "Desk", "--load-at", "Desk"),
    )
    for switch in ((), ("--switch-command", "true {state}")):
        refused = meterlink(*take, *switch)
        assert refused.code == 1
        assert "*** THE LOAD MAY BE ON, at Desk, since 2" in refused.err
        assert "--load-is-off" in refused.err
        assert bench.state.exists()
    seen = meterlink(*take, "--load-is-off")
    assert "it is off, as you say" in seen.err
    assert not bench.state.exists()


def test_a_meter_that_goes_away_switches_off(bench):
    process = bench.start()
    wait_for(bench.is_on, "on")
    bench.meter.unplug()
    process.send_signal(signal.SIGTERM)
    ended(process)
    assert not bench.is_on()


def test_signals_at_any_moment_leave_nothing_on(bench):
    # Moments over start, idle and on; the long table is tests/benchmarks/lab_stops.py.
    for tenth in range(5):
        process = bench.start()
        threading.Event().wait(0.2 + 0.45 * tenth)
        process.send_signal(signal.SIGTERM)
        ended(process)
        assert not bench.is_on(), tenth
        assert not bench.state.exists(), tenth
