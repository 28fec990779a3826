"""``meterlink replay`` of many captures."""

import json
import os
import signal
import subprocess
import sys
import time
from concurrent.futures.process import BrokenProcessPool

import pytest
from lab.visits import write_visit

from meterlink.errors import LabError
from meterlink.lab import many
from meterlink.lab.gather import Task, into_one_job
from meterlink.lab.many import replay_into_one


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

    def broken(_task, _result):
        raise BrokenProcessPool

    monkeypatch.setattr(many, "_finished", broken)
    with pytest.raises(LabError, match="fewer --workers"):
        list(replay_into_one(tasks, tmp_path / "job", 2))


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
