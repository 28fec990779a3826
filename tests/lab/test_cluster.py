"""``meterlink replay --cluster``: a Dask cluster of two processes on this computer, one killed."""

import importlib.util
import json
import re
import subprocess
import sys
import threading
import time

import pytest
from lab.visits import write_visit

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("distributed") is None, reason="needs the extra cluster"
)
WITHIN_S = 90.0


def wait_for(true, what):
    until = time.monotonic() + WITHIN_S
    while not (found := true()):
        assert time.monotonic() < until, what
        threading.Event().wait(0.02)
    return found


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """Address of a scheduler, and its two workers, without nannies that would bring them back."""
    folder = tmp_path_factory.mktemp("cluster")
    where = folder / "scheduler.json"
    dask = [sys.executable, "-m", "distributed.cli"]
    commands = [
        [dask[0], "-m", "distributed.cli.dask_scheduler", "--port", "0", "--no-dashboard",
         "--scheduler-file", str(where), "--host", "127.0.0.1"],
        *[[dask[0], "-m", "distributed.cli.dask_worker", "--scheduler-file", str(where),
           "--no-nanny", "--nthreads", "1", "--no-dashboard", "--name", f"w{k}",
           "--local-directory", str(folder)] for k in range(2)],
    ]  # fmt: skip
    logs = [(folder / f"{k}.log").open("wb") for k in range(3)]
    running = [
        subprocess.Popen(command, stdout=log, stderr=log, cwd=folder)
        for command, log in zip(commands, logs, strict=True)
    ]
    try:
        wait_for(where.exists, "scheduler")
        address = wait_for(lambda: re.search(r'"address": "([^"]+)"', where.read_text()), "address")
        for k in (1, 2):
            wait_for(lambda k=k: b"Registered to" in (folder / f"{k}.log").read_bytes(), "worker")
        yield address[1], running[1:]
    finally:
        for process in running:
            process.kill()
            process.wait()
        for log in logs:
            log.close()


def replay(recordings, *options):
    words = [sys.executable, "-m", "meterlink", "replay", str(recordings), "--json"]
    return subprocess.Popen(
        [*words, *map(str, options)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def logs_below(folder):
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("tests.csv"))
    }


def test_a_cluster_one_of_whose_workers_is_killed_gives_the_same_files(tmp_path, cluster):
    address, workers = cluster
    recordings = tmp_path / "recordings"
    for seed in range(30):
        write_visit(recordings / f"{seed:02}.jsonl", seed=seed)
    here = replay(recordings, "--jobs", tmp_path / "here", "--workers", 1)
    assert here.communicate(timeout=WITHIN_S)[0]
    process = replay(recordings, "--jobs", tmp_path / "there", "--cluster", address)
    wait_for(lambda: len(logs_below(tmp_path / "there")) > 4, "some are done")
    assert process.poll() is None
    workers[0].kill()
    out, err = process.communicate(timeout=WITHIN_S)
    assert process.returncode == 0, err
    done = json.loads(out)
    assert (done["tests"], done["failed"]) == (60, [])
    # What the killed worker had logged already is not logged again.
    assert 56 <= done["added"] <= 60
    assert logs_below(tmp_path / "there") == logs_below(tmp_path / "here")
    one = replay(recordings, "--job", tmp_path / "one", "--cluster", address)
    out, err = one.communicate(timeout=WITHIN_S)
    assert one.returncode == 0, err
    plain = replay(recordings, "--job", tmp_path / "plain", "--workers", 1)
    plain.communicate(timeout=WITHIN_S)
    assert logs_below(tmp_path / "one") == logs_below(tmp_path / "plain")


def test_a_scheduler_that_does_not_answer_is_said(tmp_path):
    write_visit(tmp_path / "recordings" / "1.jsonl")
    write_visit(tmp_path / "recordings" / "2.jsonl", seed=2)
    process = replay(
        tmp_path / "recordings", "--jobs", tmp_path / "j", "--cluster", "tcp://127.0.0.1:9"
    )
    _, err = process.communicate(timeout=WITHIN_S)
    assert process.returncode == 1
    assert "No Dask scheduler answers at tcp://127.0.0.1:9" in err
    assert "Traceback" not in err
