"""``meterlink trials``: take repeat trials, evaluate them, hand the log to other tools."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from meterlink.commands.trials_run import run
from meterlink.errors import UsageError
from meterlink.lab.uncertainty import DEFAULT_CONFIDENCE, parse_component, parse_known
from meterlink.live.terminal import Progress

if TYPE_CHECKING:
    from meterlink.lab.study import Study
    from meterlink.lab.table import Condition


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
    removed ('meterlink withdraw') are left out and named.

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


class _TrialsGroup(click.Group):
    """``trials LOG...`` is ``trials evaluate LOG...``."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Put the name of the usual command in front where none is given."""
        if args and args[0] not in self.commands and args[0] not in ("-h", "--help"):
            args = ["evaluate", *args]
        return super().parse_args(ctx, args)


@click.group(cls=_TrialsGroup)
def command() -> None:
    r"""Repeat trials: how good is this meter, lead set, hookup or person.

    ``trials LOG...`` is short for ``trials evaluate LOG...``; see its --help for all options.

    \b
    Examples:
      meterlink trials bench/tests.csv
      meterlink trials meter-1 meter-2 --by log
      meterlink trials study --by setup --by operator
      meterlink trials run --help
    """


command.add_command(run)
command.add_command(export)


@command.command()
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--value", default="drop_mV", show_default=True, help="Column to evaluate.")
@click.option("--per-amp", is_flag=True, help="Divide it by the row's amps: mV become mohm.")
@click.option(
    "--group",
    "groups",
    multiple=True,
    metavar="COLUMN",
    help="Rows equal in these columns are one series. Default: setup (hookup, leads, load).",
)
@click.option(
    "--by",
    "factors",
    multiple=True,
    metavar="COLUMN",
    help="Compare its levels. Given twice: a crossed study, what is measured first.",
)
@click.option(
    "--also",
    "components",
    multiple=True,
    metavar="U[%][:DOF]",
    help="Standard uncertainty that repeating does not show, such as the meter's calibration.",
)
@click.option(
    "--leave-out",
    multiple=True,
    metavar="[LOG:]TEST",
    help="Number of a trial that you decided against; with its log where there are several.",
)
@click.option(
    "--only",
    multiple=True,
    metavar="COLUMN=TEXT",
    help="Rows that have it, such as verdict=in-path, operator=Ann, day=2026-03-02, flags=late.",
)
@click.option(
    "--without",
    multiple=True,
    metavar="COLUMN=TEXT",
    help="Rows that do not have it; flags= is no flag at all.",
)
@click.option("--since", metavar="TIME", help="Rows from then on: a date, or date and time.")
@click.option("--until", metavar="TIME", help="Rows before then.")
@click.option(
    "--all-verdicts",
    is_flag=True,
    help="Count unclear rows too, and not-in-path ones where the same hookup is in the path.",
)
@click.option(
    "--resolution",
    type=click.FloatRange(min=0, max=1e9),
    metavar="STEP",
    help="Step of the display, in the unit of the values; it adds to the uncertainty.",
)
@click.option(
    "--known", metavar="VALUE[:U]", help="What the mean should be, with its standard uncertainty."
)
@click.option("--confidence", default=DEFAULT_CONFIDENCE, show_default=True, help="Of intervals.")
@click.option("--json", "as_json", is_flag=True, help="All figures as one JSON object.")
@click.option("--csv", "as_csv", is_flag=True, help="All figures as CSV, a row a group.")
@click.option("--plot", type=click.Path(path_type=Path, dir_okay=False), help="Write a page.")
def evaluate(
    logs: tuple[Path, ...],
    *,
    value: str,
    per_amp: bool,
    groups: tuple[str, ...],
    factors: tuple[str, ...],
    components: tuple[str, ...],
    leave_out: tuple[str, ...],
    only: tuple[str, ...],
    without: tuple[str, ...],
    since: str | None,
    until: str | None,
    all_verdicts: bool,
    resolution: float | None,
    known: str | None,
    confidence: float,
    as_json: bool,
    as_csv: bool,
    plot: Path | None,
) -> None:
    r"""Statistics of the trials in LOGS (test logs or job folders).

    For each series: mean, repeatability standard deviation, uncertainty, drift, suspected outliers
    (named, never left out), and whether the stated drop_u_mV agrees with the spread seen. COLUMN is
    any column of the logs, or one of: setup (hookup, leads and load), log (the path as given), day.
    Tests that were removed ('meterlink withdraw') are left out and named; so are rows that are
    unclear, or not-in-path where the same hookup is in the path in others.

    \b
    Examples:
      meterlink trials bench
      meterlink trials meter-1 meter-2 meter-3 --by log --plot meters.html
      meterlink trials study --by setup --by operator --without operator=Cay
      meterlink trials bench --also 0.3% --also 0.05:12 --confidence 0.99 --leave-out 14
      meterlink trials bench --known 150:0.2 --resolution 0.1 --since 2026-03-02
      meterlink trials bench --json | jq '.groups[] | {name, mean, sd}'
    """
    from meterlink.commands.job_input import remark
    from meterlink.lab.series import Terms
    from meterlink.lab.study import study_logs
    from meterlink.lab.table import Question

    if as_json and as_csv:
        raise UsageError("--json and --csv exclude each other. Choose one.")
    if resolution is not None and not resolution >= 0:  # nan is within every range of options
        raise UsageError(f"--resolution is {resolution:g}; expected the step of the display.")
    if not 0.5 <= confidence < 1:
        raise UsageError(f"--confidence is {confidence:g}; expected 0.5 or more, below 1.")
    if len(factors) > 2 or len(set(factors)) < len(factors):
        raise UsageError("--by takes one column, or two different ones. Leave the others out.")
    if len(factors) == 2 and (components or known or resolution):
        raise UsageError(
            "--also, --known and --resolution are about a mean; a study of two factors states "
            "none. Leave one --by out, or them."
        )
    chosen = groups or tuple(name for name in ("setup",) if name not in factors)
    question = Question(
        value=value,
        per_amp=per_amp,
        groups=tuple(name for name in dict.fromkeys(chosen) if name not in factors),
        factors=factors,
        left_out=_left_out(leave_out, logs),
        conditions=(*_conditions(only, wanted=True), *_conditions(without, wanted=False)),
        since_s=_moment("--since", since),
        until_s=_moment("--until", until),
        all_verdicts=all_verdicts,
    )
    terms = Terms([parse_component(text) for text in components], confidence, resolution,
                  parse_known(known) if known is not None else None)  # fmt: skip
    with Progress("rows") as progress:
        study = study_logs(logs, question, terms, progress.share)
    if leave_out:
        remark(f"left out as asked: {', '.join(leave_out)}.")
    for text in (*study.remarks, *study.problems):
        remark(text)
    if study.problem_count:
        remark(f"{study.problem_count} rows could not be used; correct them to have them count.")
    if plot is not None:
        _write_page(study, plot)
    click.echo(_shown(study, as_json=as_json, as_csv=as_csv), nl=not as_csv)


