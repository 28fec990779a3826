"""``meterlink replay``: a recorded visit into a job's test log."""

import shutil
from pathlib import Path

import click


@click.command()
@click.argument("capture", type=click.Path(path_type=Path))
@click.option(
    "--job",
    required=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Job folder; it and its job.toml are made from the capture's header where missing.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the rows as one JSON object.")
def command(capture: Path, *, job: Path, as_json: bool) -> None:
    r"""Read CAPTURE, measure its tests and append them to the log of the job in DIR.

    Nothing is logged unless the whole capture can be used. The capture is kept in DIR/captures. A
    replay that was interrupted goes on when it is called again; one that was done adds nothing.

    \b
    Examples:
      meterlink replay visit.jsonl --job upstairs
      meterlink replay visit.jsonl --job upstairs --json | jq '.rows[].drop_mV'
    """
    from meterlink.commands.job_input import remark
    from meterlink.testlog.from_capture import replay_into

    done = replay_into(capture, job)
    for text in done.remarks:
        remark(text)
    if as_json:
        from meterlink.show.rows_json import rows_json

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
