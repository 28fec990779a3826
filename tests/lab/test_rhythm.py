"""The rhythm of repeat trials."""

import pytest

from meterlink.errors import UsageError
from meterlink.lab.rhythm import Rhythm, Stage, instruction


def test_time_left_counts_the_stages_to_come():
    rhythm = Rhythm(8, 10, 6)
    assert rhythm.cycle_s == 24
    assert rhythm.left_s(Stage.IDLE, 3) == 21
    assert rhythm.left_s(Stage.ON, 10) == 6
    assert rhythm.left_s(Stage.AFTER, 7) == 0


@pytest.mark.parametrize(
    ("stage", "in_stage_s", "left_s", "text"),
    [
        (Stage.IDLE, 0, 8, "load stays off"),
        (Stage.IDLE, 6, 2, "load ON in 2 s"),
        (Stage.ON, 0.5, 9.5, "switch the load ON now"),
        (Stage.ON, 5, 5, "load stays on"),
        (Stage.ON, 8, 2, "load OFF in 2 s"),
        (Stage.AFTER, 1, 5, "switch the load OFF now"),
        (Stage.AFTER, 5, 1, "load stays off"),
    ],
)
def test_a_hand_is_told_before_and_when_to_switch(stage, in_stage_s, left_s, text):
    assert instruction(stage, in_stage_s, left_s) == text


@pytest.mark.parametrize("seconds", [0.0, -3.0, 601.0, float("nan")])
def test_a_stage_without_sense_is_refused(seconds):
    with pytest.raises(UsageError, match="expected 1 to 600 s"):
        Rhythm(on_s=seconds)
