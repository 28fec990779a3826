"""``meterlink protect`` and ``meterlink fault`` from the command line."""

import json
import shlex
from collections.abc import Callable
from pathlib import Path

import pytest


@pytest.fixture
def empty(empty_attic: Path) -> Path:
    return empty_attic


@pytest.fixture
def job(attic: Path, meterlink: Callable) -> Path:
    more = ("--lead-a", "Door", "--load-at", "Desk", "--idle", 4, "--on", 800)
    assert meterlink("enter", attic, "--hookup", "neutral-ground", *more).code == 0
    return attic


def test_protect_prints_what_the_contract_promises(job: Path, meterlink: Callable) -> None:
    done = meterlink("protect", job, "--cover", "desk", "--cover", "Bed, left", "--json")
    assert done.code == 0
    answer = json.loads(done.out)
    assert list(answer)[:5] == ["devices", "covered", "each", "not_covered", "settled"]
    assert len(answer["devices"]) == 1
    assert answer["devices"][0] in ("Door", "Desk")
    assert [set(item) >= {"name", "by", "probability"} for item in answer["each"]] == [True] * 2
    assert answer["not_covered"] == []
    assert answer["covered"] > 0.95


def test_protect_says_what_is_untested_and_what_it_does_not_see(
    job: Path, meterlink: Callable
) -> None:
    said = " ".join(meterlink("protect", job).out.split())
    assert "all 3 tested receptacles" in said
    assert "Not tested, so unknown: Hall" in said
    assert "Fixed lights and appliances" in said
    assert "Not sure yet: Hall in no test so far." in said
    assert json.loads(meterlink("protect", job, "--json").out)["settled"] is False


def test_of_one_tested_receptacle_nothing_is_said_about_the_others(
    empty: Path, meterlink: Callable
) -> None:
    seen = ("--lead-a", "Desk", "--load-at", "Desk", "--idle", 4, "--on", 800)
    assert meterlink("enter", empty, "--hookup", "neutral-ground", *seen).code == 0
    said = " ".join(meterlink("protect", empty).out.split())
    assert "covers Desk, the only one tested" in said
    assert "Nothing else tested hangs on Desk" in said
    said = meterlink("protect", empty, "--cover", "Door", "--cover", "Hall").out
    assert said.startswith("Ground-fault protection: unknown; no test yet at Door and Hall.")
    assert "load terminals" not in said


def test_the_commands_to_type_next_can_be_pasted_into_a_shell(
    tmp_path: Path, meterlink: Callable
) -> None:
    folder = tmp_path / "Tom's jobs"
    names = ("--receptacle", "Tom's room", "--receptacle", "Bath $1")
    started = meterlink("start", folder, *names, "--confirm-cautions")
    (line,) = (line for line in started.err.splitlines() if "Now: " in line)
    assert shlex.split(line.partition("Now: ")[2])[:3] == ["meterlink", "test", str(folder)]
    at = ("--lead-a", "Tom's room", "--load-at", "Tom's room", "--idle", 4, "--on", 800)
    meterlink("enter", folder, "--hookup", "neutral-ground", *at)
    for command, option in (("protect", "--tripped-at"), ("isolate", "--at")):
        (line,) = (x for x in meterlink(command, folder).out.splitlines() if "  meterlink" in x)
        words = shlex.split(line)
        assert words[:5] == ["meterlink", "isolate", str(folder), option, "Tom's room"]


def test_devices_where_they_are_and_what_they_leave_out(job: Path, meterlink: Callable) -> None:
    found = meterlink("protect", job, "--at", "Desk", "--at", "Bed, left")
    said = " ".join(found.out.split())
    assert "devices at Desk and Bed, left protect 2 of 3 tested receptacles" in said
    assert "Stays unprotected: Door" in said
    assert "a second device there protects nothing more" in said
    answer = json.loads(meterlink("protect", job, "--at", "Desk", "--json").out)
    assert "Door" in answer["not_covered"]
    assert answer["devices"] == ["Desk"]


def test_without_a_test_nothing_is_claimed(empty: Path, meterlink: Callable) -> None:
    said = meterlink("protect", empty).out
    assert said.startswith("Ground-fault protection: unknown; nothing was tested yet")
    assert "protected by" not in said
    assert json.loads(meterlink("protect", empty, "--json").out)["settled"] is False


