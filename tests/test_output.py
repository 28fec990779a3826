"""What is printed is printed, whatever the encoding of a terminal or pipe; done stays done."""

import io
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from meterlink.cli import PLAIN, _compute_in_one_thread, main, spelled_plainly
from meterlink.testlog.reader import read_rows

JOB = """
[circuit]
name = "Küche \u2713"
receptacles = ["Küche", "Bed\u2713", "\u5e8a"]
[load]
amps = 12
"""
ENTER = ("--hookup", "neutral-ground", "--lead-a", "Küche", "--load-at", "Bed\u2713")
READ = ("--idle", "5", "--on", "900", "--note", "90 µV \u00b1 3 \U0001f600")


@pytest.fixture
def job(tmp_path: Path) -> Path:
    (tmp_path / "job.toml").write_text(JOB, "utf-8")
    return tmp_path


ENCODINGS = ["ascii", "cp1252", "latin-1", "cp437"]


def run(encoding: str, *arguments: object) -> str:
    """Run a command whose output goes to a pipe of an encoding, as on Windows or in a C locale."""
    output = io.BytesIO()
    pipe = io.TextIOWrapper(output, encoding=encoding, write_through=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "stdout", pipe)
        patch.setattr(sys, "argv", ["meterlink", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
    assert ended.value.code == 0
    return output.getvalue().decode("utf-8" if encoding == "ascii" else encoding)


@pytest.mark.parametrize("encoding", ENCODINGS)
def test_a_test_is_entered_and_shown_where_the_output_lacks_its_characters(
    job: Path, encoding: str
) -> None:
    assert "in the path" in run(encoding, "enter", job, *ENTER, *READ)
    (row,) = read_rows(job / "tests.csv")
    assert row.note == READ[-1]


@pytest.mark.parametrize("encoding", ENCODINGS)
def test_json_is_ascii_and_says_the_same(job: Path, encoding: str) -> None:
    run(encoding, "enter", job, *ENTER, *READ)
    answer = run(encoding, "map", job, "--json")
    assert answer.isascii()
    names = {point["name"] for point in json.loads(answer)["points"]}
    assert names == {"Küche", "Bed\u2713", "\u5e8a"}


@pytest.mark.parametrize("command", ["map", "next"])
@pytest.mark.parametrize("encoding", ENCODINGS)
def test_the_map_and_the_next_test_are_shown(job: Path, encoding: str, command: str) -> None:
    run(encoding, "enter", job, *ENTER, *READ)
    assert run(encoding, command, job)


@pytest.mark.parametrize("character", PLAIN)
def test_plain_spellings_are_ascii_and_break_no_quoted_text(character: str) -> None:
    text, end = spelled_plainly(UnicodeEncodeError("ascii", character, 0, 1, "lacking"))
    assert text.isascii()
    assert not set(text) & {'"', "\\"}
    assert end == 1


def test_an_error_in_reading_stays_one() -> None:
    with pytest.raises(UnicodeDecodeError):
        spelled_plainly(UnicodeDecodeError("ascii", b"\xff", 0, 1, "foreign"))


def test_a_logged_row_is_no_failure_where_nobody_reads_the_output(job: Path) -> None:
    no_reader = "import os; r, w = os.pipe(); os.close(r); os.dup2(w, 1)"
    script = f"{no_reader}\nfrom meterlink.cli import main\nmain()"
    done = subprocess.run(
        [sys.executable, "-c", script, "enter", str(job), *ENTER, *READ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0
    assert "done, but it cannot be shown" in done.stderr
    assert len(list(read_rows(job / "tests.csv"))) == 1


class Terminal(io.TextIOWrapper):
    """Standard error on a terminal."""

    def isatty(self) -> bool:
        return True


def test_a_message_on_a_terminal_breaks_no_word_at_its_edge(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = io.BytesIO()
    monkeypatch.setattr(sys, "stderr", Terminal(shown, encoding="utf-8", write_through=True))
    monkeypatch.setattr(sys, "argv", ["meterlink", "map", str(tmp_path / "nowhere")])
    monkeypatch.setenv("COLUMNS", "44")
    with pytest.raises(SystemExit):
        main()
    lines = shown.getvalue().decode().splitlines()
    words = " ".join(lines).split()
    assert words[0] == "meterlink:"
    assert "describes" in words
    assert len(lines) > 3
    assert all(len(line) <= 44 or " " not in line for line in lines)


def test_small_matrices_are_computed_in_one_thread_unless_the_person_chose(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    chosen = {"OMP_NUM_THREADS": "3"}
    monkeypatch.setattr(os, "environ", chosen)
    _compute_in_one_thread()
    assert chosen == {"OMP_NUM_THREADS": "3", "OPENBLAS_NUM_THREADS": "1"}
