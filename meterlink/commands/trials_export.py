"""``meterlink trials export``: logs as one table for other programs."""

from pathlib import Path

import click

_TOLD = 10


@click.command("export")
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="File to write; its name ends in .parquet or .csv.",
)
def export(logs: tuple[Path, ...], *, out: Path) -> None:
    r"""Write the rows of LOGS (test logs or job folders) to one table.

    Its first column is the log; columns that only some logs have come last. A single log needs no
    export: tests.csv opens in table programs as it is, with its schema beside it. Tests that were
    taken back ('meterlink withdraw') are left out and named.

    \b
    Examples:
      meterlink trials export bench --out bench.parquet
      meterlink trials export evaluated/*/* --out all.csv
    """
    from meterlink.commands.job_input import remark
    from meterlink.lab.export import export_logs

    problems = 0

    def tell(text: str) -> None:
        nonlocal problems
        problems += 1
        if problems <= _TOLD:
            remark(text)

    done = export_logs(logs, out, tell)
    if problems:
        remark(f"{problems} rows or figures could not be used; correct them to have them count.")
    for text in done.remarks:
        remark(text)
    remark(f"{done.rows} rows written to {out}.")
