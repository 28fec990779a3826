"""``meterlink test`` from the first question to the settled map, on real pseudo-terminals."""

import json
import os
import re
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from meterlink.circuit.job import Job, write_job
from meterlink.live.visit_recording import marks_of
from meterlink.testlog.columns import Source
from meterlink.testlog.reader import read_rows
from meterlink.testlog.recorded import LOGGED_FILE
from meterlink.visit.cautions import are_confirmed

from .hands import SimulatedOperator
from .script_operator import ScriptOperator, command_line, setup_of
from .terminal_operator import TerminalOperator, arguments, drive

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")


@pytest.fixture
def job(simulated_job: Job) -> Job:
    return simulated_job


def rows_of(job: Job) -> list:
    return list(read_rows(job.log_path))


def replayed(job: Job, meterlink, into: Path) -> list:
    """Rows of a replay of the recording into another job."""
    (capture,) = job.captures_path.glob("visit-*.jsonl")
    done = meterlink("replay", capture, "--job", into)
    assert done.code == 0, done.err
    return [
        replace(row, source=Source.LIVE, capture=capture.name)
        for row in read_rows(into / "tests.csv")
    ]


def test_a_person_at_a_terminal_gets_from_the_cautions_to_the_settled_order(
    job: Job, hands: SimulatedOperator, meterlink, tmp_path: Path
) -> None:
    operator = TerminalOperator(arguments(job.folder, hands))
    while b"will you keep to it?" not in operator.screen:
        assert operator.read()
    operator.press("y\r")
    drive(operator, hands, lambda block: "[SETTLED]" in block)
    operator.press("p")
    while b"report.html" not in operator.screen:
        assert operator.read()
    operator.press("q")
    assert operator.end() == 0
    assert are_confirmed(job.folder)
    assert (job.folder / "report.html").exists()
    assert b"\a" in operator.screen
    rows = rows_of(job)
    assert len(rows) >= 3
    assert rows == replayed(job, meterlink, tmp_path / "again")
    answer = json.loads(meterlink("map", job.folder, "--json").out)
    assert answer["settled"]
    assert answer["first"]["receptacle"] == hands.wiring.first()


def test_a_script_stops_in_the_middle_and_goes_on_another_day(
    job: Job, hands: SimulatedOperator
) -> None:
    first = ScriptOperator(job.folder, hands)
    for event in first.events():
        if event["event"] == "row":
            first.say("stop")
    assert first.finish()[0] == 0
    assert [row.test for row in rows_of(job)] == [1]
    second = ScriptOperator(job.folder, hands, "--goal", "first")
    events = list(second.events())
    code, messages = second.finish()
    assert code == 0, messages
    assert events[-1]["stage"] == "stopped"
    rows = rows_of(job)
    assert [row.test for row in rows] == list(range(1, len(rows) + 1))
    assert any(event["event"] == "map" and event["goal_reached"] for event in events)


def test_a_visit_that_was_killed_in_a_test_goes_on_and_says_that_the_test_is_void(
    job: Job, hands: SimulatedOperator
) -> None:
    killed = ScriptOperator(job.folder, hands)
    for event in killed.events():
        if event["event"] == "view" and event["stage"] == "on":
            killed.process.kill()
    killed.finish()
    assert rows_of(job) == []
    again = ScriptOperator(job.folder, hands)
    for event in again.events():
        if event["event"] == "row":
            again.say("stop")
    code, messages = again.finish()
    assert code == 0
    assert "That test is discarded" in messages
    assert [row.test for row in rows_of(job)] == [1]
    (first, _) = sorted(job.captures_path.glob("visit-*.jsonl"))
    last = json.loads(first.read_bytes().splitlines()[-1])
    assert last["mark"] == "void"


def test_a_test_that_was_done_but_not_logged_is_logged_by_the_next_visit(
    job: Job, hands: SimulatedOperator
) -> None:
    visit = ScriptOperator(job.folder, hands)
    for event in visit.events():
        if event["event"] == "row":
            visit.say("stop")
    visit.finish()
    (row,) = rows_of(job)
    whole = job.log_path.read_bytes()
    job.log_path.write_bytes(whole[: whole.index(b"\n") + 1])
    (job.folder / LOGGED_FILE).unlink()  # as if the program had died before the row
    done = subprocess.run(
        command_line(job.folder, hands), input="stop\n", text=True, capture_output=True, check=True
    )
    assert "Test 1 was done but not logged yet" in done.stderr
    assert rows_of(job) == [row]


