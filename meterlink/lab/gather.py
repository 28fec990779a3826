"""Which captures a list of files and folders means, and which job each goes into."""

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from meterlink.circuit.job import JOB_FILE
from meterlink.errors import LabError, UsageError

SUFFIX = ".jsonl"


@dataclass(frozen=True, slots=True)
class Task:
    """A capture and the folder of the job that it goes into."""

    capture: Path
    job: Path


def captures_in(given: Iterable[Path]) -> list[tuple[Path, Path]]:
    """Files as given, and all captures below folders as given, sorted within each folder.

    Job folders keep copies of what was replayed into them; those are not replayed again.

    Returns:
        Pairs of a capture and its path below the folder that was given (its name, for a file).

    Raises:
        LabError: A folder holds no capture.
    """
    found: dict[Path, tuple[Path, Path]] = {}
    for path in given:
        below = list(_below(path)) if path.is_dir() else [path]
        if not below:
            raise LabError(
                f"{path} holds no capture (a file whose name ends in {SUFFIX}). Give the folder "
                "of the captures, or the files."
            )
        for capture in below:
            relative = capture.relative_to(path) if path.is_dir() else Path(path.name)
            found.setdefault(capture.resolve(), (capture, relative))
    return list(found.values())


def into_one_job(given: Iterable[Path], job: Path) -> list[Task]:
    """All captures into one job."""
    return [Task(capture, job) for capture, _ in captures_in(given)]


def into_own_jobs(given: Iterable[Path], jobs: Path) -> list[Task]:
    """Each capture into a job of its own, named as the capture is, without its suffix.

    Raises:
        UsageError: Two captures have the same name.
    """
    by_job: dict[Path, Path] = {}
    for capture, relative in captures_in(given):
        job = jobs / relative.with_suffix("")
        if job in by_job:
            raise UsageError(
                f"{by_job[job]} and {capture} would both go into {job}. Give the folder that holds "
                "both, so that their paths below it tell them apart."
            )
        by_job[job] = capture
    return [Task(capture, job) for job, capture in by_job.items()]


def _below(folder: Path) -> Iterator[Path]:
    for where, folders, files in os.walk(folder):
        keeps_copies = JOB_FILE in files
        folders[:] = sorted(
            name
            for name in folders
            if not name.startswith(".") and not (keeps_copies and name == "captures")
        )
        for name in sorted(files):
            if name.endswith(SUFFIX) and not name.startswith("."):
                yield Path(where) / name
