"""The command line: a group whose commands are imported only when they are called."""

import codecs
import importlib
import io
import os
import sys
from typing import Literal, NoReturn, TextIO

import click

from meterlink import __version__

COMMANDS: dict[str, tuple[str, str]] = {
    # name: (module in ``meterlink.commands`` and its click command, line for ``meterlink --help``)
    "demo": (
        "simulate:demo_command",
        "The whole job on a simulated circuit, to a map and files.",
    ),
    "start": ("start:command", "Describe a circuit: the job folder for its tests."),
    "meters": ("meters:meters_command", "Which meters are there, and by what address."),
    "watch": ("meters:watch_command", "The running readings of a meter, recorded."),
    "test": ("guided:command", "The guided tests of a circuit, with a live meter."),
    "next": ("next:command", "The test that is worth most now, and why."),
    "map": ("answers:map_command", "The wiring order that the tests say, with probabilities."),
    "protect": ("answers:protect_command", "Where ground-fault devices protect everything."),
    "fault": ("answers:fault_command", "Dead or flickering: which box to open first."),
    "isolate": ("isolate:command", "The check with the power off: steps, and what it finds."),
    "report": ("answers:report_command", "One page to hand over, and what goes on the door."),
    "replay": ("replay:command", "Read a recorded visit into a job's test log."),
    "enter": ("enter:enter_command", "A test read off a meter by eye, into the log."),
    "ring": ("answers:ring_command", "What the readings of a dead ring circuit mean."),
    "withdraw": ("enter:withdraw_command", "Remove a test that is known to be wrong."),
    "trials": ("trials:command", "Repeat trials: take them, and what they say."),
    "simulate": ("simulate:simulate_command", "Be a meter, for learning and for developing."),
}


class LazyGroup(click.Group):
    """A group that knows its commands by name and loads a module only to run it."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the job."""
        del ctx  # they are the same wherever it is asked
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the module of one command."""
        del ctx
        if cmd_name not in COMMANDS:
            return None
        module, _, attribute = COMMANDS[cmd_name][0].partition(":")
        command = getattr(importlib.import_module(f"meterlink.commands.{module}"), attribute)
        if not isinstance(command, click.Command):
            raise TypeError(f"{COMMANDS[cmd_name][0]} is no click command")
        _keep_lines_of_examples(command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the table, so that help imports none of them."""
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


def _keep_lines_of_examples(command: click.Command) -> None:
    r"""Make ``\b``, as raw docstrings spell it, the backspace that click looks for."""
    command.help = (command.help or "").replace("\\b\n", "\b\n")
    for part in getattr(command, "commands", {}).values():
        _keep_lines_of_examples(part)


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="meterlink")
def group() -> None:
    r"""Find out how the receptacles on one breaker are wired, from millivolts between neutrals.

    \b
    Examples:
      meterlink demo
      meterlink replay visit.jsonl --job upstairs
      meterlink map upstairs
    """


_keep_lines_of_examples(group)


#: Characters for which a terminal or pipe that lacks them has a plain spelling; never a quote or a
#: backslash. Any other is escaped.
PLAIN = {
    **dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2212\u2500", "-"),
    **dict.fromkeys("\u00b5\u03bc", "u"),
    **dict.fromkeys("\u03a9\u2126", "ohm"),
    **dict.fromkeys("\u2018\u2019\u201c\u201d", "'"),
    **dict.fromkeys("\u00b7\u2022", "*"),
    "\u00b1": "+-",
    "\u00d7": "x",
    "\u2026": "...",
    "\u00b0": "deg ",
    "\u2192": "->",
    "\u2264": "<=",
    "\u2265": ">=",
    "\u2248": "~",
    "\u221a": "sqrt ",
    "\u00b2": "2",
}


def spelled_plainly(error: UnicodeError) -> tuple[str, int]:
    """An error handler of ``codecs``: what an encoding lacks, in characters that it has."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lacking = error.object[error.start : error.end]
    escaped = (PLAIN.get(c) or c.encode("ascii", "backslashreplace").decode() for c in lacking)
    return "".join(escaped), error.end


def _nowhere(mode: Literal["r", "w"]) -> TextIO:
    """A stream that gives nothing and takes everything, open to the end of the program."""
    return os.fdopen(os.open(os.devnull, os.O_RDWR), mode, encoding="utf-8")


def _prepare_streams() -> None:
    """Nothing fails for characters that are printed or typed, or for a stream that is closed."""
    codecs.register_error("meterlink.plain", spelled_plainly)
    if sys.stdin is None:
        sys.stdin = _nowhere("r")
    elif isinstance(sys.stdin, io.TextIOWrapper) and sys.stdin.errors != "replace":
        sys.stdin.reconfigure(errors="replace")
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, _nowhere("w"))
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="meterlink.plain")


def _compute_in_one_thread() -> None:
    """Many small matrices gain nothing from several threads, and threads wait for each other.

    Measured on a busy machine of two cores: a look for a sag took 0.61 s of processor time with
    two threads and 0.02 s with one; the next test 1.4 s with either.

    Read when numpy is imported, which no command has done yet; what the person chose stays.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def main() -> NoReturn:
    """Run the command line; every error that a person can act on is one message, no traceback."""
    from drivers.errors import DriverError
    from meterlink.errors import MeterlinkError

    _prepare_streams()
    _compute_in_one_thread()
    try:
        group(prog_name="meterlink", standalone_mode=True)
    except MeterlinkError as error:
        _fail(error, error.exit_code)
    except DriverError as error:
        _fail(error)
    except OSError as error:  # standard output is full or gone; the rest has its own errors
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # or the interpreter complains at its end
        _fail(f"stopped: {error}. Look at that file or disk, try again.")
    except Exception as error:  # the last resort: no traceback reaches a user unasked
        if os.environ.get("METERLINK_TRACE"):
            raise
        _fail(
            f"a defect of this program: {type(error).__name__}: {error}. What was logged is safe. "
            "Run it again with METERLINK_TRACE=1 to see where, and report that."
        )
    sys.exit(0)


def _fail(text: object, code: int = 1) -> NoReturn:
    from meterlink.live.terminal import tell

    tell(text)
    sys.exit(code)
