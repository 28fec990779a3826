"""Logs of any version and in any state into a table of trials."""

import os
import tracemalloc
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lab.logs import drops, write_log

from meterlink.errors import LabError, LogError, MeterlinkError, UsageError
from meterlink.lab import table
from meterlink.lab.export import export_logs
from meterlink.lab.read_logs import check_values, group_text, read_trials
from meterlink.lab.table import Condition, Question
from meterlink.testlog.columns import COLUMNS
from meterlink.testlog.findings import left_out_text, withdraw


def read(path, **question):
    return read_trials([path], Question(**question))


def values_of(trials):
    return [series.value.tolist() for series in trials.table.series()]


def test_rows_of_one_setup_are_one_series_in_the_order_of_the_log(tmp_path):
    rows = [*drops(3, 1, 2), {"drop_mV": 9, "load_at": "Desk"}, *drops(5)]
    trials = read(write_log(tmp_path / "log.csv", rows))
    assert values_of(trials) == [[3, 1, 2, 5], [9]]
    first = trials.table.series()[0]
    assert group_text(first.key[0]) == "neutral-neutral Desk to Door, load at Bed"
    assert first.test.tolist() == [1, 2, 3, 5]
    assert np.diff(first.time_s).tolist() == [60, 60, 120]
    assert first.u.tolist() == [1, 1, 1, 1]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
def test_a_pipe_in_the_place_of_a_log_is_refused_and_nobody_waits_for_it(tmp_path):
    os.mkfifo(tmp_path / "log.csv")
    with pytest.raises(LogError, match="a pipe or device"):
        read(tmp_path / "log.csv")
    with pytest.raises(LogError, match="a pipe or device"):
        export_logs([tmp_path / "log.csv"], tmp_path / "all.csv", print)


def test_several_logs_follow_each_other_and_one_named_twice_is_read_once(tmp_path):
    (tmp_path / "job").mkdir()
    write_log(tmp_path / "job" / "tests.csv", drops(1, 2))
    other = write_log(tmp_path / "other.csv", drops(7))
    trials = read_trials([tmp_path / "job", other, tmp_path / "job" / "tests.csv"], Question())
    assert values_of(trials) == [[1, 2, 7]]
    assert trials.table.series()[0].log.tolist() == [0, 0, 1]
    assert "read once" in trials.remarks[0]


def test_a_log_can_be_a_level_and_so_can_a_day_or_an_extra_column(tmp_path):
    rows = [{"drop_mV": 1, "meter": "M1"}, {"drop_mV": 2, "meter": "M2", "time": "2026-03-04"}]
    path = write_log(tmp_path / "log.csv", rows, extra=("meter",))
    trials = read(path, factors=("meter", "day"), groups=("log",))
    (series,) = trials.table.series()
    assert series.key == (str(path),)
    assert [list(codes.codes) for codes in trials.table.factor_codes] == [
        ["M1", "M2"],
        ["2026-03-02", "2026-03-04"],
    ]


def test_an_older_log_without_stated_uncertainty_is_read_with_a_remark(tmp_path):
    path = write_log(tmp_path / "old.csv", drops(1, 2), without=("drop_u_mV", "limit_mV", "flags"))
    trials = read(path)
    assert values_of(trials) == [[1, 2]]
    assert np.isnan(trials.table.series()[0].u).all()
    assert "no column drop_u_mV" in trials.remarks[0]


def test_millivolts_per_amp_are_milliohms_with_their_uncertainty(tmp_path):
    path = write_log(
        tmp_path / "log.csv", [{"drop_mV": 120, "amps": 12}, {"drop_mV": 5, "amps": ""}]
    )
    trials = read(path, per_amp=True)
    (series,) = trials.table.series()
    assert series.value.tolist() == [10]
    assert series.u.tolist() == pytest.approx([1 / 12])
    assert series.tally.empty == 1
    assert Question(per_amp=True).unit == "mohm"


