"""A circuit with a simulated meter and a pair of hands, for the whole command."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from meterlink.circuit.job import Job, write_job

from .hands import SimulatedOperator


@pytest.fixture
def hands() -> Iterator[SimulatedOperator]:
    made = SimulatedOperator(3, seed=5)
    yield made
    made.meter.close()


@pytest.fixture
def simulated_job(tmp_path: Path, hands: SimulatedOperator) -> Job:
    return write_job(tmp_path / "job", hands.circuit)
