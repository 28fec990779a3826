"""What the version before the present one wrote, and how it was called; ``fixtures/earlier``."""

import csv
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import click
import pytest

from drivers.capture import CaptureReader
from drivers.capture import replay as events
from meterlink.circuit.job import read_job
from meterlink.cli import group
from meterlink.levels.visit_split import completed_tests
from meterlink.testlog.columns import row_mapping, to_cells
from meterlink.testlog.findings import read_findings, withdrawn_tests
from meterlink.testlog.reader import read_rows

EARLIER = Path(__file__).parents[2] / "fixtures" / "earlier"
JOBS = ("replayed", "typed", "visited")
CALLS: dict[str, list[str]] = json.loads((EARLIER / "calls.json").read_text("utf-8"))


def said(job: str, name: str) -> dict:
    """What a command said of a job then."""
    return json.loads((EARLIER / job / f"{name}.json").read_text("utf-8"))


@pytest.fixture
def copied(tmp_path: Path) -> Callable[[str], Path]:
    """A job of the earlier version, to work in."""
    return lambda job: Path(shutil.copytree(EARLIER / job, tmp_path / job))


def missing(then: object, now: object, path: str = "") -> list[str]:
    """Keys that were there then and are not now."""
    if isinstance(then, dict):
        assert isinstance(now, dict), path
        return [
            lost
            for key, value in then.items()
            for lost in (missing(value, now[key], f"{path}.{key}") if key in now else [path + key])
        ]
    if isinstance(then, list) and then and isinstance(now, list) and now:
        return missing(then[0], now[0], f"{path}[]")
    return []


@pytest.mark.parametrize("job", JOBS)
def test_a_log_of_the_earlier_version_is_read_cell_for_cell(job: str) -> None:
    path = EARLIER / job / "tests.csv"
    with path.open(encoding="utf-8", newline="") as stream:
        written = list(csv.DictReader(stream))
    problems: list[object] = []
    rows = list(read_rows(path, problems.append))
    assert problems == []
    assert [{name: to_cells(row)[name] for name in written[0]} for row in rows] == written


def test_rows_of_the_earlier_version_have_the_keys_and_values_that_they_had() -> None:
    then = said("replayed", "replay")["rows"]
    rows = [row_mapping(row) for row in read_rows(EARLIER / "replayed" / "tests.csv")]
    assert [{key: row[key] for key in old} for row, old in zip(rows, then, strict=True)] == then


@pytest.mark.parametrize("job", JOBS)
def test_the_map_of_an_earlier_job_has_the_order_and_the_keys_that_it_had(
    job: str, copied: Callable[[str], Path], meterlink: Callable
) -> None:
    then, now = said(job, "map"), json.loads(meterlink("map", copied(job), "--json").out)
    order = {point["name"]: point["fed_from"] for point in then["points"]}
    assert {point["name"]: point["fed_from"] for point in now["points"]} == order
    assert now["first"]["receptacle"] == then["first"]["receptacle"]
    assert missing(then, now) == []


@pytest.mark.parametrize(
    ("job", "name"), [("replayed", "next"), ("visited", "next"), ("typed", "isolate")]
)
def test_other_answers_on_an_earlier_job_have_the_keys_that_they_had(
    job: str, name: str, copied: Callable[[str], Path], meterlink: Callable
) -> None:
    assert missing(said(job, name), json.loads(meterlink(name, copied(job), "--json").out)) == []


def test_what_was_found_and_removed_in_the_earlier_version_still_counts() -> None:
    found = read_findings(EARLIER / "typed", lambda text: pytest.fail(text))
    assert [(one.at, one.receptacle, one.state.value) for one in found] == [
        ("Door", "Desk", "dead"),
        ("Door", "Hall", "dead"),
    ]
    assert set(withdrawn_tests(EARLIER / "typed")) == {7}


def test_a_recording_of_the_earlier_version_gives_the_tests_that_it_gave(
    copied: Callable[[str], Path], meterlink: Callable
) -> None:
    job = copied("visited")
    (capture,) = (job / "captures").iterdir()
    rows = list(read_rows(job / "tests.csv"))
    with CaptureReader(capture) as reader:
        tests = list(completed_tests(events(reader), read_job(job).circuit))
    assert [test.setup for test in tests] == [row.setup for row in rows]
    assert [test.measurement.verdict for test in tests] == [row.verdict for row in rows]
    for test, row in zip(tests, rows, strict=True):
        assert test.measurement.drop_mv == pytest.approx(row.drop_mv, abs=2 * row.drop_u_mv)
    again = meterlink("replay", capture, "--job", job)
    assert "none was added" in again.err
    assert len(list(read_rows(job / "tests.csv"))) == len(rows)


def test_a_test_that_is_added_to_an_earlier_log_leaves_its_columns_as_they_are(
    copied: Callable[[str], Path], meterlink: Callable
) -> None:
    job = copied("typed")
    before = (job / "tests.csv").read_bytes()
    call = ("--hookup", "neutral-ground", "--lead-a", "Hall", "--load-at", "Hall")
    done = meterlink("enter", job, *call, "--idle", 6, "--on", 900, "--wander", 4)
    assert done.code == 0
    assert (job / "tests.csv").read_bytes().startswith(before)
    *_, added = read_rows(job / "tests.csv")
    assert (added.test, added.setup.lead_a, added.on_mv) == (9, "Hall", 900.0)


@pytest.mark.parametrize("call", CALLS)
def test_every_option_of_the_earlier_version_is_still_taken(call: str) -> None:
    command: click.Command = group
    for name in call.split():
        assert isinstance(command, click.Group)
        found = command.get_command(click.Context(command), name)
        assert found is not None
        command = found
    options = {o for param in command.params for o in (*param.opts, *param.secondary_opts)}
    assert set(CALLS[call]) <= options