def test_two_visits_to_one_job_are_refused_and_the_first_goes_on(
    job: Job, hands: SimulatedOperator
) -> None:
    first = ScriptOperator(job.folder, hands)
    refused = None
    for event in first.events():
        if event["event"] == "view" and event["stage"] == "idle" and refused is None:
            refused = subprocess.run(
                command_line(job.folder, hands), input="", text=True, capture_output=True
            )
        if event["event"] == "row":
            first.say("stop")
    assert first.finish()[0] == 0
    assert refused is not None
    assert refused.returncode == 1
    assert "another meterlink" in refused.stderr
    assert len(rows_of(job)) == 1


def test_ready_and_then_the_end_of_input_ends_the_visit(job: Job, hands: SimulatedOperator) -> None:
    done = subprocess.run(
        command_line(job.folder, hands), input="ready\n", text=True, capture_output=True, timeout=30
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout.splitlines()[-1])["stage"] == "stopped"
    assert rows_of(job) == []


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_one_signal_ends_a_visit_whatever_mark_is_on_its_way(
    job: Job, hands: SimulatedOperator, number: signal.Signals
) -> None:
    visit = ScriptOperator(job.folder, hands)
    sent = False
    for event in visit.events():
        if event["event"] == "view" and event["stage"] == "settling" and not sent:
            sent = True
            visit.say("repeat")  # a void mark and a test mark follow
            visit.process.send_signal(number)
    code, messages = visit.finish()
    assert code == 0, messages
    assert "The visit is over" in messages
    (path,) = job.captures_path.glob("visit-*.jsonl")
    assert not marks_of(path).is_open


def test_a_program_that_was_stopped_and_goes_on_reads_single_keys_again(
    job: Job, hands: SimulatedOperator
) -> None:
    operator = TerminalOperator(arguments(job.folder, hands, "--confirm-cautions"))
    while "[SET UP]" not in operator.block():
        assert operator.read()
    os.kill(operator.pid, signal.SIGSTOP)
    os.waitpid(operator.pid, os.WUNTRACED)
    operator.take_whole_lines()  # as a shell does
    os.kill(operator.pid, signal.SIGCONT)
    while "[SET UP]" not in operator.block():
        assert operator.read()
    operator.press("q")
    assert operator.end() == 0


def test_a_recording_that_is_moved_away_is_said_and_a_new_one_goes_on(
    job: Job, hands: SimulatedOperator
) -> None:
    visit = ScriptOperator(job.folder, hands)
    alerts: set[str] = set()
    for event in visit.events():
        if event["event"] == "view":
            alerts.update(event["alerts"])
            if event["stage"] == "idle" and not alerts:
                (path,) = job.captures_path.glob("visit-*.jsonl")
                path.rename(job.folder / "elsewhere.jsonl")
        if event["event"] == "row":
            visit.say("stop")
    code, messages = visit.finish()
    assert code == 0, messages
    assert any("recording stopped" in alert for alert in alerts)
    assert len(rows_of(job)) == 1
    (path,) = job.captures_path.glob("visit-*.jsonl")
    assert rows_of(job)[0].capture == path.name


def test_a_test_that_another_command_withdraws_is_seen_by_the_visit(
    job: Job, hands: SimulatedOperator, meterlink
) -> None:
    visit = ScriptOperator(job.folder, hands)
    maps = []
    for event in visit.events():
        if event["event"] == "row":
            assert meterlink("withdraw", job.folder, 1).code == 0
        if event["event"] == "map":
            maps.append(event["tests"])
            if maps[-1] == 0 and 1 in maps:
                visit.say("stop")
    code, messages = visit.finish()
    assert code == 0
    assert "Test 1 was undone elsewhere" in messages


