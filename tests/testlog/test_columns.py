"""Cells of the log: formats, formulas, and that every row comes back."""

import csv
import io
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies import awkward_text, rows

from meterlink.testlog.columns import (
    COLUMNS,
    CellError,
    from_cells,
    neutralised,
    restored,
    to_cells,
)
from meterlink.testlog.reader import record_bytes


@given(awkward_text)
def test_any_text_comes_back_from_its_cell(text):
    assert restored(neutralised(text)) == text


@given(awkward_text)
def test_no_cell_starts_as_a_formula(text):
    cell = neutralised(text)
    assert not cell.startswith(("\t", "\r", "\n"))
    assert not cell.strip().startswith(("=", "+", "-", "@"))


@settings(max_examples=100)
@given(rows())
def test_any_row_comes_back_from_its_cells_through_rfc_4180(row):
    cells = to_cells(row)
    assert tuple(cells) == COLUMNS
    text = record_bytes(list(cells.values())).decode("utf-8")
    assert text.endswith("\r\n")
    (fields,) = csv.reader(io.StringIO(text, newline=""))
    assert from_cells(dict(zip(COLUMNS, fields, strict=True))) == row


@pytest.mark.parametrize(
    ("value", "cell"),
    [
        (None, ""),
        (0.0, "0.0"),
        (-0.0, "0.0"),
        (12.5, "12.5"),
        (-12.34567, "-12.3457"),
        (120000.0, "120000.0"),
        (1e-05, "1e-05"),
        (0.000123456, "0.00012346"),
        (float("nan"), ""),
        (float("inf"), ""),
    ],
)
def test_numbers_are_written_plain_and_unknown_ones_empty(value, cell):
    row = from_cells(GOOD | {"idle_mV": ""})
    assert to_cells(replace(row, idle_mv=value))["idle_mV"] == cell


GOOD = dict.fromkeys(COLUMNS, "") | {
    "test": "1",
    "time": "2026-03-02T09:14:05+00:00",
    "hookup": "neutral-ground",
    "lead_a": "Desk",
    "load_at": "Bed",
    "verdict": "in-path",
    "source": "entered",
}


@pytest.mark.parametrize(
    ("column", "cell", "message"),
    [
        ("test", "", "test is empty"),
        ("test", "1.5", "test is '1.5'; expected a whole number"),
        ("test", "-1", "test is '-1'"),
        ("test", "9" * 50, "expected a whole number"),
        ("time", "", "time is empty"),
        ("time", "yesterday", "ISO 8601"),
        ("time", "2026-03-02T09:14:05", "with its offset"),
        ("hookup", "ohms", "expected one of neutral-neutral, neutral-ground, line-drop"),
        ("lead_a", "", "lead_a is empty"),
        ("load_at", "", "load_at is empty"),
        ("lead_b", "Door", "one too many"),
        ("drop_mV", "12,5", r"drop_mV is '12,5'; expected a number with '\.' as decimal point"),
        ("drop_mV", "nan", "drop_mV is 'nan'"),
        ("drop_mV", "1e999", "drop_mV is '1e999'"),
        ("drop_mV", "1" * 5000, "drop_mV is '1111"),
        ("verdict", "maybe", "expected one of in-path, not-in-path, unclear"),
        ("source", "", "expected one of live, replay, entered"),
        ("n_idle", "1_0", "n_idle is '1_0'"),
    ],
)
def test_a_cell_that_is_not_what_its_column_is_for_is_named(column, cell, message):
    with pytest.raises(CellError, match=message):
        from_cells(GOOD | {column: cell})


def test_a_whole_number_may_have_been_written_with_a_point_by_a_table_program():
    assert from_cells(GOOD | {"test": "7.0", "n_on": "40."}).test == 7


@given(st.dictionaries(st.sampled_from(COLUMNS), awkward_text))
def test_any_cells_give_a_row_or_the_one_error(cells):
    try:
        from_cells(GOOD | cells)
    except CellError:
        return


@pytest.mark.parametrize(
    ("hookup", "side", "read"),
    [("path-resistance", "", "neutral"), ("loop-resistance", "ground + hot", "hot+ground")],
)
def test_conductors_that_a_row_leaves_out_are_the_usual_ones(hookup, side, read):
    cells = dict.fromkeys(COLUMNS, "") | {"test": "1", "time": "2026-03-02T09:14:05+00:00"}
    cells |= {"hookup": hookup, "lead_a": "Desk", "side": side, "path_mohm": "90.0"}
    cells |= {"verdict": "in-path", "source": "entered"}
    assert from_cells(cells).setup.side == read
    with pytest.raises(CellError, match="of hot, neutral, ground"):
        from_cells(cells | {"side": "banana"})
