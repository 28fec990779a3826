"""``meterlink demo``: a real serial device from end to end, its time running fast."""

import signal
import subprocess
import sys
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from drivers.capture import CaptureReader
from meterlink.levels.progress import Progress, Stage
from meterlink.live import demonstration
from meterlink.live.demonstration import status
from meterlink.simulation import SimulatedBench, invent
from meterlink.testlog.columns import Source
from meterlink.testlog.reader import read_rows
from meterlink.visit.view import Key, VisitStage, VisitView


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(demonstration, "SPEED", 20.0)


def test_the_demo_ends_in_a_map_a_report_and_a_log_that_its_capture_gives_again(
    tmp_path, meterlink, quick
):
    out = tmp_path / "demo"
    done = meterlink("demo", "--out", out, "--receptacles", 3, "--seed", 4)
    assert done.code == 0
    assert "SIMULATED" in done.err
    assert "SIMULATED" in done.out
    assert "First after the panel" in done.out
    names = sorted(path.name for path in out.iterdir() if not path.name.startswith("."))
    assert names == [
        "captures",
        "job.toml",
        "logged.jsonl",
        "report.html",
        "tests.csv",
        "tests.csv-metadata.json",
    ]
    live = list(read_rows(out / "tests.csv"))
    assert live
    (capture,) = (out / "captures").iterdir()
    meterlink("replay", capture, "--job", tmp_path / "again")
    again = read_rows(tmp_path / "again" / "tests.csv")
    assert [replace(row, source=Source.LIVE) for row in again] == live
    assert (tmp_path / "again" / "job.toml").read_bytes() == (out / "job.toml").read_bytes()


def test_a_folder_with_something_in_it_is_left_alone(tmp_path, meterlink):
    (tmp_path / "job.toml").write_text("mine")
    done = meterlink("demo", "--out", tmp_path)
    assert done.code == 2
    assert "is there already" in done.err
    assert [path.name for path in tmp_path.iterdir()] == ["job.toml"]


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_ctrl_c_ends_it_cleanly_and_what_was_recorded_is_valid(tmp_path):
    out = tmp_path / "demo"
    with subprocess.Popen(
        [sys.executable, "-m", "meterlink", "demo", "--out", str(out)],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as demo:
        assert demo.stderr is not None
        while "Test 1" not in demo.stderr.readline():
            assert demo.poll() is None
        demo.send_signal(signal.SIGINT)
        _, rest = demo.communicate(timeout=20)
    assert demo.returncode == 1
    assert "Stopped." in rest
    assert "Traceback" not in rest
    assert list(read_rows(out / "tests.csv")) == []
    (capture,) = (out / "captures").iterdir()
    with CaptureReader(capture) as reader:
        assert list(reader)
        assert reader.damaged_count == 0


def test_a_seed_gives_one_circuit():
    one, two, three = (invent(6, np.random.default_rng(seed)) for seed in (5, 5, 6))
    assert one == two
    assert one != three
    assert set(one[0].receptacles) == set(one[1].receptacles)


@pytest.mark.parametrize("receptacles", [1, 13])
def test_too_few_or_too_many_receptacles_are_wrong_usage(tmp_path, meterlink, receptacles):
    done = meterlink("demo", "--out", tmp_path / "demo", "--receptacles", receptacles)
    assert done.code == 2
    assert not (tmp_path / "demo").exists()


def test_the_operator_takes_a_moment_to_switch_off_as_a_person_does(monkeypatch):
    rng = np.random.default_rng(1)
    bench = SimulatedBench(invent(2, rng)[1], volts=120, load_amps=12, rng=rng)
    view = VisitView(1, VisitStage.ON, "Test 1", "Switch it OFF.", keys=(Key.LOAD_OFF,))
    visit = SimpleNamespace(view=view, is_certain=True, setup=None, progress=None, number=1)
    with demonstration.SimulatedOperator(bench, Quiet(), seed=1, speed=1, most_s=60) as operator:
        pressed = []
        for now_s in (10.0, 10.1, 10.0 + demonstration.ANSWER_S + 0.1):
            monkeypatch.setattr(operator, "_bench_s", lambda now_s=now_s: now_s)
            operator.show(visit)
            pressed.append([typed.what for typed in operator.typed()])
    assert pressed == [[], [], [Key.LOAD_OFF]]


class Quiet:
    """Nobody watches."""

    def __getattr__(self, name):
        return lambda *_: None


def test_the_status_line_says_stage_idle_and_jump():
    line = status(Progress(Stage.ON, None, idle_mv=6.1, jump_mv=209.4))
    assert "load is on" in line
    assert "idle 6.1 mV" in line
    assert "jump +209.4 mV" in line
