"""What a run of trials shows: the rhythm on a terminal, plain lines elsewhere."""

from dataclasses import replace
from types import SimpleNamespace

import click
import pytest
from memory_terminal import on_a_screen

from drivers.readings import Function, Reading
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.commands import trials_screen
from meterlink.commands.trials_screen import TrialsScreen
from meterlink.lab.run import Plan, Rhythm, Stage, TrialProgress
from meterlink.visit.notices import Notice, NoticeKind

from ..tree.plain import row

SETUP = Setup(Hookup.NEUTRAL_NEUTRAL, "Desk", "Door", "Bed")
PLAN = Plan((SETUP,) * 5, Rhythm(8.0, 10.0, 6.0, cool_down_s=36.0))
IDLE = TrialProgress(1, SETUP, Stage.IDLE, "load stays off", 299.6)
ON = replace(IDLE, stage=Stage.ON, instruction="switch the load ON now", left_s=291.0)
ROW = row(1, Hookup.NEUTRAL_NEUTRAL, "Desk", "Door", "Bed", 815.0, 2.0)


@pytest.fixture
def clock(monkeypatch) -> list[float]:
    now = [100.0]
    monkeypatch.setattr(trials_screen, "time", SimpleNamespace(monotonic=lambda: now[0]))
    return now


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        (PLAN, ["About 5 min. Stop with q or Ctrl-C."]),
        (
            replace(PLAN, done=3, seed=7),
            [
                "3 trials are there; going on.",
                "Hookups in random order, --seed 7.",
                "About 5 min. Stop with q or Ctrl-C.",
            ],
        ),
    ],
)
def test_the_length_of_a_run_and_what_is_there_are_said_first(capsys, plan, said) -> None:
    with TrialsScreen(plan, by_hand=False):
        pass
    assert capsys.readouterr().err.splitlines() == said


def test_a_hand_is_told_each_switching_and_each_trial_has_a_line(capsys) -> None:
    screen = TrialsScreen(PLAN, by_hand=True)
    for step in (
        replace(IDLE, stage=Stage.MOVE, instruction="move the leads"),
        IDLE,
        ON,
        replace(ON, instruction="load stays on"),
        replace(ON, stage=Stage.AFTER, instruction="switch the load OFF now"),
        replace(ON, stage=Stage.AFTER, row=replace(ROW, flags=("clipped",))),
        replace(ON, stage=Stage.REST, instruction="load stays off to cool down"),
    ):
        screen.show(step)
    screen.close()
    assert capsys.readouterr().err.splitlines() == [
        "  Desk - Door, load at Bed: move the leads",
        "  switch the load ON now",
        "  switch the load OFF now",
        "trial 1 of 5: 815.0 ± 2.0 mV, in the path (clipped)",
        "  load stays off to cool down, 36 s",
    ]


def test_a_switch_that_switches_by_itself_needs_no_words_of_its_stages(capsys) -> None:
    screen = TrialsScreen(PLAN, by_hand=False)
    for step in (IDLE, ON, replace(ON, stage=Stage.AFTER)):
        screen.show(step)
    assert capsys.readouterr().err == ""


def test_a_trial_that_does_not_count_says_so(capsys) -> None:
    screen = TrialsScreen(PLAN, by_hand=False)
    unclear = replace(ROW, drop_mv=None, drop_u_mv=None, verdict=Verdict.UNCLEAR)
    screen.show(replace(IDLE, row=unclear, counts=False))
    screen.show(replace(IDLE, notice=Notice(3.0, NoticeKind.SILENT, "Nothing comes.")))
    first, second = capsys.readouterr().err.splitlines()
    assert first.endswith("; not counted as a trial, it is made up for")
    assert second == "meterlink: Nothing comes."


def test_on_a_terminal_one_line_runs_along_and_is_wiped_at_the_end(monkeypatch, clock) -> None:
    screen = on_a_screen(monkeypatch)
    with TrialsScreen(PLAN, by_hand=True) as shown:
        reading = Reading(1.0, 0.815, Function.AC)
        shown.show(replace(ON, reading=reading))
        assert screen.lines[-2] == (
            "   815.00 mV  trial 1 of 5  switch the load ON now     4:51 left"
        )
        shown.show(replace(ON, reading=reading, left_s=290.0))
        assert "4:51 left" in screen.lines[-2]  # not redrawn so soon
        clock[0] += 0.3
        shown.show(replace(ON, reading=None, left_s=289.0))
        assert screen.lines[-2].split() == [
            *("-", "trial", "1", "of", "5", "switch", "the", "load", "ON", "now", "4:49", "left")
        ]
        clock[0] += 0.3
        shown.show(replace(ON, reading=Reading(1.0, None, overload=True), row=ROW))
        assert screen.lines[-3].startswith("trial 1 of 5: 815.0")
        assert "overload  trial" in screen.lines[-2]
    assert screen.lines[-1] == ""
    assert screen.getvalue().count("\a") == 1


def test_without_a_hand_the_line_names_the_stage(monkeypatch, clock) -> None:
    screen = on_a_screen(monkeypatch)
    TrialsScreen(PLAN, by_hand=False).show(IDLE)
    assert "load idle" in screen.lines[-2]


def test_a_terminal_that_is_gone_does_not_end_the_run(monkeypatch) -> None:
    def gone(*text: object, **how: object) -> None:
        raise OSError("gone")

    monkeypatch.setattr(click, "echo", gone)
    with TrialsScreen(PLAN, by_hand=True) as screen:
        screen.show(replace(ON, row=ROW))
