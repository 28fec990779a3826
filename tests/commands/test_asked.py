"""What a person is asked on a terminal, and what is done with the answers, in this process."""

import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from conftest import JOB_OF_THREE, Run
from memory_terminal import typed_keys

from drivers.simulated import available
from meterlink.circuit.job import read_job
from meterlink.circuit.setup import Hookup, Verdict
from meterlink.testlog.findings import withdrawn_tests
from meterlink.testlog.reader import read_rows
from meterlink.visit.cautions import are_confirmed

pytestmark = pytest.mark.skipif(not available(), reason="no pseudo-terminals here")

JOB = JOB_OF_THREE.format(amps=12).replace('[wire]\nconductor = "14 AWG copper"\n', "")


@pytest.fixture
def answering(monkeypatch, meterlink: Callable[..., Run]) -> Iterator[Callable[..., Run]]:
    """Runs a command line at a terminal whose person has typed these lines already."""
    with typed_keys(monkeypatch) as far:
        stdin = sys.stdin

        def run(lines: list[str], *arguments: object) -> Run:
            typed = "".join(f"{line}\n" for line in lines)
            os.write(far, f"{typed}\x04".encode())  # and no more: nothing is waited for
            monkeypatch.setattr(sys, "stdin", stdin)
            return meterlink(*arguments)

        yield run


@pytest.fixture
def job(tmp_path: Path) -> Path:
    (tmp_path / "job.toml").write_text(JOB)
    return tmp_path


# start


def test_a_job_is_made_of_answers_and_what_was_offered(answering, tmp_path: Path) -> None:
    folder = tmp_path / "upstairs"
    answers = ["", "Door, Desk, Bed", "", "", "20", "", "1500W", "y", "Desk=Study", "Door=4m"]
    run = answering([*answers, "Elm Street", "", "7", "", "", "y"], "start", folder)
    assert run.code == 0, run.err
    circuit = read_job(folder).circuit
    assert circuit.name == "upstairs"
    assert circuit.receptacles == ("Door", "Desk", "Bed")
    assert (circuit.volts, circuit.hertz, circuit.breaker_amps) == (120.0, 60.0, 20.0)
    assert circuit.conductor == "12 AWG copper"  # goes with a breaker of 20 A
    assert circuit.load_amps == 12.5
    assert circuit.rooms == {"Desk": "Study"}
    assert circuit.run_lengths_m == {"Door": 4.0}
    assert (circuit.place, circuit.breaker, circuit.panel) == ("Elm Street", "7", None)
    assert circuit.grounded
    assert are_confirmed(folder)
    assert "Now: meterlink test" in run.err


def test_an_answer_that_makes_no_sense_is_asked_again_with_the_reason(
    answering, tmp_path: Path
) -> None:
    given = ("--volts", 230, "--hertz", 50, "--breaker", 16, "--ground", "--confirm-cautions")
    answers = ["", "3", "Door,,Bed", "Door, Bed", "steel", "", "lots", "99"]
    run = answering(answers, "start", tmp_path / "up", *given)
    for words in ("3 is a number: name them", "an empty name", "'steel'", "'lots' is no number"):
        assert words in run.err
    assert run.code == 1  # a load that trips the breaker is no answer to go on with
    assert "The load of 99 A is more than the breaker's 16 A" in run.err
    assert not (tmp_path / "up" / "job.toml").exists()


def test_who_says_no_more_makes_no_job(answering, tmp_path: Path) -> None:
    run = answering(["", "Door, Bed"], "start", tmp_path / "up")
    assert run.code != 0
    assert not (tmp_path / "up" / "job.toml").exists()


def test_who_does_not_keep_to_the_cautions_begins_nothing(answering, tmp_path: Path) -> None:
    folder = tmp_path / "up"
    given = ["--receptacle", "Door", "--receptacle", "Bed", "--volts", "120", "--hertz", "60"]
    given += ["--breaker", "15", "--conductor", "14 AWG copper", "--amps", "10", "--ground"]
    run = answering(["Flat", "", "", "", "", "", "", "", "n"], "start", folder, *given)
    assert run.code == 2
    assert "Nothing was begun" in run.err
    assert not are_confirmed(folder)


# enter


def test_a_test_is_entered_in_two_answers(answering, job: Path) -> None:
    run = answering(["ng 2 3", "6 215"], "enter", job)
    assert run.code == 0, run.err
    (row,) = read_rows(job / "tests.csv")
    assert (row.setup.hookup, row.setup.lead_a, row.setup.load_at) == (
        Hookup.NEUTRAL_GROUND,
        "Desk",
        "Bed",
    )
    assert (row.idle_mv, row.on_mv) == (6.0, 215.0)
    assert "Receptacles: 1 Door, 2 Desk, 3 Bed." in run.err


