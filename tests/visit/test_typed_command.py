"""``meterlink test`` and ``meterlink enter`` without a cable, as processes."""

import json
import os
import subprocess
import sys

import pytest

from meterlink.circuit.job import Job
from meterlink.circuit.setup import Setup, Verdict
from meterlink.testlog.columns import Source
from meterlink.testlog.reader import read_rows

from .hands import SimulatedOperator
from .script_operator import setup_of
from .terminal_operator import TerminalOperator, setup_in

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")
PER_UNIT = {"mV": 1e3, "V": 1.0}


@pytest.fixture
def job(simulated_job: Job) -> Job:
    return simulated_job


def readings(hands: SimulatedOperator, setup: Setup) -> tuple[float, float]:
    """Volts that the meter shows without load and with it."""
    hands.connect(setup)
    idle_v = hands.look()
    hands.switch(on=True)
    on_v = hands.look()
    hands.switch(on=False)
    return idle_v, on_v


def test_a_script_types_a_visit_to_the_settled_order(
    job: Job, hands: SimulatedOperator, meterlink
) -> None:
    call = [sys.executable, "-m", "meterlink", "test", str(job.folder), "--json"]
    process = subprocess.Popen(
        [*call, "--confirm-cautions"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    answered = 0
    for line in process.stdout:
        event = json.loads(line)
        if event["event"] != "view" or event["step"] == answered:
            continue
        answer = None
        if event["sign"] == "settled":
            answer = "stop"
        elif event["typed"] is not None:
            at = readings(hands, setup_of(event["setup"]))[event["typed"]["word"] == "on"]
            answer = f"{event['typed']['word']} {at:.5f} V"
        if answer is not None:
            answered = event["step"]
            process.stdin.write(answer + "\n")
            process.stdin.flush()
    _, messages = process.communicate(timeout=30)
    assert process.returncode == 0, messages
    rows = list(read_rows(job.log_path))
    assert {row.source for row in rows} == {Source.ENTERED}
    answer = json.loads(meterlink("map", job.folder, "--json").out)
    assert answer["settled"]
    assert answer["first"]["receptacle"] == hands.wiring.first()


def test_a_person_types_a_test_in_a_handful_of_keys(job: Job, hands: SimulatedOperator) -> None:
    operator = TerminalOperator(["test", str(job.folder), "--confirm-cautions"])
    keys = 0
    for tests in range(3):
        while f"Test {tests + 1} " not in operator.block() or "[SET UP]" not in operator.block():
            assert operator.read()
        idle_v, on_v = readings(hands, setup_in(operator.block()))
        unit = 1e3 if "(mV)" in operator.block() else 1.0
        typed = f"{idle_v * unit:.3g} {on_v * unit:.4g}\r"
        keys += len(typed)
        operator.press(typed)
    while f"Test {tests + 2} " not in operator.block():
        assert operator.read()
    operator.press("q")
    assert operator.end() == 0
    rows = list(read_rows(job.log_path))
    assert len(rows) == 3
    assert keys / 3 <= 12


def test_enter_without_options_asks(job: Job) -> None:
    operator = TerminalOperator(["enter", str(job.folder)])
    while b"neutral to neutral" not in operator.screen:
        assert operator.read()
    operator.press("ng #2 #2\r")
    while b"Without load" not in operator.screen:
        assert operator.read()
    operator.press("6 0.815V\r")
    assert operator.end() == 0
    (row,) = read_rows(job.log_path)
    assert row.verdict is Verdict.IN_PATH
    assert row.setup.lead_a == job.circuit.receptacles[1]


def test_enter_takes_names_in_any_case_and_by_number(job: Job, meterlink) -> None:
    name = job.circuit.receptacles[0]
    ends = ("--hookup", "neutral-ground", "--idle", 6, "--on", 815)
    assert (
        meterlink("enter", job.folder, *ends, "--lead-a", name.upper(), "--load-at", "#1").code == 0
    )
    (row,) = read_rows(job.log_path)
    assert (row.setup.lead_a, row.setup.load_at) == (name, name)


def test_enter_with_half_its_options_says_what_is_missing(job: Job, meterlink) -> None:
    done = meterlink("enter", job.folder, "--hookup", "neutral-ground", "--idle", 6, "--on", 815)
    assert done.code == 2
    assert "--lead-a" in done.err
