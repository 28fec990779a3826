"""``meterlink replay``: recorded visits into a job's test log, one or thousands."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from meterlink.errors import UsageError

if TYPE_CHECKING:
    from meterlink.lab.many import Outcome, Totals

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
@click.option(
    "--cluster",
    "cluster_address",
    metavar="ADDRESS",
    help="Measure on a Dask cluster, given its scheduler; it sees the same files by the same "
    "paths. Results do not depend on it.",
)
@click.option("--json", "as_json", is_flag=True, help="Print rows or summary as one JSON object.")
def command(
    captures: tuple[Path, ...],
    *,
    job: Path | None,
    jobs: Path | None,
    workers: int | None,
    cluster_address: str | None,
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
      meterlink replay recordings --jobs evaluated --cluster tcp://192.0.2.7:8786
    """
    if (job is None) == (jobs is None):
        raise UsageError("Give --job DIR for one job, or --jobs DIR for a job for each capture.")
    if workers is not None and cluster_address is not None:
        raise UsageError("--workers are of this computer, --cluster has its own. Choose one.")
    if job is not None and len(captures) == 1 and not captures[0].is_dir():
        _replay_one(captures[0], job, as_json=as_json)
    else:
        _replay_many(captures, job, jobs, workers, cluster_address, as_json=as_json)


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
    from meterlink.live.terminal import columns
    from meterlink.show.format import table_lines

    for line in table_lines(done.rows, columns(120, unknown=100)):
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
    cluster_address: str | None,
    *,
    as_json: bool,
) -> None:
    from meterlink.lab import many
    from meterlink.lab.worklist import into_one_job, into_own_jobs
    from meterlink.live.terminal import end_in_order

    if job is not None:
        tasks = into_one_job(captures, job)
    elif jobs is not None:
        tasks = into_own_jobs(captures, jobs)
    totals = many.Totals()
    end_in_order()
    try:
        if cluster_address is not None:
            chosen = many.cluster(cluster_address)
        else:
            chosen = many.processes(min(workers or many.worker_count(), len(tasks)))
        with chosen as measuring:
            if job is not None:
                outcomes = many.replay_into_one(tasks, job, measuring)
            elif jobs is not None:
                outcomes = many.replay_into_own(tasks, jobs, measuring)
            _count(outcomes, len(tasks), totals)
    except KeyboardInterrupt:
        totals.stopped = len(tasks) - totals.captures
    click.echo(many.summary_json(totals) if as_json else "\n".join(many.summary_lines(totals)))
    if totals.failed or totals.stopped:
        sys.exit(1)


def _count(outcomes: "Iterator[Outcome]", total: int, totals: "Totals") -> None:
    """Count outcomes as they come, with progress and the first remarks on standard error."""
    from meterlink.commands.job_input import remark
    from meterlink.live.terminal import Progress

    remarks = 0
    with Progress("captures") as progress:
        for outcome in outcomes:
            totals.count(outcome)
            for text in outcome.remarks:
                remarks += 1
                if remarks <= _MAX_REMARKS:
                    remark(text)
            progress.share(totals.captures, totals.captures / total)
    if remarks > _MAX_REMARKS:
        remark(f"{remarks - _MAX_REMARKS} remarks more; replay a capture alone to see its own.")