@pytest.mark.parametrize(
    ("typed", "verdict"), [("j", Verdict.IN_PATH), ("nj", Verdict.NOT_IN_PATH)]
)
def test_only_a_jump_or_none_is_a_reading_too(answering, job: Path, typed, verdict) -> None:
    run = answering(["nn Door, Desk, Bed", typed], "enter", job, "--note", "dim lamp")
    assert run.code == 0, run.err
    (row,) = read_rows(job / "tests.csv")
    assert (row.verdict, row.note) == (verdict, "dim lamp")


def test_an_ohmmeter_is_asked_for_one_reading_in_ohms(answering, job: Path) -> None:
    run = answering(["pr 1 2", "0.143"], "enter", job)
    assert run.code == 0, run.err
    (row,) = read_rows(job / "tests.csv")
    assert row.path_mohm == pytest.approx(143.0)
    assert "Reading, ohm" in run.err


def test_a_nought_at_the_end_of_a_reading_counts_as_it_does_as_an_option(
    answering, meterlink, job: Path
) -> None:
    answering(["pr 1 2", "0.140"], "enter", job)
    given = ("--hookup", "path-resistance", "--lead-a", "Door", "--lead-b", "Desk")
    meterlink("enter", job, *given, "--ohms", "0.140")
    asked, stated = read_rows(job / "tests.csv")
    assert asked.path_u_mohm == stated.path_u_mohm
    assert asked.path_u_mohm == pytest.approx(3.0, abs=0.1)  # three decimals: contacts alone


def test_what_cannot_be_read_is_asked_again_and_nothing_is_logged_meanwhile(
    answering, job: Path
) -> None:
    run = answering(["xx 1 2", "ng 1 9", "ng 1 3", "much", "6 215"], "enter", job)
    assert run.code == 0, run.err
    assert "Write a hookup and its places" in run.err
    assert "'9' is no receptacle here" in run.err
    assert len(list(read_rows(job / "tests.csv"))) == 1


def test_half_of_a_test_as_options_is_not_asked_for_the_rest(answering, job: Path) -> None:
    run = answering([], "enter", job, "--lead-a", "Door")
    assert run.code == 2
    assert "Give --hookup and --lead-a; or no option" in run.err
    assert not (job / "tests.csv").exists()


def test_where_nobody_can_be_asked_it_says_what_to_give(meterlink, job: Path) -> None:
    run = meterlink("enter", job)
    assert run.code == 2
    assert "on a terminal: then it asks" in run.err


# withdraw and ring, which ask nothing


def test_a_test_is_withdrawn_once_and_keeps_its_reason(answering, meterlink, job: Path) -> None:
    answering(["ng 2 3", "6 215"], "enter", job)
    run = meterlink("withdraw", job, 1, "--why", "the load was at Door")
    assert "test 1 does not count" in run.err
    assert withdrawn_tests(job) == {1: "the load was at Door"}
    assert "test 1 was removed before" in meterlink("withdraw", job, 1).err
    run = meterlink("withdraw", job, 7)
    assert run.code == 2
    assert "There is no test 7" in run.err


def test_readings_of_a_ring_are_placed_on_it(meterlink) -> None:
    """IET Guidance Note 3: every socket on the ring reads (r1 + rn) / 4, crossed."""
    run = meterlink("ring", "--r1", 0.26, "--rn", 0.26, "--crossed", "Desk=0.13")
    assert run.out.splitlines() == [
        "On the ring every socket reads 0.130 ohm with line and neutral crossed.",
        "Desk: 0.13 ohm, on the ring.",
    ]
    more = ("--r2", 0.42, "--protective", "Bed=0.165", "--protective", "Shed=9")
    run = meterlink("ring", "--r1", 0.26, "--rn", 0.26, *more)
    assert "of the way round" in run.out
    assert "Shed: 9 ohm is nowhere on the ring" in run.out


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--r1", "0", "--rn", "0.26"), "r1 of 0 ohm makes no sense"),
        (("--r1", "0.26", "--rn", "nan"), "rn of nan ohm makes no sense"),
        (("--r1", "0.26", "--rn", "0.26", "--crossed", "Desk"), "'Desk' is no reading"),
        (("--r1", "0.26", "--rn", "0.26", "--crossed", "=0.1"), "'=0.1' is no reading"),
        (("--r1", "0.26", "--rn", "0.26", "--protective", "Bed=0.1"), "is not known"),
    ],
)
def test_readings_of_a_ring_that_make_no_sense_are_refused(meterlink, options, words: str) -> None:
    run = meterlink("ring", *options)
    assert run.code == 2
    assert words in run.err
