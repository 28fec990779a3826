"""The log in other people's programs. Those that are not installed are skipped with a reason."""

import csv
import json
import sys
from datetime import UTC, datetime

import pytest
from lab.logs import drops, write_log

from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.testlog.columns import COLUMNS, Source, TestRow
from meterlink.testlog.findings import withdraw
from meterlink.testlog.log import TestLog, schema_path


def row(k: int) -> TestRow:
    """A row with everything that is awkward in a table: quotes, line ends, formulas, emptiness."""
    setup = Setup(Hookup.NEUTRAL_GROUND, 'Désk, "left"', None, "=Bed")
    if k % 2:
        setup = Setup(Hookup.NEUTRAL_NEUTRAL, "Desk", "Door", "\U0001f600")
    return TestRow(
        test=0,
        time=datetime(2026, 3, 2, 9, k % 60, tzinfo=UTC),
        setup=setup,
        amps=12.0 if k < 150 else 12.1,  # whole for longer than programs look ahead
        idle_mv=5.0,
        idle_sd_mv=0.2,
        on_mv=105.0 + k,
        on_sd_mv=0.3,
        after_mv=None if k % 3 else 5.0,
        delta_mv=100.0 + k,
        drop_mv=99.5 + k,
        drop_u_mv=1e-5 if k == 3 else 1.0,
        limit_mv=3.0,
        verdict=Verdict.IN_PATH,
        n_idle=100,
        n_on=90,
        source=Source.LIVE,
        capture="visit.jsonl",
        flags=("late",) if k % 5 == 0 else (),
        note="two\nlines; 'one' \"more\"" if k % 7 == 0 else "",
    )


ROWS = 200


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    path = tmp_path_factory.mktemp("job") / "tests.csv"
    with TestLog(path, extra=("operator",)) as open_log:
        for k in range(ROWS):
            open_log.append(row(k), {"operator": "Ann" if k % 2 else "Ben"})
    return path


def needed(name):
    return pytest.importorskip(name, reason=f"{name} is in the extra 'data'")


def test_pandas_reads_it_without_options(log):
    frame = needed("pandas").read_csv(log)
    assert list(frame.columns) == [*COLUMNS, "operator"]
    assert frame["drop_mV"].sum() == pytest.approx(sum(99.5 + k for k in range(ROWS)))
    assert frame["note"].iloc[0] == "two\nlines; 'one' \"more\""
    assert frame["test"].tolist() == list(range(1, ROWS + 1))


def test_polars_reads_it_without_options(log):
    frame = needed("polars").read_csv(log)
    assert frame.columns == [*COLUMNS, "operator"]
    assert frame["amps"].max() == 12.1
    assert frame["lead_a"][0] == 'Désk, "left"'
    assert frame["after_mV"].null_count() == sum(k % 3 != 0 for k in range(ROWS))


def test_duckdb_reads_it_without_options(log):
    duckdb = needed("duckdb")
    found = duckdb.sql(f"select count(*), avg(drop_mV), max(n_on), min(time) from '{log}'")
    count, mean, most, first = found.fetchall()[0]
    assert (count, most) == (ROWS, 90)
    assert mean == pytest.approx(99.5 + (ROWS - 1) / 2)
    assert first.astimezone(UTC) == datetime(2026, 3, 2, 9, tzinfo=UTC)


def test_the_schema_beside_it_is_valid_and_fits(log):
    csvw = needed("csvw")
    table = csvw.CSVW(str(log))  # finds the schema by the name that the Recommendation gives it
    assert table.is_valid
    rows = list(table.tables[0].iterdicts())
    assert len(rows) == ROWS
    assert rows[3]["drop_u_mV"] == 1e-5
    assert rows[0]["time"] == datetime(2026, 3, 2, 9, tzinfo=UTC)
    assert rows[1]["operator"] == "Ann"


def test_the_schema_describes_every_column(log):
    content = json.loads(schema_path(log).read_text(encoding="utf-8"))
    columns = content["tableSchema"]["columns"]
    assert [column["titles"] for column in columns] == [*COLUMNS, "operator"]
    for column in columns[: len(COLUMNS)]:
        assert "format" in column["datatype"] or column["dc:description"]


