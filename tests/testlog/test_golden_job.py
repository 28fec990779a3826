"""A job folder that an earlier version wrote is read, weighed and gone on with as then.

``fixtures/logs/upstairs`` was written by meterlink 0.1.0 of 26 November 2026: a replayed visit,
readings by eye, a removed test, findings with the power off. ``expected.json`` has its rows as that
version read them, and the keys that its commands printed with ``--json``.
"""

import json
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from conftest import Run

from meterlink.circuit.job import read_job
from meterlink.testlog.columns import COLUMNS, row_mapping
from meterlink.testlog.findings import Cut, State, read_findings, withdrawn_tests
from meterlink.testlog.log import TestLog, schema_path
from meterlink.testlog.reader import read_rows
from meterlink.testlog.recorded import Ledger
from meterlink.visit.cautions import CAUTIONS, are_confirmed, digest

FIXTURES = Path(__file__).parents[2] / "fixtures"
GOLDEN = FIXTURES / "logs" / "upstairs"
EXPECTED = json.loads((GOLDEN / "expected.json").read_text("utf-8"))
VISIT = FIXTURES / "captures" / "circuit-101" / "visit.jsonl"
#: Columns of a log of the first days, before there were others.
FIRST_COLUMNS = EXPECTED["columns"][: EXPECTED["columns"].index("note") + 1]


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A copy to work on, with the capture that it speaks of."""
    folder = tmp_path / "upstairs"
    shutil.copytree(GOLDEN, folder, ignore=shutil.ignore_patterns("expected.json"))
    (folder / "captures").mkdir()
    shutil.copy(VISIT, folder / "captures" / "visit.jsonl")
    return folder


def as_then(mapping: dict[str, object], then: dict[str, object]) -> dict[str, object]:
    """What a newer version says, of what the older one had."""
    return {name: mapping.get(name, "gone") for name in then}


def test_every_row_is_read_as_it_was_read_then() -> None:
    found = [row_mapping(row) for row in read_rows(GOLDEN / "tests.csv")]
    assert len(found) == 14
    for now, then in zip(found, EXPECTED["rows"], strict=True):
        assert as_then(now, then) == then


def test_columns_keep_their_names_and_places_and_new_ones_come_after() -> None:
    assert list(COLUMNS[: len(EXPECTED["columns"])]) == EXPECTED["columns"]
    header = (GOLDEN / "tests.csv").read_text("utf-8").splitlines()[0]
    assert header.split(",") == EXPECTED["columns"]


def test_the_schema_beside_an_old_log_still_names_its_columns() -> None:
    described = json.loads(schema_path(GOLDEN / "tests.csv").read_text("utf-8"))
    titles = [column["titles"] for column in described["tableSchema"]["columns"]]
    assert titles == EXPECTED["columns"]


def test_what_stands_beside_the_log_is_read_too(job: Path) -> None:
    assert read_job(job).circuit.receptacles == ("Window", "Bed", "Nook", "Piano")
    assert withdrawn_tests(job) == {14: "the lead was elsewhere"}
    said: list[str] = []
    findings = read_findings(job, said.append)
    assert said == []
    assert [(f.cut, f.at, f.receptacle, f.state) for f in findings] == [
        (Cut.DISCONNECTED, "Window", "Bed", State.DEAD),
        (Cut.BREAKER_OFF, None, "Nook", State.DEAD),
        (Cut.BREAKER_OFF, None, "Piano", State.DEAD),
    ]
    assert findings[0].note == "two boxes"
    ledger = Ledger(job / "tests.csv")
    digests = [
        json.loads(line)["sha256"] for line in (job / "logged.jsonl").read_text().splitlines()
    ]
    assert [ledger.number_of(digest) for digest in digests] == list(range(1, 11))


def test_cautions_that_read_otherwise_now_are_asked_about_again(job: Path) -> None:
    """Confirmed is the text that was read; another text is read again."""
    line = json.loads((job / "cautions.jsonl").read_text())
    assert set(line) == {"time", "by", "sha256"}
    assert are_confirmed(job) is (line["sha256"] == digest(CAUTIONS))
    assert not are_confirmed(job, ("Another text.",))


def test_the_map_has_the_order_that_it_had(job: Path, meterlink: Callable[..., Run]) -> None:
    run = meterlink("map", job, "--json")
    assert run.code == 0
    found = json.loads(run.out)
    assert {p["name"]: p["fed_from"] for p in found["points"]} == EXPECTED["order"]
    assert found["settled"] is EXPECTED["settled"]
    assert found["doubts"] == []
    assert "removed and left out: test 14" in run.err


COMMANDS = {
    "map": ("map", "JOB", "--json", "--at-amps", "10"),
    "next": ("next", "JOB", "--json"),
    "protect": ("protect", "JOB", "--json"),
    "fault": ("fault", "JOB", "--dead", "Piano", "--json"),
    "isolate": ("isolate", "JOB", "--json"),
    "trials": ("trials", "JOB", "--json"),
    "replay": ("replay", "VISIT", "--job", "NEW", "--json"),
}


def missing(now: object, then: object, where: str = "") -> Iterator[str]:
    """Keys that were printed then and are not now."""
    if isinstance(then, dict):
        if not isinstance(now, dict):
            yield f"{where} is {now!r}"
            return
        for key, inner in then.items():
            if key not in now:
                yield f"{where}.{key}"
            else:
                yield from missing(now[key], inner, f"{where}.{key}")
    elif isinstance(then, list) and then and isinstance(now, list) and now:
        yield from missing(now[0], then[0], f"{where}[0]")


@pytest.mark.parametrize("name", COMMANDS)
def test_every_key_that_was_printed_is_printed_still(
    name: str, job: Path, tmp_path: Path, meterlink: Callable[..., Run]
) -> None:
    places = {"JOB": job, "VISIT": VISIT, "NEW": tmp_path / "new"}
    run = meterlink(*(places.get(word, word) for word in COMMANDS[name]))
    assert run.code == 0, run.err
    assert list(missing(json.loads(run.out), EXPECTED["json_keys"][name])) == []


def test_the_visit_that_is_in_the_log_adds_nothing_when_it_is_replayed_again(
    job: Path, meterlink: Callable[..., Run]
) -> None:
    before = (job / "tests.csv").read_bytes()
    assert meterlink("replay", VISIT, "--job", job).code == 0
    assert (job / "tests.csv").read_bytes() == before


def test_a_new_row_goes_below_the_old_ones_which_stay_byte_for_byte(job: Path) -> None:
    before = (job / "tests.csv").read_bytes()
    row = next(read_rows(job / "tests.csv"))
    with TestLog(job / "tests.csv") as log:
        assert log.problems == []
        assert log.remarks == []
        written = log.append(replace(row, note="new"))
    assert written.test == 15  # 14 was removed and is not given again
    after = (job / "tests.csv").read_bytes()
    assert after.startswith(before)
    assert list(read_rows(job / "tests.csv"))[-1].note == "new"


def shortened(job: Path) -> Path:
    """The log with the columns of the first days alone."""
    path = job / "tests.csv"
    keep = len(FIRST_COLUMNS)
    rows = [line.split(",") for line in path.read_text("utf-8").splitlines()]
    lines = [",".join(cells[:keep]) for cells in rows if '"' not in ",".join(cells)]
    path.write_bytes("".join(f"{line}\r\n" for line in lines if "path-res" not in line).encode())
    return path


def test_a_log_of_the_first_days_lacks_columns_and_keeps_lacking_them(job: Path) -> None:
    path = shortened(job)
    old = list(read_rows(path))
    assert len(old) == 12
    assert {(row.setting, row.level_u_mv, row.cycles) for row in old} == {(None, None, None)}
    assert old[0].drop_mv == EXPECTED["rows"][0]["drop_mV"]
    before = path.read_bytes()
    with TestLog(path) as log:
        log.append(replace(old[0], cycles=3))
    assert path.read_bytes().startswith(before)
    assert path.read_text("utf-8").splitlines()[0].split(",") == FIRST_COLUMNS
    assert [row.drop_mv for row in read_rows(path)][-1] == old[0].drop_mv


def test_a_log_of_the_first_days_gives_the_same_order(
    job: Path, meterlink: Callable[..., Run]
) -> None:
    shortened(job)
    found = json.loads(meterlink("map", job, "--json").out)
    assert {p["name"]: p["fed_from"] for p in found["points"]} == EXPECTED["order"]


def test_a_column_that_nobody_knows_is_passed_over_and_kept(job: Path) -> None:
    path = job / "tests.csv"
    lines = path.read_text("utf-8").splitlines()
    path.write_bytes(
        "".join(
            f"{line},{'weather' if k == 0 else 'rain'}\r\n" for k, line in enumerate(lines)
        ).encode()
    )
    rows = list(read_rows(path))
    assert [row_mapping(row)["drop_mV"] for row in rows] == [r["drop_mV"] for r in EXPECTED["rows"]]
    with TestLog(path) as log:
        log.append(rows[0], {"weather": "sun"})
    assert path.read_text("utf-8").splitlines()[-1].endswith(",sun")
