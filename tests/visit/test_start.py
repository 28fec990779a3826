"""``meterlink start``: questions, options, the load, the cautions."""

import json
import os
import tomllib
from pathlib import Path

import pytest

from meterlink.circuit.checks import names_of
from meterlink.circuit.job import read_job
from meterlink.commands import start
from meterlink.errors import JobError, UsageError
from meterlink.visit import cautions

from .terminal_operator import TerminalOperator

GIVEN = ("--receptacle", "Door", "--receptacle", "Desk", "--confirm-cautions")


def test_options_alone_make_a_job_with_sensible_defaults(meterlink, tmp_path: Path) -> None:
    job = tmp_path / "upstairs"
    done = meterlink("start", job, *GIVEN)
    assert done.code == 0, done.err
    assert tomllib.loads((job / "job.toml").read_text()) == {
        "circuit": {"name": "upstairs", "receptacles": ["Door", "Desk"]},
        "supply": {"volts": 120, "hertz": 60, "breaker_amps": 15},
        "wire": {"conductor": "14 AWG copper"},
        "load": {"amps": 12},
    }


def test_what_is_known_already_goes_into_the_job(meterlink, tmp_path: Path) -> None:
    more = ("--volts", "230", "--watts", "2300", "--room", "Desk=Study", "--run", "Desk=1.5")
    done = meterlink("start", tmp_path / "x", *GIVEN, *more, "--no-ground", "--name", "Up")
    assert done.code == 0, done.err
    circuit = read_job(tmp_path / "x").circuit
    assert (circuit.name, circuit.hertz, circuit.load_amps) == ("Up", 50.0, 10.0)
    assert (circuit.breaker_amps, circuit.conductor) == (16.0, "2.5 mm2 copper")
    assert circuit.rooms == {"Desk": "Study"}
    assert circuit.run_lengths_m == {"Desk": 1.5}
    assert not circuit.grounded


def test_what_is_stated_for_the_record_goes_into_the_job(meterlink, tmp_path: Path) -> None:
    said = ("--place", "Lane 1", "--panel", "Hall", "--breaker-number", "7", "--by", "A. Person")
    done = meterlink("start", tmp_path / "x", *GIVEN, *said, "--meter", "bench meter, serial 12")
    assert done.code == 0, done.err
    circuit = read_job(tmp_path / "x").circuit
    assert (circuit.place, circuit.panel, circuit.breaker) == ("Lane 1", "Hall", "7")
    assert (circuit.measured_by, circuit.meter) == ("A. Person", "bench meter, serial 12")


def test_the_confirmation_is_written_down(meterlink, tmp_path: Path) -> None:
    meterlink("start", tmp_path / "x", *GIVEN)
    (line,) = (tmp_path / "x" / cautions.CAUTIONS_FILE).read_text().splitlines()
    assert json.loads(line)["sha256"] == cautions.digest()
    assert cautions.are_confirmed(tmp_path / "x")


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"[1]\n", b'{"sha256": "old"}\n', b"{"])
def test_a_record_of_other_cautions_or_none_confirms_nothing(
    tmp_path: Path, content: bytes
) -> None:
    (tmp_path / cautions.CAUTIONS_FILE).write_bytes(content)
    assert not cautions.are_confirmed(tmp_path)


@pytest.mark.parametrize(
    ("more", "code", "words"),
    [
        (("--volts", "0"), 1, "--volts"),
        (("--watts", "-3"), 1, "--watts"),
        (("--amps", "nan"), 1, "--amps"),
        (("--amps", "30"), 1, "more than the breaker's 15 A"),
        (("--amps", "12", "--lead-amps", "10"), 1, "extension lead"),
        (("--amps", "12", "--watts", "10"), 2, "twice"),
        (("--receptacle", "panel"), 1, "panel"),
        (("--run", "Attic=3"), 1, "Attic"),
        (("--run", "Desk=long"), 2, "no length"),
        (("--run", "Desk"), 2, "NAME=VALUE"),
        (("--room", "=x"), 2, "NAME=VALUE"),
        (("--conductor", "string"), 0, "Lengths are left out"),
    ],
)
def test_what_makes_no_sense_is_said_and_nothing_is_made(
    meterlink, tmp_path: Path, more: tuple[str, ...], code: int, words: str
) -> None:
    done = meterlink("start", tmp_path / "x", *GIVEN, *more)
    assert done.code == code
    assert words in done.err
    assert (tmp_path / "x").exists() == (code == 0)


