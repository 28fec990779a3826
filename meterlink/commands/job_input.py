"""What several commands read before they start: the job and its log, remarks told on the way."""

import os
from collections.abc import Iterable, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from meterlink.circuit.checks import meant, unknown_name
from meterlink.circuit.job import JOB_FILE, Job, read_job
from meterlink.errors import LogError, UsageError
from meterlink.files import why
from meterlink.live.terminal import tell
from meterlink.testlog.columns import TestRow
from meterlink.testlog.findings import Finding, read_findings, withdrawn_tests
from meterlink.testlog.reader import Problem, read_rows
from meterlink.tree.observations import USUAL_AMPS

if TYPE_CHECKING:
    from meterlink.answers.wirings import Known


def remark(text: object) -> None:
    """Tell the person something on standard error."""
    tell(text)


def show_done(lines: Iterable[str]) -> None:
    """Print what has been done: where standard output is gone, the work is no less done."""
    try:
        for line in lines:
            click.echo(line)
    except OSError as error:
        with suppress(OSError):
            remark(f"done, but it cannot be shown: {why(error)}.")
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # or the interpreter complains at its end


def job_from(folder: Path) -> Job:
    """Read ``job.toml`` and tell what in it cannot be used."""
    job = read_job(folder)
    for text in job.remarks:
        remark(text)
    return job


def rows_of(job: Job) -> list[TestRow]:
    """Read the tests that count; what cannot be read is told by line, what was removed named.

    Raises:
        LogError: No test log, or a row that names a receptacle which the circuit does not have.
    """

    def tell(problem: Problem) -> None:
        remark(f"{problem} The row is left out; correct it to have it count.")

    away = withdrawn_tests(job.folder, remark)
    rows = [row for row in read_rows(job.log_path, tell) if row.test not in away]
    if away:
        numbers = ", ".join(map(str, sorted(away)))
        remark(f"removed and left out: test {numbers} (withdrawn.jsonl).")
    if job.circuit.load_amps is None and any(row.amps is None for row in rows):
        remark(
            f"the current of the load is not known; {USUAL_AMPS:g} A is taken, and resistances and "
            f"lengths are only as good as that. Write it to {JOB_FILE}: [load] amps."
        )
    for row in rows:
        if (unknown := unknown_name(row.setup, job.circuit)) is not None:
            raise LogError(
                f"{job.log_path}, test {row.test}: {unknown} Correct the row, or add the name to "
                "job.toml."
            )
    return rows


def findings_of(job: Job) -> list[Finding]:
    """What was found with the power off; rows that cannot be read are told and left out."""
    return read_findings(job.folder, remark)


def known_from(job: Job) -> tuple["Known", list[TestRow], list[Finding]]:
    """What a job's log says, with rows and findings; a job without a log has no rows.

    Raises:
        LogError: The log cannot be read, or names a receptacle which the circuit does not have.
    """
    from meterlink.answers.wirings import known_of

    rows = rows_of(job) if job.log_path.exists() else []
    findings = findings_of(job)
    return known_of(job.circuit, rows, findings), rows, findings


def names_from(values: Sequence[str], known: Sequence[str], option: str) -> list[str]:
    """Receptacles named one by one or with commas between; a name may itself hold a comma.

    Raises:
        UsageError: A name that the circuit does not have.
    """
    found: list[str] = []
    for value in values:
        whole = _one_of(value, known)
        parts = [value] if whole else [part.strip() for part in value.split(",")]
        for part in parts:
            if (name := _one_of(part, known)) is None:
                raise UsageError(
                    f"{option}: {part!r} is no receptacle of this job. Known: {', '.join(known)}."
                )
            found.append(name)
    return list(dict.fromkeys(found))


def time_from(text: str | None) -> datetime:
    """The time that ``--time`` states, or now; with offset.

    Raises:
        UsageError: It is no time.
    """
    if text is None:
        return datetime.now().astimezone()
    try:
        time = datetime.fromisoformat(text)
        return time.astimezone() if time.tzinfo is None else time
    except (ValueError, OverflowError) as error:
        raise UsageError(
            f"--time {text[:40]!r} is no ISO 8601 time; write such as 2026-03-02T09:14:05+00:00."
        ) from error


def _one_of(text: str, known: Sequence[str]) -> str | None:
    """The receptacle that a text means: exactly, or without regard to case where that is one."""
    alike = meant(text, known)
    return alike[0] if len(alike) == 1 else None
