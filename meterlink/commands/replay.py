"""``meterlink replay``: recorded visits into a job's test log, one or thousands."""

import shutil
import sys
import time
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from meterlink.errors import UsageError

if TYPE_CHECKING:
    from meterlink.lab.many import Outcome
    from meterlink.lab.replay_words import Totals

_EVERY_S = 5.0  # between two lines of progress where there is no terminal
_MAX_REMARKS = 20  # of many captures; the rest is counted


@click.command()
@click.argument("captures", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--job",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Job folder; it and its job.toml are made from the capture's header where missing.",
)
@click.option(
    "--jobs",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="A job for each capture, below DIR, named as the capture is.",
)
@click.option(
    "--workers",
    type=click.IntRange(1, 256),
    help="Processes for many captures. Default: one a core. Results do not depend on it.",
)
@click.option("--json", "as_json", is_flag=True, help="Print rows or summary as one JSON object.")
def command(
    captures: tuple[Path, ...],
    *,
    job: Path | None,
    jobs: Path | None,
    workers: int | None,
    as_json: bool,
) -> None:
    r"""Read CAPTURES, measure their tests and append them to the log of the job in DIR.

    Nothing of a capture is logged unless the whole of it can be used. Captures are kept in
    DIR/captures. A replay that was interrupted goes on when it is called again; one that was done
    adds nothing. Of a folder, all captures below it are read, on all cores; those that fail are
    listed at the end and the rest is done.

    \b
    Examples:
      meterlink replay visit.jsonl --job upstairs
      meterlink replay visit.jsonl --job upstairs --json | jq '.rows[].drop_mV'
      meterlink replay monday.jsonl tuesday.jsonl --job upstairs
      meterlink replay recordings --jobs evaluated --workers 4
    """
    if (job is None) == (jobs is None):
        raise UsageError("Give --job DIR for one job, or --jobs DIR for a job for each capture.")
    if job is not None and len(captures) == 1 and not captures[0].is_dir():
        _replay_one(captures[0], job, as_json=as_json)
    else:
        _replay_many(captures, job, jobs, workers, as_json=as_json)


def _replay_one(capture: Path, job: Path, *, as_json: bool) -> None:
    from meterlink.commands.job_input import remark
    from meterlink.testlog.from_capture import replay_into

    done = replay_into(capture, job)
    for text in done.remarks:
        remark(text)
    if as_json:
        from meterlink.show.as_json import rows_json

        click.echo(rows_json(done.rows, done.added))
        return
    from meterlink.show.tests_table import table_lines

    for line in table_lines(done.rows, min(shutil.get_terminal_size((100, 24)).columns, 120)):
        click.echo(line)
    log = done.job.log_path
    if done.added:
        remark(f"{done.added} of {len(done.rows)} tests appended to {log}.")
    else:
        remark(f"all {len(done.rows)} tests of this capture are in {log} already; none was added.")


def _replay_many(
    captures: tuple[Path, ...],
    job: Path | None,
    jobs: Path | None,
    workers: int | None,
    *,
    as_json: bool,
) -> None:
    from meterlink.lab.gather import into_one_job, into_own_jobs
    from meterlink.lab.many import replay_into_one, replay_into_own, worker_count
    from meterlink.lab.replay_words import summary_json, summary_lines

    count = workers or worker_count()
    if job is not None:
        tasks = into_one_job(captures, job)
        outcomes = replay_into_one(tasks, job, min(count, len(tasks)))
    elif jobs is not None:
        tasks = into_own_jobs(captures, jobs)
        outcomes = replay_into_own(tasks, jobs, min(count, len(tasks)))
    totals = _counted(outcomes, len(tasks))
    click.echo(summary_json(totals) if as_json else "\n".join(summary_lines(totals)))
    if totals.failed:
        sys.exit(1)


def _counted(outcomes: "Iterable[Outcome]", total: int) -> "Totals":
    """Count outcomes as they come, with progress and the first remarks on standard error."""
    from meterlink.commands.job_input import remark
    from meterlink.lab.replay_words import Totals

    totals, remarks = Totals(), 0
    on_terminal = sys.stderr.isatty()
    started = shown = time.monotonic()
    for outcome in outcomes:
        totals.count(outcome)
        for text in outcome.remarks:
            remarks += 1
            if remarks <= _MAX_REMARKS:
                remark(text)
        now = time.monotonic()
        if now - shown > (0.2 if on_terminal else _EVERY_S) and totals.captures < total:
            shown = now
            left_s = (now - started) / totals.captures * (total - totals.captures)
            text = f"{totals.captures} of {total} captures, about {left_s:.0f} s left"
            click.echo(f"\r\x1b[K{text}" if on_terminal else text, err=True, nl=not on_terminal)
    if on_terminal:
        click.echo("\r\x1b[K", err=True, nl=False)
    if remarks > _MAX_REMARKS:
        remark(f"{remarks - _MAX_REMARKS} remarks more; replay a capture alone to see its own.")
    return totals
