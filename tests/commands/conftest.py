"""Jobs that several commands are tried on."""

from collections.abc import Callable
from pathlib import Path

import pytest

ATTIC = """\
[circuit]
name = "Attic rooms"
receptacles = ["Door", "Desk", "Bed, left", "Hall"]
[supply]
volts = 120
[load]
amps = 10
"""
DEPTHS = (
    ("Door", "Bed, left", 800),
    ("Door", "Door", 800),
    ("Desk", "Bed, left", 1100),
    ("Desk", "Desk", 1100),
    ("Bed, left", "Bed, left", 1500),
)


@pytest.fixture
def empty_attic(tmp_path: Path) -> Path:
    """A job without a test."""
    (tmp_path / "job.toml").write_text(ATTIC, "utf-8")
    return tmp_path


@pytest.fixture
def attic(empty_attic: Path, meterlink: Callable) -> Path:
    """Door feeds Desk, Desk feeds Bed; Hall is not yet tested."""
    for a, load, on in DEPTHS:
        arguments = ("--lead-a", a, "--load-at", load, "--idle", 4, "--on", on)
        assert meterlink("enter", empty_attic, "--hookup", "neutral-ground", *arguments).code == 0
    return empty_attic