def test_boxes_without_a_ground_get_the_articles(job: Path, meterlink: Callable) -> None:
    text = (job / "job.toml").read_text("utf-8").replace('"Hall"]', '"Hall"]\ngrounded = false')
    (job / "job.toml").write_text(text, "utf-8")
    assert "406.4(D)(2)(a)" in meterlink("protect", job).out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["protect", "--cover", "Porch"], "--cover: 'Porch' is no receptacle of this job. Known:"),
        (["protect", "--at", "Porch"], "--at: 'Porch' is no receptacle"),
        (["fault"], "Say which receptacles are dead or flicker"),
        (["fault", "--dead", "Porch"], "--dead: 'Porch' is no receptacle"),
        (["fault", "--dead", "Desk", "--live", "Desk"], "cannot be both dead and live"),
    ],
)
def test_names_that_are_not_there_are_refused(
    empty: Path, meterlink: Callable, arguments: list[str], says: str
) -> None:
    done = meterlink(arguments[0], empty, *arguments[1:])
    assert done.code == 2
    assert says in done.err


def test_fault_prints_what_the_contract_promises(job: Path, meterlink: Callable) -> None:
    done = meterlink("fault", job, "--dead", "Bed, left", "--live", "Door,Desk", "--json")
    assert done.code == 0
    answer = json.loads(done.out)
    assert list(answer)[:2] == ["boxes", "settled"]
    chances = [box["probability"] for box in answer["boxes"]]
    assert chances == sorted(chances, reverse=True)
    assert {box["name"] for box in answer["boxes"][:2]} == {"Desk", "Bed, left"}


def test_fault_says_the_first_box_what_to_reset_first_and_what_would_tell(
    job: Path, meterlink: Callable
) -> None:
    said = " ".join(
        meterlink("fault", job, "--dead", "Desk,Hall", "--dead", "Bed, left").out.split()
    )
    assert "First box to open: D" in said
    assert "between Door (taken to be live) and" in said
    assert "reset every ground-fault device" in said
    assert "proved dead" in said


def test_only_what_was_said_to_work_is_called_live(empty: Path, meterlink: Callable) -> None:
    said = " ".join(meterlink("fault", empty, "--dead", "Hall").out.split())
    assert "(live)" not in said
    said = " ".join(meterlink("fault", empty, "--dead", "Hall", "--live", "Bed, left").out.split())
    assert "between Bed, left (live) and Hall (dead)" in said


def test_with_all_dead_the_panel_is_among_the_boxes(job: Path, meterlink: Callable) -> None:
    dead = "Door,Desk,Hall"
    done = meterlink("fault", job, "--dead", dead, "--dead", "Bed, left", "--json")
    names = [box["name"] for box in json.loads(done.out)["boxes"][:3]]
    assert "panel" in names


def test_before_any_test_fault_says_that_it_is_only_the_usual_order(
    empty: Path, meterlink: Callable
) -> None:
    said = " ".join(meterlink("fault", empty, "--dead", "Hall").out.split())
    assert "Nothing was tested: this is only what is usual" in said
    assert json.loads(meterlink("fault", empty, "--dead", "Hall", "--json").out)["tested"] is False


def test_flickering_is_a_hazard(job: Path, meterlink: Callable) -> None:
    said = " ".join(meterlink("fault", job, "--dead", "Desk", "--flickers").out.split())
    assert "Desk flickers" in said
    assert "Switch the breaker off until it is found." in said


def test_the_test_button_of_a_device_is_evidence_without_opening_a_box(
    job: Path, meterlink: Callable
) -> None:
    steps = " ".join(meterlink("isolate", job, "--tripped-at", "Desk").out.split())
    assert "press TEST on the device at Desk" in steps
    assert "Disconnect" not in steps
    done = meterlink(
        "isolate", job, "--tripped-at", "Desk", "--found-dead", "Desk,Hall", "--found-live", "Door",
        "--json",
    )  # fmt: skip
    assert done.code == 0
    answer = json.loads(done.out)
    assert answer["cut"] == "tripped"
    assert {f["cut"] for f in answer["findings"]} == {"tripped"}
    [hall] = [e for e in answer["expected"] if e["name"] == "Hall"]
    assert (hall["state"], hall["probability"] > 0.8) == ("dead", True)


def test_what_stays_live_beyond_a_tripped_device_is_named(job: Path, meterlink: Callable) -> None:
    done = meterlink("isolate", job, "--tripped-at", "Door", "--found-live", "Desk")
    assert "that device does not protect Desk" in " ".join(done.out.split())


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--at", "Door", "--tripped-at", "Desk"], "two looks"),
        (["--tripped-at", "Door", "--breaker-off", "--found-dead", "Desk"], "not with breakers"),
        (["--tripped-at", "Porch"], "--tripped-at: 'Porch' is no receptacle"),
        (["--tripped-at", "Door,Desk"], "more than one receptacle"),
    ],
)
def test_presses_that_make_no_sense_are_refused(
    job: Path, meterlink: Callable, arguments: list[str], says: str
) -> None:
    done = meterlink("isolate", job, *arguments)
    assert done.code == 2
    assert says in done.err
    assert not (job / "isolation.csv").exists()