@pytest.mark.parametrize("cell", ["12 mV", "12,5", "nan", "inf", "1e999", "1_0", "twelve", "0x1p3"])
def test_a_figure_with_a_unit_or_none_at_all_is_named_and_left_out(tmp_path, cell):
    trials = read(write_log(tmp_path / "log.csv", drops(1, cell, 3)))
    assert values_of(trials) == [[1, 3]]
    assert trials.problem_count == 1
    assert "line 3: drop_mV is " in trials.problems[0]
    assert "no unit" in trials.problems[0]


def test_ten_thousand_bad_figures_are_counted_and_ten_are_told(tmp_path):
    trials = read(write_log(tmp_path / "log.csv", drops(*["1 V"] * 10_000)))
    assert (trials.problem_count, len(trials.problems)) == (10_000, 10)
    with pytest.raises(LabError, match="10000 rows could not be used"):
        check_values(trials)


def test_rows_without_a_value_are_counted(tmp_path):
    trials = read(write_log(tmp_path / "log.csv", drops(1, "", " ", 2)))
    assert trials.table.series()[0].tally.empty == 2
    assert trials.table.series()[0].tally.verdicts == {"in-path": 4}


@pytest.mark.parametrize(
    ("header", "hint"),
    [
        ("test,time,hookup,drop_V", "It has drop_V: convert it"),
        ("test,time,hookup,Drop_mV", "Did you mean Drop_mV|It has Drop_mV"),
        ("date;reading", "Its columns: date, reading"),
    ],
)
def test_a_column_in_another_unit_or_none_is_refused_with_what_there_is(tmp_path, header, hint):
    path = tmp_path / "log.csv"
    path.write_text(f"{header}\n1,2,3,4\n")
    with pytest.raises(UsageError, match=hint):
        read(path)


@pytest.mark.parametrize("content", [b"", b"\xef\xbb\xbf", b"\r\n\r\n"])
def test_an_empty_file_is_no_log(tmp_path, content):
    (tmp_path / "log.csv").write_bytes(content)
    with pytest.raises(LogError, match="is empty"):
        read(tmp_path / "log.csv")


def test_what_cannot_be_opened_is_said(tmp_path):
    for path in (tmp_path / "missing.csv", tmp_path):
        with pytest.raises(LogError, match="cannot be read"):
            read(path)


def test_a_row_of_another_width_is_named_and_the_rest_is_read(tmp_path):
    path = write_log(tmp_path / "log.csv", drops(1, 2))
    with path.open("a") as stream:
        stream.write("3,short\n")
    trials = read(path)
    assert values_of(trials) == [[1, 2]]
    assert f"line 4: it has 2 cells; the header has {len(COLUMNS)}" in trials.problems[0]


def test_a_quote_that_never_ends_is_told_with_the_lines_that_it_swallows(tmp_path):
    path = write_log(tmp_path / "log.csv", drops(1))
    with path.open("a") as stream:
        stream.write('2,"torn\n3,4\n')
    trials = read(path)
    assert values_of(trials) == [[1]]
    assert "lines 3 to 4" in trials.problems[0]


def test_a_line_without_end_is_refused_in_bounded_memory(tmp_path):
    path = tmp_path / "log.csv"
    with path.open("wb") as stream:
        stream.truncate(1 << 30)  # a gibibyte of zeros, sparse
    tracemalloc.start()
    with pytest.raises(LogError, match="line 1 has no end"):
        read(path)
    assert tracemalloc.get_traced_memory()[1] < 20 << 20
    tracemalloc.stop()


def test_more_rows_or_groups_than_planned_for_are_refused(tmp_path, monkeypatch):
    path = write_log(tmp_path / "log.csv", drops(*range(5)))
    monkeypatch.setattr(table, "MAX_LEVELS", 4)
    with pytest.raises(LabError, match="more than 4 different values"):
        read(path, groups=("test",))
    monkeypatch.setattr(table, "MAX_ROWS", 4)
    with pytest.raises(LabError, match="more than 4 rows"):
        read(path)


