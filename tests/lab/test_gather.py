"""Which captures are meant, and where each goes."""

import pytest
from lab.visits import write_visit

from meterlink.errors import LabError, UsageError
from meterlink.lab.gather import captures_in, into_own_jobs


def names(found):
    return [str(relative) for _, relative in found]


def test_a_folder_gives_all_captures_below_it_in_the_order_of_their_names(tmp_path):
    for name in (
        "b.jsonl",
        "a/2.jsonl",
        "a/1.jsonl",
        ".hidden.jsonl",
        ".git/x.jsonl",
        "a/truth.json",
    ):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    assert names(captures_in([tmp_path])) == ["b.jsonl", "a/1.jsonl", "a/2.jsonl"]


def test_copies_that_a_job_keeps_are_left_out(tmp_path):
    write_visit(tmp_path / "job" / "captures" / "kept.jsonl")
    (tmp_path / "job" / "job.toml").touch()
    write_visit(tmp_path / "captures" / "new.jsonl")
    assert names(captures_in([tmp_path])) == ["captures/new.jsonl"]


def test_files_are_taken_as_they_are_given_and_once(tmp_path):
    first, second = tmp_path / "z.txt", tmp_path / "a.jsonl"
    first.touch()
    second.touch()
    assert names(captures_in([first, second, first, tmp_path])) == ["z.txt", "a.jsonl"]


def test_a_folder_without_a_capture_is_refused(tmp_path):
    with pytest.raises(LabError, match="holds no capture"):
        captures_in([tmp_path])


def test_jobs_are_named_as_captures_are(tmp_path):
    write_visit(tmp_path / "in" / "flat" / "one.jsonl")
    (task,) = into_own_jobs([tmp_path / "in"], tmp_path / "out")
    assert task.job == tmp_path / "out" / "flat" / "one"


def test_two_captures_of_one_name_are_refused(tmp_path):
    for folder in ("x", "y"):
        write_visit(tmp_path / folder / "one.jsonl")
    with pytest.raises(UsageError, match="would both go into"):
        into_own_jobs([tmp_path / "x", tmp_path / "y"], tmp_path / "out")
