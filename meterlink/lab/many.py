"""Many captures at once: measured by any executor of ``concurrent.futures``, logged in order.

The work is done in this process, by processes of this computer, or by the workers of a cluster.
Whatever the number of workers, and however often the work was stopped and started again, the logs
come out the same: into one job, rows are appended by this process in the order of the captures;
into jobs of their own, captures have nothing to do with each other.
"""

import json
import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from importlib import import_module
from pathlib import Path

from drivers.errors import DriverError
from meterlink import __version__
from meterlink.circuit.job import JOB_FILE, LOG_FILE, read_job
from meterlink.errors import LabError, LogError, MeterlinkError
from meterlink.lab.worklist import JOURNAL_FILE, Done, Journal, Task
from meterlink.show.format import clean, counted
from meterlink.testlog.captures import CapturesLog, sha256
from meterlink.testlog.from_capture import Replayed, Visit, read_visit, replay_into
from meterlink.testlog.reader import read_rows

CONNECT_S = 10
PATIENCE_S = 20.0
_WAITING = 4  # captures handed out ahead, a worker: bounds memory, keeps workers busy


@dataclass(frozen=True, slots=True)
class Workers:
    """What measures.

    Attributes:
        executor: ``None`` does the work in this process.
        count: How many captures can be measured at once.
        alive: Whether anybody works; asked where a result takes longer than ``patience_s``.
        elsewhere: Whether workers may have another working folder.
        patience_s: Seconds.
    """

    executor: Executor | None = None
    count: int = 1
    alive: Callable[[], bool] = lambda: True
    elsewhere: bool = False
    patience_s: float = PATIENCE_S

    def path(self, path: Path) -> Path:
        """A path as the workers find it."""
        return path.absolute() if self.elsewhere else path


HERE = Workers()


