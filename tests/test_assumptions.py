"""The assumptions are complete, frozen and said in full."""

from dataclasses import FrozenInstanceError, replace

import pytest

from meterlink.assumptions import USUAL, Assumptions, listed


def test_every_assumption_has_a_unit_a_source_and_something_that_hangs_on_it() -> None:
    rows = list(listed())
    assert len(rows) > 40
    for row in rows:
        assert all(str(part) for part in row), row


def test_assumptions_are_frozen_and_another_set_is_made_by_replacing() -> None:
    with pytest.raises(FrozenInstanceError):
        USUAL.runs.log_sd = 1.0  # type: ignore[misc]
    other = replace(USUAL, runs=replace(USUAL.runs, log_sd=1.0))
    assert other.runs.log_sd == 1.0
    assert Assumptions() == USUAL != other