def test_a_row_takes_some_fifty_bytes(tmp_path):
    rows = 4_000
    path = write_log(tmp_path / "log.csv", drops(*range(rows)))
    tracemalloc.start()
    trials = read(path)
    held = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    assert len(trials.table) == rows
    assert held / rows < 100


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(
    st.binary(max_size=300)
    | st.text(alphabet='drop_mV,"\n\r test;\x00', max_size=80).map(str.encode)
)
def test_any_bytes_are_read_or_refused(tmp_path, content):
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    try:
        read(path, groups=("test",))
    except MeterlinkError:
        return


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40)
@given(st.binary(max_size=300))
def test_any_bytes_after_good_rows_leave_those_rows(tmp_path, content):
    path = write_log(tmp_path / "log.csv", drops(1, 2))
    with path.open("ab") as stream:
        stream.write(content)
    trials = read(path)
    assert trials.table.series()[0].value.tolist()[:2] == [1, 2]


def test_names_of_columns_that_command_a_terminal_are_shown_harmless(tmp_path):
    (tmp_path / "odd.csv").write_bytes(b"\x1b[2J,test\n1,2\n")
    with pytest.raises(UsageError) as refused:
        read_trials([tmp_path / "odd.csv"], Question())
    assert "\x1b" not in str(refused.value)


def test_tests_of_a_job_that_were_taken_back_are_left_out_and_counted(tmp_path):
    path = write_log(tmp_path / "tests.csv", drops(1, 2, 900, 4))
    withdraw(tmp_path, 3, datetime(2026, 5, 4, tzinfo=UTC))
    withdraw(tmp_path, 99, datetime(2026, 5, 4, tzinfo=UTC))  # not in this log: not told
    for place in (tmp_path, path):
        trials = read(place)
        assert values_of(trials) == [[1, 2, 4]]
        assert trials.withdrawn == {(str(place), 3)}
        (remark,) = trials.remarks
        assert remark == f"{path}: 1 test was removed and is left out: 3 (withdrawn.jsonl)."
    assert values_of(read(tmp_path, left_out=frozenset({(str(tmp_path), 3)}))) == [[1, 2, 4]]


@pytest.mark.parametrize("written", ["2.0", " 2", "2.00"])
def test_a_removed_test_is_left_out_however_a_table_program_writes_its_number(tmp_path, written):
    rows = [{"drop_mV": 1}, {"drop_mV": 900, "test": written}, {"drop_mV": 3}]
    write_log(tmp_path / "tests.csv", rows)
    withdraw(tmp_path, 2, datetime(2026, 5, 4, tzinfo=UTC))
    assert values_of(read(tmp_path)) == [[1, 3]]
    assert export_logs([tmp_path], tmp_path / "all.csv", print).rows == 2


def test_a_log_beside_a_job_keeps_its_tests(tmp_path):
    withdraw(tmp_path, 1, datetime(2026, 5, 4, tzinfo=UTC))
    trials = read(write_log(tmp_path / "copy.csv", drops(1, 2)))
    assert values_of(trials) == [[1, 2]]
    assert trials.remarks == []


def test_a_log_of_which_all_was_taken_back_says_so(tmp_path):
    write_log(tmp_path / "tests.csv", drops(1))
    withdraw(tmp_path, 1, datetime(2026, 5, 4, tzinfo=UTC))
    with pytest.raises(LabError, match="removed do not count: 1"):
        check_values(read(tmp_path))


def test_many_that_were_taken_back_are_counted_and_the_first_named():
    text = left_out_text("job/tests.csv", range(1, 41))
    assert text.startswith("job/tests.csv: 40 tests were removed and are left out: 1, 2, 3, ")
    assert "19, 20 and 20 more (" in text


