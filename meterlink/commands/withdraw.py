"""``meterlink withdraw``: a test in the log that is not to count."""

from datetime import datetime
from pathlib import Path

import click

from meterlink.errors import UsageError


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="DIR")
@click.argument("test", type=click.IntRange(min=1), metavar="TEST")
@click.option("--why", default="", help="The reason, kept with it.")
def command(job: Path, *, test: int, why: str) -> None:
    r"""Remove test number TEST in DIR: it stays in the log and does not count.

    For a test that is known to be wrong: a lead or the load was at another receptacle than written
    down. A test that only looks odd is better left: it is outvoted by others, and named.

    \b
    Examples:
      meterlink withdraw upstairs 7 --why "the load was at Bed"
    """
    from meterlink.commands.job_input import job_from, remark
    from meterlink.testlog.findings import withdraw, withdrawn_tests
    from meterlink.testlog.reader import read_rows

    opened = job_from(job)
    numbers = {row.test for row in read_rows(opened.log_path, remark)}
    if test not in numbers:
        raise UsageError(f"There is no test {test} in {opened.log_path}: it has {len(numbers)}.")
    if test in withdrawn_tests(opened.folder):
        remark(f"test {test} was removed before.")
        return
    withdraw(opened.folder, test, datetime.now().astimezone(), why)
    remark(f"test {test} does not count; it stays in {opened.log_path.name}.")
