"""What tests of several folders share."""

# ruff: noqa: E402 (the number of threads is read as numpy is imported)

import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

# Several processes test at once; threads of linear algebra within each would wait for each other.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import pytest
from hypothesis import HealthCheck, settings

from meterlink.cli import main

# Nothing depends on how busy the machine is, nor on chance; `--hypothesis-profile=search` tries
# other examples with every run.
CALM = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("search", CALM)
settings.register_profile("the same everywhere", CALM, derandomize=True)
settings.load_profile("the same everywhere")


# Tests in which other processes, a browser and a clock that runs ten times too fast take part: a
# busy machine may disturb them. They are tried up to twice more where they fail; no others are.
WITH_PROCESSES = (
    "commands/test_demo.py",
    "dead/test_dead_visit.py",
    "dead/test_mains_check.py",
    "lab/test_cluster.py",
    "lab/test_many.py",
    "lab/test_never_left_on.py",
    "lab/test_run.py",
    "lab/test_switching.py",
    "lab/test_trials_run.py",
    "live/test_commands.py",
    "live/test_faults.py",
    "live/test_session.py",
    "page/test_in_a_browser.py",
    "page/test_server.py",
    "show/test_report_in_a_browser.py",
    "visit/test_start.py",
    "visit/test_through_the_page.py",
    "visit/test_typed_command.py",
    "visit/test_whole_command.py",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Let tests with other processes be tried again."""
    here = Path(__file__).parent
    for item in items:
        if item.path.relative_to(here).as_posix() in WITH_PROCESSES:
            item.add_marker(pytest.mark.flaky(reruns=2))


JOB_OF_THREE = """\
[circuit]
name = "Up"
receptacles = ["Door", "Desk", "Bed"]
[supply]
volts = 120
hertz = 60
[wire]
conductor = "14 AWG copper"
[load]
amps = {amps}
"""


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
