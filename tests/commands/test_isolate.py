import json
from collections.abc import Callable
from pathlib import Path

import pytest


@pytest.fixture
def job(attic: Path) -> Path:
    return attic


def test_without_findings_it_tells_steps_and_what_to_expect(job: Path, meterlink: Callable) -> None:
    run = meterlink("isolate", job, "--at", "Door")
    assert run.code == 0
    assert "1. For a person licensed for this work only." in run.out
    assert "Local code" in run.out
    dead = [line for line in run.out.splitlines() if line.startswith("  dead")]
    assert any("Desk" in line for line in dead)
    assert any("Bed, left" in line for line in dead)
    assert not (job / "isolation.csv").exists()


def test_findings_are_kept_and_weigh_in_the_map(job: Path, meterlink: Callable) -> None:
    before = json.loads(meterlink("map", job, "--json").out)
    run = meterlink(
        "isolate",
        job,
        "--at",
        "Bed, left",
        "--found-live",
        "Door,Desk",
        "--found-dead",
        "Hall",
        "--time",
        "2026-03-02T09:14:05+00:00",
        "--json",
    )
    assert run.code == 0
    answer = json.loads(run.out)
    assert [f["receptacle"] for f in answer["findings"]] == ["Hall", "Door", "Desk"]
    after = json.loads(meterlink("map", job, "--json").out)

    def hall(found: dict) -> tuple[str, float]:
        [point] = [p for p in found["points"] if p["name"] == "Hall"]
        return point["fed_from"], point["probability"]

    assert hall(after)[0] == "Bed, left"
    assert hall(after)[1] > 0.9
    assert hall(before)[1] < 0.9
    text = (job / "isolation.csv").read_text("utf-8").splitlines()
    assert text[0] == "finding,time,cut,at,receptacle,found,note"
    assert text[1] == '1,2026-03-02T09:14:05+00:00,parted,"Bed, left",Hall,dead,'


def test_findings_are_only_ever_appended(job: Path, meterlink: Callable) -> None:
    meterlink("isolate", job, "--at", "Door", "--found-dead", "Desk")
    first = (job / "isolation.csv").read_bytes()
    meterlink("isolate", job, "--at", "Door", "--found-live", "Hall")
    second = (job / "isolation.csv").read_bytes()
    assert second.startswith(first)
    assert second[len(first) :].startswith(b"2,")


def test_a_contradiction_between_finding_and_tests_is_named(job: Path, meterlink: Callable) -> None:
    run = meterlink("isolate", job, "--at", "Bed, left", "--found-dead", "Door")
    assert run.code == 0
    said = " ".join(run.out.split())
    assert "Door was found dead with Bed, left disconnected from what it feeds; every" in said


def test_a_receptacle_live_with_the_breaker_off_is_on_another_circuit(
    job: Path, meterlink: Callable
) -> None:
    run = meterlink("isolate", job, "--breaker-off", "--found-live", "Hall", "--found-dead", "Door")
    assert "On another circuit: Hall" in run.out
    assert "On this circuit: Door" in run.out
    found = json.loads(meterlink("map", job, "--json").out)
    assert not found["settled"]
    assert "Hall was found to be on another circuit" in found["notes"][0]


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--at", "Porch"], "'Porch' is no receptacle"),
        (["--at", "Door", "--found-dead", "Porch"], "--found-dead: 'Porch' is no receptacle"),
        (["--found-dead", "Desk"], "Say where the load wires were disconnected"),
        (["--at", "Door", "--found-dead", "Door"], "is the receptacle that was opened"),
        (["--at", "Door", "--found-dead", "Desk", "--found-live", "Desk"], "both dead and live"),
        (["--breaker-off"], "Say what was found"),
        (["--breaker-off", "--others-off", "--found-live", "Desk"], "two looks"),
        (
            ["--breaker-off", "--at", "Door", "--found-live", "Desk"],
            "what is done at a receptacle",
        ),
        (["--at", "Door", "--found-dead", "Desk", "--time", "noon"], "no ISO 8601 time"),
    ],
)
def test_findings_that_make_no_sense_are_refused_and_nothing_is_written(
    job: Path, meterlink: Callable, options: list[str], says: str
) -> None:
    run = meterlink("isolate", job, *options)
    assert run.code == 2
    assert says in run.err
    assert not (job / "isolation.csv").exists()


def test_it_works_before_any_test(empty_attic: Path, meterlink: Callable) -> None:
    run = meterlink("isolate", empty_attic, "--at", "Door", "--found-dead", "Desk,Hall")
    assert run.code == 0
    assert "Found so far:" in run.out


def test_a_finding_that_cannot_be_read_is_told_by_line(job: Path, meterlink: Callable) -> None:
    meterlink("isolate", job, "--at", "Door", "--found-dead", "Desk")
    with (job / "isolation.csv").open("a", encoding="utf-8") as stream:
        stream.write("2,yesterday,parted,Door,Hall,dead,\r\n")
    run = meterlink("map", job)
    assert run.code == 0
    assert "isolation.csv, line 3: this finding cannot be read" in run.err
