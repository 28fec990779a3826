"""Who measures captures: this process, processes of this computer, or the workers of a cluster.

Any executor of ``concurrent.futures`` will do; results do not depend on it.
"""

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

from meterlink import __version__
from meterlink.errors import LabError

CONNECT_S = 10
PATIENCE_S = 20.0


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
