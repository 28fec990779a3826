"""``meterlink next`` from the arguments to what is printed."""

import json

import pytest

OWN = ("--hookup", "neutral-neutral", "--lead-a", "Desk", "--lead-b", "Bed", "--load-at", "Bed")


@pytest.fixture
def job(tmp_path, meterlink):
    """Three receptacles, one test."""
    names = [part for name in ("Door", "Desk", "Bed") for part in ("--receptacle", name)]
    folder = tmp_path / "job"
    assert meterlink("start", folder, *names, "--amps", 10, "--confirm-cautions").code == 0
    test = ("--hookup", "neutral-ground", "--lead-a", "Door", "--load-at", "Door")
    assert meterlink("enter", folder, *test, "--idle", 5, "--on", 905).code == 0
    return folder


def test_the_test_that_is_worth_most_is_named_with_its_reason(job, meterlink):
    run = meterlink("next", job)
    assert run.code == 0
    what, why, then = run.out.splitlines()
    assert what.startswith("Put the leads in")
    assert why.startswith("Tells whether")
    assert then.startswith(f"Then: meterlink enter {job} --hookup neutral-")
    assert then.endswith("--idle MV --on MV")


def test_a_supply_is_typed_in_volts(job, meterlink):
    run = meterlink("next", job, "--with", "line-drop")
    assert run.out.splitlines()[-1].endswith("--no-load V --loaded V")


def test_a_job_without_a_log_has_a_first_test(job, meterlink):
    (job / "tests.csv").unlink()
    assert "Put the leads in" in meterlink("next", job).out


def test_a_test_of_ones_own_is_weighed(job, meterlink):
    content = json.loads(meterlink("next", job, *OWN, "--json").out)
    assert (content["hookup"], content["lead_a"]) == ("neutral-neutral", "Desk")
    assert (content["lead_b"], content["load_at"]) == ("Bed", "Bed")
    assert "Desk" in meterlink("next", job, *OWN).out.splitlines()[0]
    assert content["gain_bits"] > 0


def test_a_path_that_an_ohmmeter_reads_is_weighed_without_a_load(job, meterlink):
    path = ("--hookup", "path-resistance", "--lead-a", "Desk")
    run = meterlink("next", job, *path, "--json")
    assert run.code == 0, run.err
    content = json.loads(run.out)
    assert (content["lead_b"], content["load_at"], content["side"]) == (None, None, "neutral")
    assert json.loads(meterlink("next", job, *path, "--side", "hot", "--json").out)["side"] == "hot"


def test_names_count_in_whatever_case_and_by_their_number(job, meterlink):
    own = [word.lower() if word in ("Desk", "Bed") else word for word in OWN]
    assert json.loads(meterlink("next", job, *own, "--json").out)["lead_a"] == "Desk"
    run = meterlink("next", job, "--not-now", "bed", "--not-now", "#1", "--json")
    assert json.loads(run.out)["lead_a"] == "Desk"
    goal = ("--goal", "protect", "--cover", "desk")
    assert meterlink("next", job, *goal, "--json").code == 0


def test_what_cannot_be_done_is_planned_around(job, meterlink):
    run = meterlink("next", job, "--not-now", "Bed", "--with", "neutral-neutral", "--json")
    content = json.loads(run.out)
    assert content["hookup"] == "neutral-neutral"
    assert "Bed" not in (content["lead_a"], content["lead_b"], content["load_at"])


def test_a_settled_order_needs_no_test_and_one_of_ones_own_is_weighed_all_the_same(
    tmp_path, captures, meterlink
):
    job = tmp_path / "house"
    meterlink("replay", captures / "circuit-101" / "visit.jsonl", "--job", job)
    lines = meterlink("next", job).out.splitlines()
    assert lines[0] == "Settled: no more tests are needed. One that would confirm it:"
    assert len(lines) == 3
    own = ("--hookup", "neutral-ground", "--lead-a", "Bed", "--load-at", "Bed")
    assert "neutral and ground of Bed" in meterlink("next", job, *own).out
    assert json.loads(meterlink("next", job, "--json").out)["settled"] is True


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--not-now", "Shed"], "no receptacle here. They are: 1 Door, 2 Desk, 3 Bed"),
        (["--lead-a", "Desk"], "needs --hookup, --lead-a and --load-at"),
        (["--lead-b", "Desk"], "needs --hookup, --lead-a and --load-at"),
        ([*OWN[:-1], "Shed"], "no receptacle here"),
        (OWN[:4] + OWN[6:], "needs two receptacles"),
    ],
)
def test_what_makes_no_sense_is_wrong_usage(job, meterlink, options, message):
    run = meterlink("next", job, *options)
    assert run.code == 2
    assert message in run.err
    assert run.out == ""