def test_without_receptacles_a_script_is_told_what_to_give(meterlink, tmp_path: Path) -> None:
    done = meterlink("start", tmp_path / "x")
    assert done.code == 2
    assert "--receptacle" in done.err


def test_a_job_that_is_there_already_is_left_alone(meterlink, tmp_path: Path) -> None:
    meterlink("start", tmp_path / "x", *GIVEN)
    before = (tmp_path / "x" / "job.toml").read_bytes()
    done = meterlink("start", tmp_path / "x", *GIVEN)
    assert done.code == 2
    assert (tmp_path / "x" / "job.toml").read_bytes() == before


def test_a_load_near_the_rating_is_told_with_the_rule(meterlink, tmp_path: Path) -> None:
    done = meterlink("start", tmp_path / "x", *GIVEN, "--watts", "1700")
    assert done.code == 0
    assert "80 %" in done.err
    assert "NEC 210.23(A)(1)" in done.err


@pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")
def test_on_a_terminal_it_asks_again_until_the_answer_makes_sense(tmp_path: Path) -> None:
    operator = TerminalOperator(["start", str(tmp_path / "x")], columns=200)
    for question, answer in (
        ("Name of the circuit", ""),
        ("Receptacles", "panel"),
        ("choose another name", "Door, Desk"),
        ("Supply, volts", ""),
        ("hertz", ""),
        ("Breaker", "20"),
        ("Conductor", "string"),
        ("Conductor [12 AWG copper]: string", ""),
        ("Load", "1500W"),
        ("ground contacts", "n"),
        ("Rooms", "Desk=Study"),
        ("cable lengths", "Door=4"),
        ("(may be empty): place", "Lane 1"),
        ("panel:", ""),
        ("number of the breaker", "7"),
        ("who measures", ""),
        ("serial number, calibration", ""),
        ("will you keep to it?", "y"),
    ):
        while question not in operator.screen.decode():
            assert operator.read()
        operator.press(answer + "\r")
    assert operator.end() == 0
    circuit = read_job(tmp_path / "x").circuit
    assert circuit.receptacles == ("Door", "Desk")
    assert (circuit.conductor, circuit.load_amps) == ("12 AWG copper", 12.5)
    assert (circuit.place, circuit.panel, circuit.breaker) == ("Lane 1", None, "7")
    assert (circuit.rooms, circuit.run_lengths_m) == ({"Desk": "Study"}, {"Door": 4.0})
    assert cautions.are_confirmed(tmp_path / "x")


def test_answers_are_offered_as_a_person_writes_them_and_asked_for_again_in_words(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answers = iter(["Door, Bed", "", ""])
    offered = []

    def prompt(question: str, *, default: str, **_: object) -> str:
        offered.append(default)
        return next(answers) or default

    monkeypatch.setattr("click.prompt", prompt)
    ask = start._Asking(on_terminal=True)
    assert ask("Supply, volts", 120.0, start._figure("volts")) == 120.0
    assert ask("Rooms", {}, dict) == {}
    assert offered == ["120", "120", ""]
    assert "'Door, Bed' is no number" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("typed", "figure"),
    [("120 V", 120.0), ("20A", 20.0), ("20 amps", 20.0), ("60 Hz", 60.0), ("12,5 A", 12.5)],
)
def test_a_figure_may_be_typed_with_its_unit(typed: str, figure: float) -> None:
    assert start._figure("any")(typed) == figure


def test_names_that_differ_by_capitals_only_are_refused_in_a_new_job(
    meterlink, tmp_path: Path
) -> None:
    done = meterlink("start", tmp_path / "x", "--receptacle", "Kitchen", "--receptacle", "kitchen")
    assert done.code == 1
    assert "'Kitchen' and 'kitchen'" in done.err
    assert not (tmp_path / "x").exists()
    with pytest.raises(JobError, match="capitals only"):
        names_of("Door, Bath, bath")


def test_how_many_receptacles_there_are_is_not_taken_for_a_name() -> None:
    with pytest.raises(UsageError, match="name them"):
        names_of("4")
    assert names_of("4, 5") == ("4", "5")
