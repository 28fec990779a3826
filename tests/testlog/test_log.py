"""The log as a file: durable, repaired, locked, never rewritten."""

import csv
import errno
import os
import random
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies import rows

from meterlink.errors import LogError
from meterlink.testlog.columns import COLUMNS, from_cells
from meterlink.testlog.log import TestLog
from meterlink.testlog.reader import read_rows

from .test_columns import GOOD

WIDTH = len(COLUMNS)
ROW = from_cells(GOOD | {"drop_mV": "123.4", "note": 'says "hello", twice'})


def log_of(folder: Path, count: int) -> Path:
    path = folder / "tests.csv"
    with TestLog(path) as log:
        for _ in range(count):
            log.append(ROW)
    return path


def test_a_new_log_has_the_header_row_and_numbers_its_rows(tmp_path):
    path = log_of(tmp_path, 2)
    lines = path.read_bytes().split(b"\r\n")
    assert lines[0].decode() == ",".join(COLUMNS)
    assert [row.test for row in read_rows(path)] == [1, 2]
    assert list(read_rows(path))[1] == replace(ROW, test=2)


def test_a_missing_log_has_no_rows(tmp_path):
    assert list(read_rows(tmp_path / "tests.csv")) == []


@settings(max_examples=25)
@given(st.lists(rows(), max_size=4))
def test_any_rows_come_back_and_a_plain_csv_reader_sees_as_many(tmp_path_factory, many):
    path = tmp_path_factory.mktemp("log") / "tests.csv"
    with TestLog(path) as log:
        written = [log.append(row) for row in many]
        assert list(log.rows()) == written
    with path.open(encoding="utf-8", newline="") as stream:
        assert len(list(csv.reader(stream))) == len(many) + 1


def test_appending_never_changes_what_is_there(tmp_path):
    path = log_of(tmp_path, 3)
    before = path.read_bytes()
    with TestLog(path) as log:
        log.append(ROW)
    assert path.read_bytes().startswith(before)


def test_a_log_cut_at_any_byte_keeps_its_whole_rows_and_goes_on(tmp_path):
    path = tmp_path / "tests.csv"
    with TestLog(path) as log:
        log.append(ROW)
        log.append(replace(ROW, note="two\nlines, and a comma"))
    whole = path.read_bytes()
    first_end = whole.index(b"\r\n", whole.index(b"\r\n") + 2) + 2
    for cut in range(first_end, len(whole)):
        path.write_bytes(whole[:cut])
        aside = tmp_path / "tests.csv.torn"
        aside.unlink(missing_ok=True)
        with TestLog(path) as log:
            kept = list(log.rows())
            assert kept[0].note == ROW.note
            torn = aside.read_bytes() if aside.exists() else b""
            assert len(kept) == 2 or torn.rstrip(b"\n") == whole[first_end:cut].rstrip(b"\n")
            assert bool(log.remarks) == bool(torn)
            log.append(ROW)
        assert [row.test for row in read_rows(path)] == list(range(1, len(kept) + 2))


def test_a_last_row_that_lacks_only_its_line_end_is_kept(tmp_path):
    path = log_of(tmp_path, 2)
    for end in (b"", b"\r"):
        path.write_bytes(path.read_bytes().rstrip(b"\r\n") + end)
        assert len(list(read_rows(path))) == 2
        with TestLog(path) as log:
            assert log.remarks == []
    assert path.read_bytes().count(b"\r\n") == 3
    assert len(list(read_rows(path))) == 2


def test_a_header_without_line_end_gets_one(tmp_path):
    path = tmp_path / "tests.csv"
    path.write_text(",".join(COLUMNS))
    with TestLog(path) as log:
        log.append(ROW)
    assert len(list(read_rows(path))) == 1


