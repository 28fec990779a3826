"""Rows that are written at once."""

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from strategies import rows

from meterlink.testlog.log import TestLog


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30)
@given(st.lists(rows(), max_size=4))
def test_rows_written_at_once_are_as_if_one_after_another(tmp_path, batch):
    for path in tmp_path.glob("*.csv"):
        path.unlink()
    with TestLog(tmp_path / "one.csv") as one, TestLog(tmp_path / "all.csv") as together:
        assert together.append_all(batch) == [one.append(row) for row in batch]
        assert together.next_test == len(batch) + 1
    assert (tmp_path / "all.csv").read_bytes() == (tmp_path / "one.csv").read_bytes()
