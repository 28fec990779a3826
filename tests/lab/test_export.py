"""Logs as one table for other programs; the library for Parquet is played."""

import csv
import sys
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType, SimpleNamespace

import pytest
from lab.logs import drops, write_log

from meterlink.errors import LogError, UsageError
from meterlink.lab import export
from meterlink.lab.export import export_logs
from meterlink.testlog.columns import COLUMNS
from meterlink.testlog.findings import withdraw


class PlayedParquet:
    """What is asked of the library: a schema, and tables of columns."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *, fails: bool = False) -> None:
        self.types: dict[str, str] = {}
        self.columns: dict[str, list[object]] = {}
        outer = self

        class Writer:
            def __init__(self, path: Path, schema: list[tuple[str, str]]) -> None:
                self.path = path

            def __enter__(self) -> "Writer":
                self.path.write_bytes(b"half")
                return self

            def __exit__(self, *error: object) -> None:
                pass

            def write_table(self, table: list[list[object]]) -> None:
                if fails:
                    raise OSError(28, "No space left on device")
                for name, cells in zip(outer.types, table, strict=True):
                    outer.columns.setdefault(name, []).extend(cells)
                self.path.write_bytes(b"whole")

        def schema(fields: list[tuple[str, str]]) -> SimpleNamespace:
            outer.types = dict(fields)
            return SimpleNamespace(types=[kind for _, kind in fields])

        module = ModuleType("pyarrow")
        module.schema = schema  # type: ignore[attr-defined]
        module.timestamp = lambda unit, tz: f"time[{unit}, {tz}]"  # type: ignore[attr-defined]
        module.int64 = lambda: "int64"  # type: ignore[attr-defined]
        module.float64 = lambda: "float64"  # type: ignore[attr-defined]
        module.string = lambda: "string"  # type: ignore[attr-defined]
        module.array = lambda cells, kind: cells  # type: ignore[attr-defined]
        module.Table = SimpleNamespace(  # type: ignore[attr-defined]
            from_arrays=lambda columns, schema: columns
        )
        module.parquet = SimpleNamespace(ParquetWriter=Writer)  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, "pyarrow", module)
        monkeypatch.setitem(sys.modules, "pyarrow.parquet", module.parquet)


def rows_in(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture
def problems() -> list[str]:
    return []


# Parquet


def test_columns_have_the_types_of_the_log(tmp_path, monkeypatch, problems) -> None:
    played = PlayedParquet(monkeypatch)
    log = write_log(tmp_path / "log.csv", [{"drop_mV": 815, "who": "Ann"}], extra=("who",))
    found = export_logs([log], tmp_path / "all.parquet", problems.append)
    assert (found.rows, found.extra, problems) == (1, ("who",), [])
    assert list(played.types) == ["log", *COLUMNS, "who"]
    assert played.types["time"] == "time[ms, UTC]"
    assert played.types["test"] == played.types["n_on"] == "int64"
    assert played.types["drop_mV"] == "float64"
    assert played.types["verdict"] == played.types["who"] == played.types["log"] == "string"
    assert played.columns["log"] == [str(log)]
    assert played.columns["test"] == [1]
    assert played.columns["drop_mV"] == [815.0]
    assert played.columns["time"] == [datetime(2026, 3, 2, 9, tzinfo=UTC)]
    assert played.columns["note"] == [None]
    assert (tmp_path / "all.parquet").read_bytes() == b"whole"
    assert [p.name for p in tmp_path.iterdir() if "part" in p.name] == []


def test_text_that_was_made_safe_for_a_spreadsheet_is_as_it_was(
    tmp_path, monkeypatch, problems
) -> None:
    played = PlayedParquet(monkeypatch)
    log = write_log(tmp_path / "log.csv", [{"drop_mV": 1, "load_at": "'=Bed", "note": "'tis"}])
    export_logs([log], tmp_path / "all.parquet", problems.append)
    assert played.columns["load_at"] == ["=Bed"]
    assert played.columns["note"] == ["'tis"]


def test_what_is_no_figure_or_time_is_left_empty_and_told_with_its_test(
    tmp_path, monkeypatch, problems
) -> None:
    played = PlayedParquet(monkeypatch)
    rows = [
        {"drop_mV": "1 V"},
        {"drop_mV": 2, "n_on": "3.5"},
        {"drop_mV": 3, "time": "yesterday"},
        {"drop_mV": 4, "n_on": "1e17"},
        {"drop_mV": "", "time": "", "n_on": ""},
    ]
    log = write_log(tmp_path / "log.csv", rows)
    assert export_logs([log], tmp_path / "all.parquet", problems.append).rows == 5
    assert played.columns["drop_mV"] == [None, 2.0, 3.0, 4.0, None]
    assert played.columns["n_on"] == [None] * 5
    assert [time is None for time in played.columns["time"]] == [False, False, True, False, True]
    assert len(problems) == 4
    for test, words in (
        (1, "drop_mV is '1 V'"),
        (2, "n_on is 3.5; expected a whole number"),
        (3, "time is 'yesterday'; expected ISO 8601"),
        (4, "n_on is '1e17' (a figure too large for any meter)"),
    ):
        [text] = [text for text in problems if f", test {test}: " in text]
        assert text.startswith(f"{log}, test {test}: {words}")


def test_a_disk_that_is_full_leaves_the_old_file_and_no_part(
    tmp_path, monkeypatch, problems
) -> None:
    PlayedParquet(monkeypatch, fails=True)
    log = write_log(tmp_path / "log.csv", drops(1))
    target = tmp_path / "all.parquet"
    target.write_bytes(b"old")
    with pytest.raises(LogError, match="No space left on device"):
        export_logs([log], target, problems.append)
    assert target.read_bytes() == b"old"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["all.parquet", "log.csv"]


# CSV


def test_rows_of_many_batches_are_all_there_once(tmp_path, monkeypatch, problems) -> None:
    monkeypatch.setattr(export, "_BATCH_ROWS", 7)
    log = write_log(tmp_path / "log.csv", drops(*range(40)))
    found = export_logs([log], tmp_path / "all.csv", problems.append)
    assert found.rows == 40
    assert [row["drop_mV"] for row in rows_in(tmp_path / "all.csv")] == [str(k) for k in range(40)]


def test_columns_that_one_log_has_are_empty_for_the_other(tmp_path, problems) -> None:
    one = write_log(tmp_path / "one.csv", [{"drop_mV": 1, "who": "Ann"}], extra=("who",))
    two = write_log(tmp_path / "two.csv", [{"drop_mV": 2, "room": "Hall"}], extra=("room",))
    found = export_logs([one, two], tmp_path / "all.csv", problems.append)
    assert found.extra == ("who", "room")
    assert [(row["who"], row["room"]) for row in rows_in(tmp_path / "all.csv")] == [
        ("Ann", ""),
        ("", "Hall"),
    ]


def test_decimal_commas_become_points(tmp_path, problems) -> None:
    log = tmp_path / "log.csv"
    log.write_text("test;drop_mV;note\n1;815,5;a,b\n2;8;c\n", encoding="utf-8")
    export_logs([log], tmp_path / "all.csv", problems.append)
    rows = rows_in(tmp_path / "all.csv")
    assert [row["drop_mV"] for row in rows] == ["815.5", "8"]
    assert rows[0]["note"] == "a,b"


def test_removed_tests_of_a_job_are_left_out_and_named(tmp_path, problems) -> None:
    write_log(tmp_path / "tests.csv", drops(1, 900, 3, 4))
    for test in (2, 4):
        withdraw(tmp_path, test, datetime(2026, 5, 4, tzinfo=UTC))
    found = export_logs([tmp_path], tmp_path / "all.csv", problems.append)
    assert [row["test"] for row in rows_in(tmp_path / "all.csv")] == ["1", "3"]
    [remark] = found.remarks
    assert "2 tests were removed and are left out: 2, 4" in remark
    assert {row["log"] for row in rows_in(tmp_path / "all.csv")} == {str(tmp_path)}


def test_rows_that_cannot_be_read_are_told_and_the_rest_goes_out(tmp_path, problems) -> None:
    log = write_log(tmp_path / "log.csv", drops(1, 2))
    with log.open("a", encoding="utf-8") as stream:
        stream.write("3,too,few\n")
    found = export_logs([log], tmp_path / "all.csv", problems.append)
    assert found.rows == 2
    assert len(problems) == 1
    assert "log.csv" in problems[0]


@pytest.mark.parametrize("name", ["all.xlsx", "all", "all.csv.gz"])
def test_another_kind_of_file_is_refused_before_anything_is_read(
    tmp_path, problems, name: str
) -> None:
    with pytest.raises(UsageError, match="a name that ends in"):
        export_logs([tmp_path / "missing.csv"], tmp_path / name, problems.append)


def test_a_log_that_has_a_column_for_the_path_already_is_refused(tmp_path, problems) -> None:
    log = write_log(tmp_path / "log.csv", [{"drop_mV": 1, "log": "x"}], extra=("log",))
    with pytest.raises(UsageError, match="a column named log already"):
        export_logs([log], tmp_path / "all.csv", problems.append)


def test_the_end_of_the_name_may_be_in_capitals(tmp_path, problems) -> None:
    log = write_log(tmp_path / "log.csv", drops(1))
    assert export_logs([log], tmp_path / "ALL.CSV", problems.append).rows == 1