def test_columns_of_others_stay_and_their_order_is_kept(tmp_path):
    path = tmp_path / "tests.csv"
    names = ["operator", *reversed(COLUMNS), "meter"]
    cells = GOOD | {"operator": "Kim", "meter": "M1", "note": "by hand"}
    text = ",".join(names) + "\n" + ",".join(cells[name] for name in names) + "\n"
    path.write_text(text)
    with TestLog(path) as log:
        log.append(ROW)
    assert path.read_text().startswith(text)
    assert [row.note for row in read_rows(path)] == ["by hand", ROW.note]
    with path.open(newline="") as stream:
        table = list(csv.DictReader(stream))
    assert [row["meter"] for row in table] == ["M1", ""]


def test_a_byte_order_mark_and_blank_lines_are_no_problem(tmp_path):
    path = log_of(tmp_path, 1)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes() + b"\r\n")
    with TestLog(path) as log:
        log.append(ROW)
    assert len(list(read_rows(path))) == 2


def spoil(path: Path, line: int, old: bytes, new: bytes) -> None:
    lines = path.read_bytes().split(b"\r\n")
    assert old in lines[line - 1]
    lines[line - 1] = lines[line - 1].replace(old, new)
    path.write_bytes(b"\r\n".join(lines))


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        (b"123.4", b"12..4", "line 3: drop_mV is '12..4'; expected a number"),
        (b"neutral-ground", b"wires", "line 3: hookup is 'wires'"),
        (b",Desk,", b",", f"line 3: it has {WIDTH - 1} cells; the header has {WIDTH}"),
        (b",Desk,", b',De"sk"", "x,', f"line 3: it has {WIDTH + 1} cells"),
        (b",Desk,", b',"De"sk,', "line 3: ',' expected after '\"'"),
        (b",Desk,", b',"Desk,', "line 3: "),
        (b",Desk,", b",\xff\xfe,", "line 3: it is not UTF-8 text"),
    ],
)
def test_a_row_that_cannot_be_read_is_named_by_line_and_the_others_are_read(
    tmp_path, old, new, why
):
    path = log_of(tmp_path, 4)
    spoil(path, 3, old, new)
    problems: list[object] = []
    assert [row.test for row in read_rows(path, problems.append)] == [1, 3, 4]
    assert [why in str(problem) for problem in problems] == [True]
    assert str(path) in str(problems[0])
    with pytest.raises(LogError, match="line 3"):
        list(read_rows(path))


def test_a_quote_that_swallows_rows_stops_the_writer_and_touches_nothing(tmp_path):
    path = log_of(tmp_path, 4)
    spoil(path, 3, b",Desk,", b',"Desk,')
    lines = path.read_bytes().replace(b'"says ""hello"", twice"', b"plain")
    path.write_bytes(lines)
    with pytest.raises(LogError, match="line 3: a quoted cell starts here and never ends"):
        TestLog(path)
    assert path.read_bytes() == lines
    problems: list[object] = []
    assert [row.test for row in read_rows(path, problems.append)] == [1, 3, 4]


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"a,b,c\n1,2,3\n", "line 1: the header row lacks test, time"),
        (";".join(COLUMNS).encode() + b"\n1;x\n", "semicolons stand between its cells"),
        ("\t".join(COLUMNS).encode() + b"\n", "tabs stand between its cells"),
        (b"\x00\x01\x02\xff" * 300, "line 1"),
        (b"x" * 600_000, "line 1 has no end"),
        (b'"' + b"x" * 300_000, "line 1 has no end"),
        (b"\r\n".join([",".join(COLUMNS).encode(), *[b"rubbish"] * 200]), "more than 100 rows"),
        ((",".join(COLUMNS) + ",note\n").encode(), "line 1: the header row has a name twice"),
    ],
)
def test_a_file_that_is_no_log_is_refused_and_left_as_it_is(tmp_path, data, message):
    path = tmp_path / "tests.csv"
    path.write_bytes(data)
    with pytest.raises(LogError, match=message):
        list(read_rows(path, lambda _problem: None))
    with pytest.raises(LogError, match=message):
        TestLog(path)
    assert path.read_bytes() == data