class SecondThoughts(ScriptOperator):
    """Takes the first test back once it is logged, then stops."""

    def _answer(self, view: dict) -> None:
        if view["stage"] == "set-up" and "void" in view["keys"]:
            self.say("void")
        elif view["stage"] == "set-up" and "repeat" in view["keys"]:
            self.say("stop")
        else:
            super()._answer(view)


def test_a_logged_test_that_is_taken_back_counts_no_more_in_this_visit_or_later(
    job: Job, hands: SimulatedOperator, meterlink
) -> None:
    visit = SecondThoughts(job.folder, hands)
    maps = [event["tests"] for event in visit.events() if event["event"] == "map"]
    code, messages = visit.finish()
    assert code == 0, messages
    assert maps == [0, 1, 0]
    assert "Test 1 is undone" in messages
    assert [row.test for row in rows_of(job)] == [1]
    assert json.loads(meterlink("map", job.folder, "--json").out)["tests"] == 0


LIMITED = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))
sys.argv = ["meterlink", *{arguments!r}]
from meterlink.cli import main
main()
"""


def test_a_recording_that_cannot_grow_is_said_and_a_new_one_goes_on(
    job: Job, hands: SimulatedOperator, monkeypatch
) -> None:
    calls = command_line(job.folder, hands)
    code = LIMITED.format(limit=9_000, arguments=calls[3:])
    monkeypatch.setattr(
        "tests.visit.script_operator.command_line", lambda *_: [sys.executable, "-c", code]
    )
    visit = ScriptOperator(job.folder, hands)
    alerts: set[str] = set()
    for event in visit.events():
        if event["event"] == "view":
            alerts.update(event["alerts"])
            if event["stage"] == "set-up" and any("recording stopped" in a for a in alerts):
                visit.say("stop")
    code_, messages = visit.finish()
    assert code_ == 0, messages
    assert any("recording stopped" in alert for alert in alerts)
    assert len(list(job.captures_path.glob("visit-*.jsonl"))) >= 2


@pytest.mark.parametrize(
    ("more", "code", "words"),
    [
        (("--not-now", "Nowhere"), 2, "no receptacle here"),
        (("--goal", "second"), 2, "second"),
    ],
)
def test_wrong_usage_is_said_before_the_meter_is_opened(
    job: Job, hands: SimulatedOperator, meterlink, more: tuple[str, ...], code: int, words: str
) -> None:
    done = meterlink("test", job.folder, "--meter", hands.meter.address, *more)
    assert done.code == code
    assert words in done.err


def test_a_meter_that_is_not_there_is_one_message(job: Job) -> None:
    call = [sys.executable, "-m", "meterlink", "test", str(job.folder), "--confirm-cautions"]
    call += ["--json", "--meter", "lines:/dev/nothing-there,9600"]
    done = subprocess.run(call, input="", text=True, capture_output=True)
    assert done.returncode == 1
    assert "/dev/nothing-there" in done.stderr
    assert list(job.captures_path.glob("*")) == []


def test_without_any_keys_it_says_how_to_get_some(
    job: Job, hands: SimulatedOperator, meterlink
) -> None:
    done = meterlink("test", job.folder, "--meter", hands.meter.address, "--confirm-cautions")
    assert done.code == 2
    assert "--json" in done.err


def test_without_a_terminal_the_cautions_have_to_be_confirmed_in_words(
    job: Job, hands: SimulatedOperator, meterlink
) -> None:
    done = meterlink("test", job.folder, "--meter", hands.meter.address)
    assert done.code == 2
    assert "--confirm-cautions" in done.err


def test_names_of_any_kind_reach_the_screen_without_acting(
    tmp_path: Path, hands: SimulatedOperator
) -> None:
    names = ('"><b>', "مطبخ", "🔥" * 20, "x" * 200)
    odd = write_job(tmp_path / "odd", replace(hands.circuit, receptacles=names))
    visit = ScriptOperator(odd.folder, hands)
    for event in visit.events():
        if event["event"] == "view" and event["setup"] is not None:
            assert setup_of(event["setup"]).load_at in names
            visit.say("stop")
    assert visit.finish()[0] == 0
    assert re.search(r"visit-.*\.jsonl", next(odd.captures_path.iterdir()).name)
