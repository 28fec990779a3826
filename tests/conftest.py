"""What tests of several folders share."""

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from meterlink.cli import main

# Nothing depends on how busy the machine is, nor on chance; `--hypothesis-profile=search` tries
# other examples with every run.
CALM = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("search", CALM)
settings.register_profile("the same everywhere", CALM, derandomize=True)
settings.load_profile("the same everywhere")


@dataclass(frozen=True)
class Run:
    """How a command ended."""

    code: int
    out: str
    err: str


@pytest.fixture
def captures() -> Path:
    """The recorded visits."""
    return Path(__file__).parents[1] / "fixtures" / "captures"


@pytest.fixture
def meterlink(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., Run]:
    """Run a command line in this process, from the arguments to the exit code."""

    def run(*arguments: object) -> Run:
        monkeypatch.setattr(sys, "argv", ["meterlink", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        code = ended.value.code
        assert isinstance(code, int)
        assert "a defect of this program" not in err
        return Run(code, out, err)

    return run