@settings(max_examples=60)
@given(st.binary(max_size=300))
def test_any_bytes_after_good_rows_never_cost_a_row(tmp_path_factory, rubbish):
    path = log_of(tmp_path_factory.mktemp("log"), 2)
    path.write_bytes(path.read_bytes() + rubbish)
    before = path.read_bytes()
    try:
        with TestLog(path) as log:
            assert log.append(ROW).test == 3
    except LogError:
        assert path.read_bytes() == before
    kept = [row.test for row in read_rows(path, lambda _problem: None)]
    assert kept[:2] == [1, 2]


def test_a_second_writer_is_refused_and_a_reader_is_not(tmp_path):
    path = tmp_path / "tests.csv"
    with TestLog(path) as log:
        log.append(ROW)
        script = (
            "import sys; from pathlib import Path; from meterlink.testlog.log import TestLog\n"
            "from meterlink.testlog.reader import read_rows\n"
            "print(len(list(read_rows(Path(sys.argv[1])))))\n"
            "TestLog(Path(sys.argv[1]))"
        )
        done = subprocess.run(
            [sys.executable, "-c", script, str(path)], capture_output=True, text=True, check=False
        )
    assert done.stdout == "1\n"
    assert "is being written by another meterlink" in done.stderr


def test_a_full_disk_leaves_the_log_as_it_was(tmp_path, monkeypatch):
    path = log_of(tmp_path, 1)
    before = path.read_bytes()
    real_write = os.write

    def half_write(handle: int, data: bytes) -> int:
        if len(data) < 40:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real_write(handle, data[:-30])

    with TestLog(path) as log:
        monkeypatch.setattr(os, "write", half_write)
        with pytest.raises(LogError, match="No space left on device"):
            log.append(ROW)
        assert path.read_bytes() == before
        monkeypatch.setattr(os, "write", real_write)
        assert log.append(ROW).test == 2


def test_a_folder_in_the_place_of_the_log_is_refused(tmp_path):
    (tmp_path / "tests.csv").mkdir()
    with pytest.raises(LogError, match="Is a directory"):
        TestLog(tmp_path / "tests.csv")
    with pytest.raises(LogError, match="Is a directory"):
        list(read_rows(tmp_path / "tests.csv"))


def test_a_long_note_is_cut_and_half_characters_are_replaced(tmp_path):
    with TestLog(tmp_path / "tests.csv") as log:
        log.append(replace(ROW, note="\ud800" + "x" * 50_000))
        (row,) = log.rows()
    assert row.note.startswith("?x")
    assert len(row.note) == 20_000


WRITER = """
import sys
from pathlib import Path
from meterlink.testlog.log import TestLog
from meterlink.testlog.reader import read_rows
from meterlink.testlog.columns import from_cells
ROW = from_cells({cells})
with TestLog(Path(sys.argv[1])) as log:
    while True:
        print(log.append(ROW).test, flush=True)
"""


def test_killed_in_mid_append_no_row_that_was_reported_is_lost(tmp_path):
    path = tmp_path / "tests.csv"
    chance = random.Random(7)
    reported = 0
    for _ in range(3):
        with subprocess.Popen(
            [sys.executable, "-c", WRITER.format(cells=GOOD), str(path)],
            stdout=subprocess.PIPE,
            text=True,
        ) as writer:
            assert writer.stdout is not None
            for _ in range(chance.randrange(1, 60)):
                reported = int(writer.stdout.readline())
            writer.send_signal(signal.SIGKILL)
        with TestLog(path) as log:
            assert log.problems == []
            numbers = [row.test for row in log.rows()]
        assert numbers == list(range(1, len(numbers) + 1))
        assert len(numbers) >= reported


def test_random_bytes_for_a_log_are_refused_in_words_of_the_trade(tmp_path: Path) -> None:
    (tmp_path / "tests.csv").write_bytes(b"te\rst,\xff\n1,2\n")
    with pytest.raises(LogError, match="a line end stands inside a cell without quotes"):
        list(read_rows(tmp_path / "tests.csv"))
