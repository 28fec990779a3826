"""``meterlink test`` from the command line to the log, in this process; readings are typed."""

import os
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from conftest import Run
from memory_terminal import on_a_screen, typed_keys

from drivers.address import steady_s
from drivers.simulated import available
from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.job import Job, write_job
from meterlink.commands.guided_surfaces import ScreenSurface
from meterlink.live import visiting
from meterlink.testlog.reader import read_rows
from meterlink.visit.cautions import DEAD_CAUTIONS, are_confirmed
from meterlink.visit.loop import Visit
from meterlink.visit.view import VisitStage

pytestmark = pytest.mark.skipif(not available(), reason="no pseudo-terminals here")

CIRCUIT = Circuit("Flat", ("Door", "Desk"), volts=120.0, hertz=60.0, load_amps=12.0)
MOST_SHOWN = 5000


@pytest.fixture
def job(tmp_path: Path, monkeypatch) -> Job:
    monkeypatch.setattr(visiting, "steady_s", lambda: 50 * steady_s())
    monkeypatch.setattr(visiting, "POLL_S", 0.002)
    return write_job(tmp_path / "flat", CIRCUIT)


@pytest.fixture(autouse=True)
def handlers() -> Iterator[None]:
    """The command has the process ended in order; this process goes on."""
    before = {name: signal.getsignal(name) for name in (signal.SIGTERM, signal.SIGHUP)}
    yield
    for name, handler in before.items():
        signal.signal(name, handler)


@pytest.fixture
def typing(monkeypatch, meterlink: Callable[..., Run]) -> Iterator[Callable[..., tuple]]:
    """Runs the command at a screen whose person types this when a reading is wanted."""
    with typed_keys(monkeypatch) as far:
        stdin = sys.stdin

        def run(answers: list[str], *arguments: object) -> tuple[Run, str]:
            left, seen = list(answers), [-1, 0]
            real = ScreenSurface.show

            def show(self: ScreenSurface, visit: Visit) -> None:
                real(self, visit)
                seen[1] += 1
                assert seen[1] < MOST_SHOWN, visit.view
                if visit.view.stage in (VisitStage.SET_UP, VisitStage.SETTLED):
                    if not left:
                        os.write(far, b"q")
                    elif visit.view.step != seen[0]:
                        seen[0] = visit.view.step
                        os.write(far, left.pop(0).encode())

            monkeypatch.setattr(ScreenSurface, "show", show)
            monkeypatch.setattr(sys, "stdin", stdin)
            screen = on_a_screen(monkeypatch)
            return meterlink("test", *arguments), screen.getvalue()

        yield run


def test_a_reading_is_typed_logged_and_drawn(typing, job: Job) -> None:
    run, shown = typing(["6 815\r"], job.folder, "--confirm-cautions")
    assert run.code == 0
    (row,) = read_rows(job.log_path)
    assert (row.idle_mv, row.on_mv) == (6.0, 815.0)
    assert "Door" in run.out  # the map, when it is over
    assert "1 test in the log. Go on with the same command." in shown
    assert "To hand over: meterlink report" in shown
    assert are_confirmed(job.folder)


def test_map_report_and_power_off_check_are_there_while_it_goes_on(typing, job: Job) -> None:
    run, shown = typing(["p6 815\r", "mpi6 800\r"], job.folder, "--confirm-cautions")
    assert run.code == 0
    assert "There is no test yet." in shown  # before the first
    assert "report.html" in run.out
    assert (job.folder / "report.html").exists()
    assert "Switch the breaker off" in run.out


def test_a_receptacle_is_skipped_by_name_or_number_from_the_start(typing, job: Job) -> None:
    run, shown = typing([], job.folder, "--confirm-cautions", "--not-now", "2")
    assert run.code == 0
    assert "Desk" not in "".join(line for line in shown.splitlines() if "LEADS" in line)
    assert not list(read_rows(job.log_path))


def test_nobody_begins_without_having_read_the_cautions(meterlink, job: Job, tmp_path) -> None:
    run = meterlink("test", job.folder)
    assert run.code == 2
    assert "The cautions above have to be read once for this job" in run.err
    assert "* " in run.err
    assert not are_confirmed(job.folder)
    dead = write_job(tmp_path / "dead", CIRCUIT)
    run = meterlink("test", dead.folder, "--dead")
    assert DEAD_CAUTIONS[0].split()[0] in run.err
    assert not are_confirmed(dead.folder, DEAD_CAUTIONS)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ((), "There is no terminal to press keys on"),
        (("--not-now", "Shed"), "'Shed' is no receptacle here"),
        (("--goal", "protect", "--cover", "Shed"), "'Shed' is no receptacle here"),
        (("--goal", "fault"), "dead"),
        (("--goal", "fault", "--found-dead", "9"), "'9' is no receptacle here"),
        (("--goal", "everything"), "--goal"),
        (("--meter", "nobody"), "no meter of the name"),
        (("--side", "hot"), "--side is for the dead circuit"),
        (("--source", "scpi:COM2"), "--source-amps 5"),
    ],
)
def test_what_cannot_be_begun_is_said_and_nothing_is_recorded(
    meterlink, job: Job, options: tuple, words: str
) -> None:
    run = meterlink("test", job.folder, "--confirm-cautions", *options)
    assert run.code == 2, run.err
    assert words in run.err
    assert not job.captures_path.exists()


def test_a_circuit_with_a_direct_source_is_dead_without_being_told(meterlink, tmp_path) -> None:
    direct = Circuit("Dead", ("Door", "Desk"), load_kind=LoadKind.DIRECT_SOURCE, load_amps=5.0)
    job = write_job(tmp_path / "dead", direct)
    meterlink("test", job.folder, "--confirm-cautions")
    assert are_confirmed(job.folder, DEAD_CAUTIONS)
    assert not are_confirmed(job.folder)