def _conditions(texts: tuple[str, ...], *, wanted: bool) -> "list[Condition]":
    from meterlink.lab.table import Condition

    found = []
    for text in texts:
        column, equals, value = text.partition("=")
        if not column or not equals:
            option = "--only" if wanted else "--without"
            raise UsageError(f"{option} {text[:60]!r}: expected COLUMN=TEXT, as in operator=Ann.")
        found.append(Condition(column, value, wanted))
    return found


def _moment(option: str, text: str | None) -> float | None:
    """Seconds since 1970 of ``--since`` and ``--until``."""
    from meterlink.lab.csv_records import moment

    if text is None:
        return None
    time = moment(text)
    if time is None:
        raise UsageError(
            f"{option} {text[:40]!r}: expected a date as in 2026-03-02, or a time as in "
            "2026-03-02T09:30+01:00."
        )
    return time.timestamp()


def _left_out(texts: tuple[str, ...], logs: tuple[Path, ...]) -> frozenset[tuple[str, int]]:
    """Trials of ``--leave-out``, each with the path of its log as given."""
    found = set()
    for text in texts:
        log, _, number = text.rpartition(":")
        if not log and len(logs) == 1:
            log = str(logs[0])
        if log not in map(str, logs) or not number.isascii() or not number.isdigit():
            raise UsageError(
                f"--leave-out {text[:60]!r}: expected the number of a test, with the path of its "
                f"log in front where there are several, such as {str(logs[0])[:60]}:14. A level "
                "is left out by --without, such as --without operator=Cay."
            )
        found.add((log, int(number[:17])))
    return frozenset(found)


def _shown(study: "Study", *, as_json: bool, as_csv: bool) -> str:
    from meterlink.lab.figures import study_csv, study_json, study_lines

    if as_json:
        return study_json(study)
    return study_csv(study) if as_csv else "\n".join(study_lines(study))


def _write_page(study: "Study", path: Path) -> None:
    from meterlink.commands.job_input import remark
    from meterlink.errors import LogError
    from meterlink.files import write_durably
    from meterlink.lab.page import render_page

    try:
        write_durably(path, [render_page(study).encode("utf-8")])
    except OSError as error:
        raise LogError(
            f"{path} cannot be written: {error.strerror or error}. Check that its folder exists "
            "and the disk has room."
        ) from error
    remark(f"plots written to {path}.")
