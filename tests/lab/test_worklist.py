"""Which captures are meant, where each goes, and what is done; the journal can be lost."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lab.visits import write_visit

from meterlink.errors import LabError, UsageError
from meterlink.lab.worklist import JOURNAL_FILE, Done, Journal, captures_in, into_own_jobs


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


def test_what_was_entered_is_found_after_reopening(tmp_path):
    with Journal(tmp_path / "new") as journal:
        journal.add("abc", "flat", Done("visit.jsonl", 3))
    with Journal(tmp_path / "new") as journal:
        assert journal.find("abc", "flat") == Done("visit.jsonl", 3)
        assert journal.find("abc", "other") is None
        assert len(journal) == 1


def test_a_torn_last_line_costs_that_entry_only(tmp_path):
    with Journal(tmp_path) as journal:
        journal.add("a", "", Done("a.jsonl", 1))
        journal.add("b", "", Done("b.jsonl", 1))
    path = tmp_path / JOURNAL_FILE
    path.write_bytes(path.read_bytes()[:-20])
    with Journal(tmp_path) as journal:
        assert journal.find("b", "") is None
        journal.add("c", "", Done("c.jsonl", 1))
    with Journal(tmp_path) as journal:
        assert journal.find("a", "") == Done("a.jsonl", 1)
        assert journal.find("c", "") == Done("c.jsonl", 1)


_INFINITE = b'{"sha256": "a", "job": "", "capture": "x", "tests": Infinity}\n'


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(
    st.binary(max_size=200)
    | st.sampled_from([b"[" * 9000, b'{"sha256":1,"job":2}', b"null\n", _INFINITE])
)
def test_any_bytes_are_a_journal_without_those_entries(tmp_path, content):
    (tmp_path / JOURNAL_FILE).write_bytes(content)
    with Journal(tmp_path) as journal:
        assert journal.find("abc", "") is None


@pytest.mark.parametrize("times", [1, 2])
def test_an_entry_is_written_once(tmp_path, times):
    with Journal(tmp_path) as journal:
        for _ in range(times):
            journal.add("a", "", Done("a.jsonl", 1))
    assert (tmp_path / JOURNAL_FILE).read_bytes().count(b"\n") == 1