def columns(path, sign, encoding="utf-8", numbers=("1,5", "2,5", "3,5")):
    """A log as a table program writes it."""
    head = ["test", "time", "hookup", "lead_a", "lead_b", "load_at", "drop_mV", "drop_u_mV"]
    lines = [sign.join(head)]
    for place, number in enumerate(numbers, 1):
        cells = [str(place), f"2026-03-0{place}", "neutral-neutral", "Desk", "Door", "Bed"]
        lines.append(sign.join([*cells, number, "0,1"]))
    path.write_text("\r\n".join(lines) + "\r\n", encoding=encoding, newline="")
    return path


@pytest.mark.parametrize("sign", [";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_what_a_table_program_made_of_a_log_is_read_and_said(tmp_path, sign, encoding):
    trials = read(columns(tmp_path / "log.csv", sign, encoding))
    assert values_of(trials) == [[1.5, 2.5, 3.5]]
    said = " ".join(trials.remarks)
    assert ("semicolons" if sign == ";" else "tabs") in said
    assert ("UTF-16" in said) is encoding.startswith("utf-16")


@pytest.mark.parametrize(
    ("cell", "reason"),
    [
        ("12,5", "a decimal comma"),
        ("12 mV", "a unit in the cell"),
        ("12mV", "a unit in the cell"),
        ("nan", "nan or infinity"),
        ("-inf", "nan or infinity"),
        ("1e400", "nan or infinity"),
        ("1e100", "a figure too large for any meter"),
        ("-1e300", "a figure too large for any meter"),
        ("twelve", "no number"),
    ],
)
def test_why_all_rows_were_bad_is_said_with_the_first_of_them(tmp_path, cell, reason):
    trials = read(write_log(tmp_path / "log.csv", drops(*[cell] * 3)))
    with pytest.raises(LabError) as refused:
        check_values(trials)
    assert f"3 with {reason}" in str(refused.value)
    assert "log.csv, line 2: drop_mV is" in str(refused.value)


def test_an_uncertainty_below_zero_is_not_used_and_said(tmp_path):
    rows = [{"drop_mV": 1, "drop_u_mV": -0.5}, {"drop_mV": 2, "drop_u_mV": 0.5}]
    trials = read(write_log(tmp_path / "log.csv", rows))
    assert np.isnan(trials.table.series()[0].u).tolist() == [True, False]
    assert "1 rows state an uncertainty below zero; it is not used." in trials.remarks


def test_test_numbers_that_a_log_has_twice_are_named(tmp_path):
    rows = drops(1, 2, 3, 4)
    rows[3]["test"] = 2
    trials = read(write_log(tmp_path / "log.csv", rows))
    assert any("more than one row of test 2;" in text for text in trials.remarks)
    clean = read(write_log(tmp_path / "other.csv", drops(1, 2)))
    assert clean.remarks == []


def test_a_column_that_is_there_twice_is_named(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("hookup,lead_a,lead_b,load_at,drop_mV,drop_mV,drop_u_mV\nh,A,B,C,1,99,0.1\n")
    trials = read(path)
    assert values_of(trials) == [[1]]
    assert any("more than one column drop_mV; the first" in text for text in trials.remarks)


def test_names_that_differ_in_blanks_and_capitals_alone_are_named(tmp_path):
    rows = [{"drop_mV": 1}, {"drop_mV": 2, "lead_a": "Desk "}, {"drop_mV": 3, "lead_a": "desk"}]
    trials = read(write_log(tmp_path / "log.csv", rows))
    assert len(values_of(trials)) == 3
    assert "'Desk' and 'Desk ' count as two names" in " ".join(trials.remarks)
    assert "'Desk' and 'desk' count as two names" in " ".join(trials.remarks)
    levels = read(tmp_path / "log.csv", groups=(), factors=("lead_a",))
    assert "'Desk' and 'desk' count as two names" in " ".join(levels.remarks)


def test_a_copy_of_a_log_is_read_once_and_said(tmp_path):
    first = write_log(tmp_path / "one.csv", drops(1, 2))
    copy = tmp_path / "copy.csv"
    copy.write_bytes(first.read_bytes())
    other = write_log(tmp_path / "other.csv", drops(3, 4))
    trials = read_trials([first, copy, other], Question())
    assert values_of(trials) == [[1, 2, 3, 4]]
    assert f"{copy} is a copy of {first}; it is read once." in trials.remarks


def chosen(tmp_path, *conditions, **question):
    rows = [
        {"drop_mV": 1, "operator": "Ann", "flags": "late"},
        {"drop_mV": 2, "operator": "Ben", "flags": ""},
        {"drop_mV": 3, "operator": "Ann", "flags": "early late", "verdict": "unclear"},
    ]
    path = write_log(tmp_path / "log.csv", rows, extra=("operator",))
    trials = read(path, conditions=conditions, **question)
    return [value for values in values_of(trials) for value in values], trials


@pytest.mark.parametrize(
    ("condition", "values"),
    [
        (Condition("operator", "Ann", wanted=True), [1]),
        (Condition("operator", "Ann", wanted=False), [2]),
        (Condition("flags", "late", wanted=False), [2]),
        (Condition("flags", "", wanted=True), [2]),
        (Condition("flags", "early", wanted=True), []),
        (Condition("verdict", "unclear", wanted=True), [3]),
        (Condition("day", "2026-03-02", wanted=True), [1, 2]),
    ],
    ids=str,
)
def test_rows_are_chosen_by_level_flag_verdict_and_day(tmp_path, condition, values):
    found, trials = chosen(tmp_path, condition)
    assert found == values
    assert trials.filtered.total() == (0 if condition.column == "day" else 3 - len(values)) or (
        condition.text in ("Ann", "early")
    )
    if trials.filtered:
        assert f"rows are left out: {condition}." in " ".join(trials.remarks)


def test_rows_are_chosen_by_time(tmp_path):
    start = datetime(2026, 3, 2, 9, tzinfo=UTC).timestamp()
    found, _ = chosen(tmp_path, since_s=start + 30, all_verdicts=True)
    assert found == [2, 3]
    found, _ = chosen(tmp_path, until_s=start + 90)
    assert found == [1, 2]


def test_a_level_that_no_row_has_is_refused_with_those_that_are_there(tmp_path):
    with pytest.raises(UsageError, match="operator has: Ann, Ben"):
        chosen(tmp_path, Condition("operator", "Bne", wanted=False))


def test_unclear_rows_and_those_that_nobody_switched_are_set_aside(tmp_path):
    verdicts = ["in-path", "unclear", "not-in-path", "in-path"]
    rows = [{"drop_mV": k, "verdict": verdict} for k, verdict in enumerate(verdicts)]
    rows += [{"drop_mV": 9, "verdict": "not-in-path", "load_at": "Hall"}] * 2
    path = write_log(tmp_path / "log.csv", rows)
    near, far = read(path).table.series()
    assert near.value.tolist() == [0, 3]
    assert near.aside is not None
    assert near.aside.test.tolist() == [2, 3]
    assert near.unclear == 1
    assert far.value.tolist() == [9, 9]  # a hookup that is not in the path is measured all the same
    assert values_of(read(path, all_verdicts=True))[0] == [0, 1, 2, 3]


def test_a_long_log_tells_how_far_it_is(tmp_path, monkeypatch):
    monkeypatch.setattr("meterlink.lab.csv_records._TELL_EVERY", 10)
    path = write_log(tmp_path / "log.csv", drops(*range(100)))
    told = []
    read_trials([path], Question(), lambda rows, share: told.append((rows, share)))
    assert [rows for rows, _ in told] == list(range(10, 101, 10))
    assert all(0 < share <= 1 for _, share in told)
