"""The journal saves work and can be lost."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from meterlink.lab.journal import JOURNAL_FILE, Done, Journal


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
