"""A cluster in words, with its client played: who is asked, what is refused, what is closed."""

import json
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType, SimpleNamespace

import pytest

from meterlink.errors import LabError
from meterlink.lab.many import (
    Outcome,
    Totals,
    cluster,
    processes,
    summary_json,
    summary_lines,
    version,
    worker_count,
)
from meterlink.lab.worklist import Task

ADDRESS = "tcp://192.0.2.7:8786"


@pytest.fixture
def played(monkeypatch) -> Callable[..., list[str]]:
    """Puts a client in the place of Dask's; gives what happened to it."""

    def play(
        *, threads: dict[str, int], versions: object = None, refuses: Exception | None = None
    ) -> list[str]:
        happened: list[str] = []

        class Client:
            def __init__(self, address: str, **how: object) -> None:
                happened.append(f"opened {address} within {how['timeout']} s")
                if refuses is not None:
                    raise refuses

            def nthreads(self) -> dict[str, int]:
                return threads

            def run(self, work: Callable[[], str]) -> dict[str, str]:
                if isinstance(versions, Exception):
                    raise versions
                return dict.fromkeys(threads, versions or work())

            def get_executor(self, *, pure: bool) -> object:
                assert not pure  # the same capture may be measured again
                return SimpleNamespace(name="executor")

            def close(self) -> None:
                happened.append("closed")

        module = ModuleType("distributed")
        module.Client = Client  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, "distributed", module)
        return happened

    return play


def test_the_workers_of_a_cluster_are_counted_and_the_client_is_closed(played) -> None:
    happened = played(threads={"a": 4, "b": 2})
    with cluster(ADDRESS) as workers:
        assert workers.count == 6
        assert workers.elsewhere
        assert workers.alive()
        assert workers.path(Path("visit.jsonl")).is_absolute()
        assert happened == [f"opened {ADDRESS} within 10 s"]
    assert happened[-1] == "closed"


@pytest.mark.parametrize(
    ("cluster_of", "words", "closes"),
    [
        ({"threads": {}, "refuses": OSError("no route")}, "No Dask scheduler answers", False),
        ({"threads": {}, "refuses": TimeoutError("10 s")}, "No Dask scheduler answers", False),
        ({"threads": {}}, "has no worker. Start some: dask worker", True),
        ({"threads": {"a": 1}, "versions": "0.0.9"}, "have meterlink 0.0.9; this is", True),
        ({"threads": {"a": 1}, "versions": ImportError("x")}, "cannot run meterlink", True),
    ],
)
def test_a_cluster_that_cannot_do_the_work_is_refused_with_what_to_do(
    played, cluster_of: dict, words: str, closes: bool
) -> None:
    happened = played(**cluster_of)
    with pytest.raises(LabError) as refused, cluster(ADDRESS):
        raise AssertionError("it was taken")
    assert words in str(refused.value)
    assert ("closed" in happened) is closes


def test_workers_that_are_gone_are_noticed(played) -> None:
    threads = {"a": 1}
    played(threads=threads)
    with cluster(ADDRESS) as workers:
        threads.clear()
        assert not workers.alive()


def test_one_process_is_this_one() -> None:
    with processes(1) as workers:
        assert workers.executor is None
        assert workers.path(Path("visit.jsonl")) == Path("visit.jsonl")
    assert worker_count() >= 1
    assert version().count(".") == 2


# what has become of the captures


def totals(*outcomes: Outcome, stopped: int = 0) -> Totals:
    found = Totals(stopped=stopped)
    for outcome in outcomes:
        found.count(outcome)
    return found


def of(name: str, tests: int = 0, added: int = 0, **more: object) -> Outcome:
    return Outcome(Task(Path(name), Path("job")), tests, added, **more)


READ, AGAIN = of("a.jsonl", 5, 3), of("b.jsonl", 4, skipped=True)
FAILED = of("c.jsonl", error="c.jsonl: it is no capture.")


def test_the_summary_counts_what_was_read_done_before_and_failed() -> None:
    lines = list(summary_lines(totals(READ, AGAIN, FAILED)))
    assert lines[0] == "3 captures: 1 read, 1 done before, 1 failed; 9 tests, 3 appended"
    assert lines[1:] == ["", "failed:", "  c.jsonl  it is no capture."]
    assert list(summary_lines(totals(READ))) == [
        "1 capture: 1 read, 0 done before, 0 failed; 5 tests, 3 appended"
    ]


def test_a_replay_that_was_stopped_says_how_much_is_left() -> None:
    lines = list(summary_lines(totals(READ, stopped=7)))
    assert lines[-1] == "stopped before 7 more; the same command goes on with them"


def test_a_path_that_could_command_a_terminal_is_made_safe() -> None:
    bad = "c\x1b[2J.jsonl"
    lines = list(summary_lines(totals(of(bad, error="It is no capture."))))
    assert all(line.isprintable() for line in lines)


def test_the_same_is_there_for_programs() -> None:
    assert json.loads(summary_json(totals(READ, AGAIN, FAILED, stopped=2))) == {
        "captures": 3,
        "done_before": 1,
        "tests": 9,
        "added": 3,
        "failed": [{"capture": "c.jsonl", "why": "c.jsonl: it is no capture."}],
        "not_looked_at": 2,
    }
