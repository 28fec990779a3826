"""``meterlink replay`` of many captures."""

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from pathlib import Path

import pytest
from lab.visits import write_visit

from meterlink.errors import LabError
from meterlink.lab import many
from meterlink.lab.many import HERE, Workers, processes, replay_into_one, replay_into_own
from meterlink.lab.worklist import Task, into_one_job, into_own_jobs


@pytest.fixture
def recordings(tmp_path):
    """Five captures of two tests each."""
    for seed in range(5):
        write_visit(tmp_path / "recordings" / f"{seed}.jsonl", seed=seed)
    return tmp_path / "recordings"


def logs_below(folder):
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("tests.csv"))
    }


def test_the_log_does_not_depend_on_the_number_of_workers(tmp_path, meterlink, recordings):
    for workers in (1, 3):
        job = tmp_path / f"job{workers}"
        run = meterlink("replay", recordings, "--job", job, "--workers", workers)
        assert run.code == 0
        assert "5 captures: 5 read, 0 done before, 0 failed; 10 tests, 10 appended" in run.out
    assert logs_below(tmp_path / "job1") == logs_below(tmp_path / "job3")


def test_captures_into_jobs_of_their_own_are_as_if_replayed_alone(tmp_path, meterlink, recordings):
    run = meterlink("replay", recordings, "--jobs", tmp_path / "many", "--workers", 2)
    assert run.code == 0
    for path in sorted(recordings.iterdir()):
        assert meterlink("replay", path, "--job", tmp_path / "alone" / path.stem).code == 0
    assert logs_below(tmp_path / "many") == logs_below(tmp_path / "alone")


def test_what_was_done_is_skipped_and_what_failed_is_listed(tmp_path, meterlink, recordings):
    (recordings / "1.jsonl").write_bytes(b"no capture\n")
    write_visit(recordings / "2.jsonl", names=("Hall", "Attic"))
    job = tmp_path / "job"
    run = meterlink("replay", recordings, "--job", job, "--workers", 1)
    assert run.code == 1
    assert "5 captures: 3 read, 0 done before, 2 failed; 6 tests, 6 appended" in run.out
    assert "1.jsonl" in run.out
    assert "'Hall'" in run.out
    before = logs_below(job)
    content = json.loads(
        meterlink("replay", recordings, "--job", job, "--workers", 1, "--json").out
    )
    assert (content["done_before"], content["added"], len(content["failed"])) == (3, 0, 2)
    assert logs_below(job) == before


def test_rows_taken_out_of_the_log_by_hand_come_back(tmp_path, meterlink, recordings):
    job = tmp_path / "job"
    meterlink("replay", recordings, "--job", job, "--workers", 1)
    log = job / "tests.csv"
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join(lines[:-3]))
    run = meterlink("replay", recordings, "--job", job, "--workers", 1)
    assert "2 read, 3 done before, 0 failed; 10 tests, 3 appended" in run.out
    assert log.read_bytes().splitlines(keepends=True) == lines


def test_a_replay_killed_half_way_goes_on_to_the_same_log(tmp_path, meterlink, recordings):
    for seed in range(5, 12):
        write_visit(recordings / f"{seed:02}.jsonl", seed=seed, tests=1)
    whole, killed = tmp_path / "whole", tmp_path / "killed"
    assert meterlink("replay", recordings, "--job", whole, "--workers", 1).code == 0
    log = killed / "tests.csv"
    command = [sys.executable, "-m", "meterlink", "replay", str(recordings), "--job", str(killed)]
    with subprocess.Popen(
        [*command, "--workers", "2"], stdout=subprocess.PIPE, start_new_session=True
    ) as process:
        deadline = time.monotonic() + 60
        while not log.exists() or log.read_bytes().count(b"\n") < 8:
            assert time.monotonic() < deadline
            assert process.poll() is None
        os.killpg(process.pid, signal.SIGKILL)
    assert meterlink("replay", recordings, "--job", killed, "--workers", 1).code == 0
    assert logs_below(killed) == logs_below(whole)


def test_a_copy_that_was_not_finished_is_no_recording_and_goes(tmp_path, meterlink, recordings):
    job = tmp_path / "job"
    whole = min(recordings.glob("*.jsonl"))
    (job / "captures").mkdir(parents=True)
    (job / "captures" / f".{whole.name}.x1y2.part").write_bytes(whole.read_bytes()[:-100])
    assert meterlink("replay", whole, "--job", job, "--workers", 1).code == 0
    assert [path.name for path in (job / "captures").iterdir()] == [whole.name]
    assert f",{whole.name}," in (job / "tests.csv").read_text()


def test_two_captures_of_one_name_are_both_kept_and_one_visit_is_kept_once(tmp_path, meterlink):
    one = write_visit(tmp_path / "x" / "visit.jsonl", seed=1)
    other = write_visit(tmp_path / "y" / "visit.jsonl", seed=2)
    copy = write_visit(tmp_path / "z" / "copy.jsonl", seed=1)
    run = meterlink("replay", one, other, copy, "--job", tmp_path / "job", "--workers", 1)
    assert run.code == 0
    assert "6 tests, 4 appended" in run.out
    assert len(list((tmp_path / "job" / "captures").iterdir())) == 2


def test_a_worker_ended_from_outside_is_said_with_what_to_do(tmp_path, monkeypatch, recordings):
    tasks = into_one_job([recordings], tmp_path / "job")

    def broken(_task, _result, _workers):
        raise BrokenProcessPool

    monkeypatch.setattr(many, "_finished", broken)
    with processes(2) as workers, pytest.raises(LabError, match="fewer --workers"):
        list(replay_into_one(tasks, tmp_path / "job", workers))


