"""``meterlink map`` from a test log to words and JSON."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from meterlink.show.as_json import as_mapping, map_json
from meterlink.tree.wiring import First, Point, WiringMap


@pytest.fixture
def job(tmp_path, captures, meterlink):
    meterlink("replay", captures / "circuit-101" / "visit.jsonl", "--job", tmp_path / "job")
    return tmp_path / "job"


def test_json_has_the_keys_of_the_contract_first(job, captures, meterlink):
    done = meterlink("map", job, "--json")
    assert done.code == 0
    answer = json.loads(done.out)
    contract = ["first", "settled", "points", "splices", "doubts", "tests"]
    assert list(answer)[: len(contract)] == contract
    truth = json.loads((captures / "circuit-101" / "truth.json").read_text())
    assert answer["first"]["receptacle"] == truth["first"]
    assert answer["settled"] is True
    assert answer["tests"] == len(truth["tests"])
    assert list(answer["points"][0])[:7] == [
        "name", "fed_from", "probability", "run_mohm", "run_u_mohm", "run_m", "flags",
    ]  # fmt: skip
    fed_from = {point["name"]: point["fed_from"] for point in answer["points"]}
    assert fed_from[truth["first"]] == "panel"
    assert set(fed_from) == set(truth["receptacles"])


def test_the_drawing_names_every_receptacle_and_keeps_to_the_width(job, meterlink):
    done = meterlink("map", job, "--width", 60)
    assert done.code == 0
    assert all(len(line) <= 60 for line in done.out.splitlines())
    assert all(name in done.out for name in ("Window", "Bed", "Nook", "Piano", "panel"))
    assert "\x1b" not in done.out


def test_plain_characters_and_colour_are_there_where_asked_for(job, meterlink):
    assert meterlink("map", job, "--ascii").out.isascii()
    assert "\x1b[" in meterlink("map", job, "--colour").out


def test_a_job_without_tests_has_an_unsettled_map(job, meterlink):
    (job / "tests.csv").unlink()
    answer = json.loads(meterlink("map", job, "--json").out)
    assert answer["tests"] == 0
    assert answer["settled"] is False


def test_a_row_that_cannot_be_read_is_told_and_left_out(job, meterlink):
    log = job / "tests.csv"
    lines = log.read_text(encoding="utf-8").splitlines()
    lines[4] = lines[4].replace("neutral-ground", "neutral-moon")
    log.write_text("\n".join(lines) + "\n")
    done = meterlink("map", job, "--json")
    assert done.code == 0
    assert "tests.csv, line 5: hookup is 'neutral-moon'" in done.err
    assert json.loads(done.out)["tests"] == 9


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("Piano", "Flute", "names? 'Flute'|at 'Flute'"),
        ("test,time", "tast,time", "line 1: the header row lacks test"),
    ],
)
def test_a_log_that_does_not_fit_the_job_is_refused(job, meterlink, old, new, message):
    log = job / "tests.csv"
    log.write_text(log.read_text(encoding="utf-8").replace(old, new))
    done = meterlink("map", job)
    assert (done.code, done.out) == (1, "")
    assert re.search(message, done.err)


def test_a_folder_that_is_no_job_is_told(tmp_path, meterlink):
    done = meterlink("map", tmp_path)
    assert done.code == 1
    assert "job.toml is not there" in done.err


def test_wrong_usage_ends_with_2(meterlink):
    assert meterlink("map").code == 2
    assert meterlink("map", "x", "--width", "1").code == 2


def test_what_is_not_known_is_null_and_json_stays_json():
    nothing = WiringMap(
        First(None, 0.4),
        settled=False,
        order_probability=0.4,
        points=(Point("Desk", "panel", 0.5, 30.0, float("inf"), None),),
        splices=(),
        doubts=(),
        tests=0,
    )
    answer = json.loads(map_json(nothing))
    assert answer["first"] == {"receptacle": None, "probability": 0.4}
    assert answer["points"][0]["run_u_mohm"] is None
    assert answer["points"][0]["run_m"] is None
    assert as_mapping(nothing)["tests"] == 0


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device of Linux")
def test_a_full_disk_behind_standard_output_is_told(job):
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "meterlink", "map", str(job), "--json"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 1
    assert "No space left on device" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_a_load_without_a_stated_current_is_said_to_be_assumed(meterlink, tmp_path):
    names = '[circuit]\nname = "x"\nreceptacles = ["A", "B"]\n'
    (tmp_path / "job.toml").write_text(names)
    test = ["--hookup", "neutral-ground", "--lead-a", "A", "--load-at", "A"]
    meterlink("enter", tmp_path, *test, "--idle", 5, "--on", 400)
    assert "current of the load is not known" in meterlink("map", tmp_path).err
    (tmp_path / "job.toml").write_text(names + "[load]\namps = 11\n")
    assert "current of the load" not in meterlink("map", tmp_path).err


def test_one_receptacle_without_a_test_has_one_order_and_is_not_called_certain(meterlink, tmp_path):
    job = tmp_path / "job"
    meterlink("start", job, "--receptacle", "Desk", "--confirm-cautions")
    out = meterlink("map", job).out
    assert "there is only one; nothing was tested yet" in out
    assert "certain" not in out
    assert "settled" not in out
    following = meterlink("next", job).out
    assert following.startswith("There is only one order; nothing was tested yet.")
    assert "ettled" not in following