def worker_count() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextmanager
def processes(count: int) -> Iterator[Workers]:
    """Processes of this computer; they end when this one does, however it ends."""
    if count == 1:
        yield HERE
        return
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(count, mp_context=context, initializer=_begin)
    try:
        yield Workers(pool, count)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def cluster(address: str) -> Iterator[Workers]:
    """The workers of a Dask cluster.

    They see the same files under the same paths, and have this version of meterlink. A capture
    whose worker is ended is measured by another one.

    Args:
        address: Of its scheduler, such as ``tcp://192.0.2.7:8786``.

    Raises:
        LabError: Dask is missing, no scheduler answers, or its workers cannot do the work.
    """
    try:
        client_of = import_module("distributed").Client
    except ImportError as error:
        raise LabError(
            "A cluster needs Dask, which is not installed. Install it with: python -m pip install "
            "'distributed>=2024.1' (or meterlink with its extra: '.[cluster]')."
        ) from error
    try:
        client = client_of(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise LabError(
            f"No Dask scheduler answers at {address[:100]}: {error}. Start one (dask scheduler) "
            "and give its address, such as tcp://192.0.2.7:8786."
        ) from error
    try:
        threads = client.nthreads()
        if not threads:
            raise LabError(f"The cluster at {address[:100]} has no worker. Start some: dask worker")
        try:
            versions = set(client.run(version).values())
        except Exception as error:
            raise LabError(f"The cluster's workers cannot run meterlink: {error!r}.") from error
        if versions != {__version__}:
            raise LabError(
                f"The cluster's workers have meterlink {', '.join(sorted(versions))}; this is "
                f"{__version__}. Install the same everywhere."
            )
        executor = client.get_executor(pure=False)
        yield Workers(executor, sum(threads.values()), lambda: bool(client.nthreads()), True)
    finally:
        client.close()


def version() -> str:
    """Of meterlink where this runs."""
    return __version__


def _begin() -> None:
    """In a new process: leave Ctrl-C to the main one, and end when it ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:

        def watch() -> None:
            parent.join()
            os._exit(1)

        threading.Thread(target=watch, name="watch parent", daemon=True).start()


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one capture.

    Attributes:
        task: The capture and its job.
        tests: How many tests it has; zero where it failed.
        added: How many of them were appended to the log.
        skipped: Whether it was done before and was not measured again.
        error: Why it failed, as a sentence for a person; empty where it did not.
        remarks: What was odd, in sentences.
    """

    task: Task
    tests: int = 0
    added: int = 0
    skipped: bool = False
    error: str = ""
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Result:
    """What a worker hands back: the digest of the capture, and what it found or why not."""

    digest: str = ""
    found: Visit | Replayed | None = None
    error: str = ""


def replay_into_one(
    tasks: Sequence[Task], folder: Path, workers: Workers = HERE
) -> Iterator[Outcome]:
    """Replay captures into one job, in order.

    The first capture that can be used makes ``job.toml`` where it is missing.

    Args:
        tasks: The captures; the job of each is ``folder``.
        folder: The job folder.
        workers: What measures.

    Yields:
        An outcome for each capture, in order.

    Raises:
        MeterlinkError: The log cannot be used; captures that were done stay done.
    """
    pending = deque(tasks)
    with _journal(folder) as journal:
        while pending and not (folder / JOB_FILE).exists():
            task = pending.popleft()
            yield _replayed(task, _replay(task), journal, "")
        if pending:
            yield from _into_open_log(pending, folder, journal, workers)


def _into_open_log(
    tasks: Iterable[Task], folder: Path, journal: Journal, workers: Workers
) -> Iterator[Outcome]:
    with CapturesLog(read_job(folder)) as log:

        def done_before(task: Task) -> Outcome | None:
            done = _entry(journal, task, "")
            return _skipped(task, done) if done and log.count(done.name) >= done.tests else None

        notes = tuple(log.remarks)
        for task, result in _spread(tasks, done_before, _measure, workers):
            outcome = (
                result if isinstance(result, Outcome) else _log_one(task, result, log, journal)
            )
            yield replace(outcome, remarks=notes + outcome.remarks)
            notes = ()


def replay_into_own(
    tasks: Sequence[Task], root: Path, workers: Workers = HERE
) -> Iterator[Outcome]:
    """Replay captures each into a job of its own.

    Args:
        tasks: The captures and their jobs, which are below ``root``.
        root: Folder of the jobs, where the journal is.
        workers: What measures.

    Yields:
        An outcome for each capture, in order.

    Raises:
        MeterlinkError: The folder cannot be used.
    """
    with _journal(root) as journal:

        def done_before(task: Task) -> Outcome | None:
            done = _entry(journal, task, _job_name(task, root))
            return _skipped(task, done) if done and _logged(task, done) else None

        for task, result in _spread(tasks, done_before, _replay, workers):
            if isinstance(result, Outcome):
                yield result
            else:
                yield _replayed(task, result, journal, _job_name(task, root))


def _replayed(task: Task, result: _Result, journal: Journal, job: str) -> Outcome:
    """Enter a capture that went through a whole replay."""
    done = result.found
    if not isinstance(done, Replayed):
        return Outcome(task, error=result.error)
    journal.add(result.digest, job, Done(done.rows[0].capture or "", len(done.rows)))
    return Outcome(task, len(done.rows), done.added, remarks=done.remarks)


def _entry(journal: Journal, task: Task, job: str) -> Done | None:
    """What the journal says of a capture; one that cannot be read is left to its turn."""
    with suppress(OSError):
        return journal.find(sha256(task.capture), job) if len(journal) else None
    return None


def _skipped(task: Task, done: Done) -> Outcome:
    return Outcome(task, done.tests, skipped=True)


def _job_name(task: Task, root: Path) -> str:
    return task.job.relative_to(root).as_posix()


def _logged(task: Task, done: Done) -> bool:
    """Whether the log of a job has all rows of a capture."""
    try:
        rows = read_rows(task.job / LOG_FILE, lambda _problem: None)
        return sum(row.capture == done.name for row in rows) >= done.tests
    except MeterlinkError:
        return False  # the replay will say why


def _journal(folder: Path) -> Journal:
    try:
        return Journal(folder)
    except OSError as error:
        raise LogError(
            f"{folder / JOURNAL_FILE} cannot be read: {error.strerror or error}. It only saves "
            "work: delete it, and captures are measured again."
        ) from error


def _log_one(task: Task, result: _Result, log: CapturesLog, journal: Journal) -> Outcome:
    if not isinstance(result.found, Visit):
        return Outcome(task, error=result.error)
    found = result.found
    name, numbers, added = log.add(task.capture, found.rows, found.digests)
    journal.add(result.digest, "", Done(name, len(numbers)))
    return Outcome(task, len(numbers), added, remarks=found.remarks)


def _measure(task: Task) -> _Result:
    """In a worker: read and measure."""
    return _tried(task, lambda: read_visit(task.capture, task.job))


def _replay(task: Task) -> _Result:
    """In a worker: the whole replay into a job of its own."""
    return _tried(task, lambda: replay_into(task.capture, task.job))


def _tried(task: Task, work: Callable[[], Visit | Replayed]) -> _Result:
    try:
        return _Result(digest=sha256(task.capture), found=work())
    except (MeterlinkError, DriverError) as error:
        return _Result(error=str(error))
    except OSError as error:
        why = f"{task.capture} cannot be read: {error.strerror or error}."
        return _Result(error=why)
    except Exception as error:  # noqa: BLE001 (one capture must not end the others)
        return _Result(error=f"{task.capture}: a fault in meterlink, please report it: {error!r}")


def _spread(
    tasks: Iterable[Task],
    done_before: Callable[[Task], Outcome | None],
    work: Callable[[Task], _Result],
    workers: Workers,
) -> Iterator[tuple[Task, Outcome | _Result]]:
    """Hand tasks to the workers, or do them here; results come in order."""
    executor = workers.executor
    if executor is None:
        yield from ((task, done_before(task) or work(task)) for task in tasks)
        return
    waiting: deque[tuple[Task, Outcome | Future[_Result]]] = deque()
    try:
        for task in tasks:
            handed = replace(task, capture=workers.path(task.capture), job=workers.path(task.job))
            waiting.append((task, done_before(task) or executor.submit(work, handed)))
            if len(waiting) >= _WAITING * workers.count:
                yield _finished(*waiting.popleft(), workers)
        while waiting:
            yield _finished(*waiting.popleft(), workers)
    except (BrokenExecutor, CancelledError) as error:
        raise LabError(
            "A worker process was ended from outside (out of memory?), or the cluster. What was "
            "done is kept: start again, with fewer --workers, and it goes on."
        ) from error
    finally:
        for _, result in waiting:
            if isinstance(result, Future):
                result.cancel()


def _finished(
    task: Task, result: Outcome | Future[_Result], workers: Workers
) -> tuple[Task, Outcome | _Result]:
    """Wait for a result as long as somebody works at it.

    Raises:
        LabError: Nobody does any more.
        BrokenExecutor: A process was ended.
    """
    if not isinstance(result, Future):
        return task, result
    while True:
        try:
            return task, result.result(workers.patience_s)
        except TimeoutError as error:
            if not workers.alive():
                raise LabError(
                    "No worker is left in the cluster. What was done is kept: start workers, then "
                    "the same command goes on."
                ) from error
        except (BrokenExecutor, CancelledError, MeterlinkError):
            raise
        except Exception as error:  # noqa: BLE001 (one capture may end worker after worker; the others go on)
            text = f"{task.capture}: nobody could measure it: {type(error).__name__}: {error}"
            return task, _Result(error=text[:500])


@dataclass(slots=True)
class Totals:
    """What has become of the captures so far.

    Attributes:
        captures, skipped: How many were looked at, and how many of them were done before.
        tests, added: Their tests, and rows appended.
        failed: Capture and reason.
        stopped: Captures that were not looked at, as a person or a signal stopped the replay.
    """

    captures: int = 0
    skipped: int = 0
    tests: int = 0
    added: int = 0
    failed: list[tuple[str, str]] = field(default_factory=list)
    stopped: int = 0

    def count(self, outcome: Outcome) -> None:
        """Add an outcome."""
        self.captures += 1
        self.skipped += outcome.skipped
        self.tests += outcome.tests
        self.added += outcome.added
        if outcome.error:
            self.failed.append((str(outcome.task.capture), outcome.error))


def summary_lines(totals: Totals) -> Iterator[str]:
    """The summary and the table of failures."""
    read = totals.captures - totals.skipped - len(totals.failed)
    yield (
        f"{counted(totals.captures, 'capture')}: {read} read, {totals.skipped} done before, "
        f"{len(totals.failed)} failed; {counted(totals.tests, 'test')}, {totals.added} appended"
    )
    if totals.stopped:
        yield f"stopped before {totals.stopped} more; the same command goes on with them"
    if totals.failed:
        yield ""
        yield "failed:"
        width = min(max(len(clean(path)) for path, _ in totals.failed), 50)
        for path, why in totals.failed:
            yield f"  {clean(path):{width}}  {clean(why.removeprefix(path).lstrip(':, '))}"


def summary_json(totals: Totals) -> str:
    """The same as one JSON object."""
    failed: Sequence[dict[str, str]] = [
        {"capture": path, "why": why} for path, why in totals.failed
    ]
    content = {
        "captures": totals.captures,
        "done_before": totals.skipped,
        "tests": totals.tests,
        "added": totals.added,
        "failed": failed,
        "not_looked_at": totals.stopped,
    }
    return json.dumps(content, indent=1)