def test_a_fault_in_one_capture_does_not_end_the_others(monkeypatch, tmp_path, recordings):
    def faulty(_capture, _folder):
        raise ZeroDivisionError

    monkeypatch.setattr(many, "read_visit", faulty)
    result = many._measure(Task(recordings / "0.jsonl", tmp_path / "job"))
    assert "please report it: ZeroDivisionError" in result.error


@pytest.mark.parametrize("options", [[], ["--job", "a", "--jobs", "b"]])
def test_one_of_job_and_jobs_is_needed(meterlink, recordings, options):
    run = meterlink("replay", recordings, *options)
    assert run.code == 2
    assert "--jobs DIR for a job for each capture" in run.err


@pytest.mark.parametrize("into", ["one", "own"])
def test_any_executor_gives_the_same_files(tmp_path, recordings, into):
    # Another working folder is as good: paths go out absolute.
    for name in ("here", "threads"):
        job = tmp_path / name
        with ThreadPoolExecutor(3) as pool:
            workers = HERE if name == "here" else Workers(pool, 3, elsewhere=True)
            if into == "one":
                outcomes = list(replay_into_one(into_one_job([recordings], job), job, workers))
            else:
                outcomes = list(replay_into_own(into_own_jobs([recordings], job), job, workers))
        assert [outcome.added for outcome in outcomes] == [2] * 5
    assert logs_below(tmp_path / "here") == logs_below(tmp_path / "threads")


def test_a_capture_that_nobody_can_measure_is_one_failure(tmp_path, recordings):
    class Reluctant(ThreadPoolExecutor):
        def submit(self, work, task):
            if task.capture.name == "2.jsonl":
                return super().submit(divmod, 1, 0)
            return super().submit(work, task)

    with Reluctant(2) as pool:
        tasks = into_own_jobs([recordings], tmp_path / "jobs")
        outcomes = list(replay_into_own(tasks, tmp_path / "jobs", Workers(pool, 2)))
    assert [bool(outcome.error) for outcome in outcomes] == [False, False, True, False, False]
    assert "nobody could measure it: ZeroDivisionError" in outcomes[2].error


def test_work_that_nobody_does_any_more_is_not_waited_for(tmp_path, recordings):
    never = Future()

    class Idle(ThreadPoolExecutor):
        def submit(self, work, task):
            return never

    with Idle(1) as pool:
        workers = Workers(pool, 1, alive=lambda: False, patience_s=0.01)
        with pytest.raises(LabError, match="No worker is left"):
            list(replay_into_own(into_own_jobs([recordings], tmp_path), tmp_path, workers))


def group_of(process):
    """Processes of its group that run, by the system's list."""
    found = []
    for entry in Path("/proc").iterdir():
        with suppress(OSError, ValueError):
            fields = (entry / "stat").read_text().rpartition(")")[2].split()
            if int(fields[2]) == process.pid and fields[0] != "Z":
                found.append(int(entry.name))
    return found


@pytest.fixture
def many_recordings(tmp_path):
    for seed in range(20):
        write_visit(tmp_path / "recordings" / f"{seed:02}.jsonl", seed=seed)
    return tmp_path / "recordings"


def replay_process(recordings, job):
    words = ["replay", str(recordings), "--job", str(job), "--workers", "2"]
    return subprocess.Popen(
        [sys.executable, "-m", "meterlink", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def wait_for_rows(job, rows, process):
    log, deadline = job / "tests.csv", time.monotonic() + 60
    while not log.exists() or log.read_bytes().count(b"\n") <= rows:
        assert time.monotonic() < deadline
        assert process.poll() is None
        threading.Event().wait(0.01)


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
def test_workers_end_with_their_parent(tmp_path, many_recordings):
    process = replay_process(many_recordings, tmp_path / "job")
    wait_for_rows(tmp_path / "job", 6, process)
    assert len(group_of(process)) > 2
    process.kill()
    # The pipes close only once nobody holds them: workers that lived on would keep them open.
    process.communicate(timeout=20)
    deadline = time.monotonic() + 20
    while group_of(process):
        assert time.monotonic() < deadline, group_of(process)
        threading.Event().wait(0.02)


@pytest.mark.parametrize("name", ["INT", "TERM"])
def test_a_replay_that_is_stopped_says_what_is_done_and_goes_on(
    tmp_path, meterlink, many_recordings, name
):
    job = tmp_path / "job"
    process = replay_process(many_recordings, job)
    wait_for_rows(job, 6, process)
    process.send_signal(getattr(signal, f"SIG{name}"))
    out, err = process.communicate(timeout=30)
    assert process.returncode == 1
    done = re.search(r"(\d+) captures?: (\d+) read", out)
    more = re.search(r"stopped before (\d+) more; the same command goes on with them", out)
    assert done is not None, err
    assert more is not None
    assert int(done[1]) + int(more[1]) == 20
    assert "Traceback" not in err
    rest = meterlink("replay", many_recordings, "--job", job, "--workers", 1)
    assert rest.code == 0
    whole = tmp_path / "whole"
    meterlink("replay", many_recordings, "--job", whole, "--workers", 1)
    assert logs_below(job) == logs_below(whole)


def test_workers_and_cluster_exclude_each_other(meterlink, recordings, tmp_path):
    run = meterlink(
        "replay", recordings, "--job", tmp_path, "--workers", 2, "--cluster", "tcp://x:1"
    )
    assert run.code == 2
    assert "Choose one" in run.err


def test_without_dask_it_is_said_what_to_install(meterlink, recordings, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    run = meterlink("replay", recordings, "--job", tmp_path / "j", "--cluster", "tcp://x:1")
    assert run.code == 1
    assert "pip install 'distributed" in run.err