def test_a_parquet_file_has_types_and_plain_text(log, tmp_path, meterlink):
    parquet = needed("pyarrow.parquet")
    out = tmp_path / "all.parquet"
    run = meterlink("trials", "export", log, "--out", out)
    assert run.code == 0
    assert f"{ROWS} rows written" in run.err
    table = parquet.read_table(out)
    assert table.column_names == ["log", *COLUMNS, "operator"]
    assert str(table.schema.field("time").type) == "timestamp[ms, tz=UTC]"
    assert str(table.schema.field("n_on").type) == "int64"
    first = table.slice(0, 1).to_pylist()[0]
    assert first["load_at"] == "=Bed"  # no apostrophe: nothing runs formulas from Parquet
    assert first["lead_b"] is None
    assert first["drop_mV"] == 99.5


def test_logs_of_two_versions_are_one_table(tmp_path, meterlink):
    old = write_log(tmp_path / "old.csv", drops(1, 2), without=("limit_mV", "flags"))
    new = write_log(tmp_path / "new.csv", [{"drop_mV": 3, "operator": "Ann"}], extra=("operator",))
    out = tmp_path / "all.csv"
    assert meterlink("trials", "export", old, new, "--out", out).code == 0
    frame = needed("pandas").read_csv(out)
    assert list(frame.columns) == ["log", *COLUMNS, "operator"]
    assert frame["drop_mV"].tolist() == [1, 2, 3]
    assert frame["log"].tolist() == [str(old)] * 2 + [str(new)]
    assert frame["operator"].isna().tolist() == [True, True, False]


def test_what_was_taken_back_is_not_exported(tmp_path, meterlink):
    write_log(tmp_path / "tests.csv", drops(1, 900, 3))
    withdraw(tmp_path, 2, datetime(2026, 5, 4, tzinfo=UTC))
    out = tmp_path / "all.csv"
    run = meterlink("trials", "export", tmp_path, "--out", out)
    assert "1 test was removed and is left out: 2" in run.err
    assert "2 rows written" in run.err
    with out.open(newline="", encoding="utf-8") as stream:
        assert [row["test"] for row in csv.DictReader(stream)] == ["1", "3"]


def test_a_figure_with_a_unit_is_empty_in_parquet_and_told(tmp_path, meterlink):
    parquet = needed("pyarrow.parquet")
    rows = [{"drop_mV": "1 V", "n_on": "3.5"}, {"drop_mV": 2, "time": "yesterday"}]
    out = tmp_path / "all.parquet"
    run = meterlink("trials", "export", write_log(tmp_path / "log.csv", rows), "--out", out)
    assert run.code == 0
    assert "3 rows or figures could not be used" in run.err
    assert parquet.read_table(out).column("drop_mV").to_pylist() == [None, 2]


@pytest.mark.parametrize(
    ("name", "out", "code", "message"),
    [
        ("log.csv", "all.xlsx", 2, "ends in .parquet or .csv"),
        ("missing.csv", "all.csv", 1, "cannot be read"),
        ("log.csv", "nowhere/all.csv", 1, "cannot be written"),
        ("foreign.csv", "all.csv", 1, "is no test log"),
    ],
)
def test_what_cannot_be_exported_is_told(tmp_path, meterlink, name, out, code, message):
    write_log(tmp_path / "log.csv", drops(1))
    (tmp_path / "foreign.csv").write_text("a,b\n1,2\n")
    run = meterlink("trials", "export", tmp_path / name, "--out", tmp_path / out)
    assert run.code == code
    assert message in run.err
    assert not (tmp_path / out).exists()


def test_a_missing_parquet_library_is_told_with_what_to_install(tmp_path, meterlink, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    log = write_log(tmp_path / "log.csv", drops(1))
    run = meterlink("trials", "export", log, "--out", tmp_path / "all.parquet")
    assert run.code == 1
    assert "pip install pyarrow" in run.err
