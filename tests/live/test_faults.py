"""Faults at random moments of whole tests: a short version of tests/benchmarks/fault_table.py."""

import pytest
from fault_trials import DRIVERS, FAULTS, run_trials

from drivers.simulated import available


@pytest.mark.skipif(not available(), reason="no pseudo-terminals here")
def test_no_fault_loses_readings_damages_captures_hangs_or_gives_a_wrong_row() -> None:
    trials = [(fault, DRIVERS[k % 3], 1000 + k) for k, fault in enumerate(FAULTS)]
    outcomes = run_trials(trials, workers=len(trials))
    for trial, outcome in zip(trials, outcomes, strict=True):
        assert (outcome.lost, outcome.damaged) == (0, 0), trial
        assert not outcome.hung, trial
        assert outcome.traceback == "", trial
        assert outcome.wrong == "", trial
