"""The command line itself: every end is one message and a number, whatever goes wrong."""

import io
import sys
from collections.abc import Callable

import click
import pytest
from conftest import Run

from drivers.errors import OpeningError
from meterlink import cli
from meterlink.cli import COMMANDS, LazyGroup, spelled_plainly
from meterlink.errors import JobError, UsageError


def ended(monkeypatch, capsys, error: BaseException | None = None) -> Run:
    """How the command line ends where a command raises this."""

    def group(**how: object) -> None:
        if error is not None:
            raise error

    monkeypatch.setattr(cli, "group", group)
    monkeypatch.setattr("os.dup2", lambda *ends: None)  # standard output is the test's
    with pytest.raises(SystemExit) as end:
        cli.main()
    out, err = capsys.readouterr()
    assert isinstance(end.value.code, int)
    return Run(end.value.code, out, err)


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [
        (None, 0, ""),
        (UsageError("Give a name."), 2, "Give a name."),
        (JobError("job.toml is not there."), 1, "job.toml is not there."),
        (OpeningError("COM5 is in use."), 1, "COM5 is in use."),
        (OSError(28, "No space left on device"), 1, "No space left on device. Look at that file"),
    ],
)
def test_an_error_that_a_person_can_act_on_is_its_message(
    monkeypatch, capsys, error, code: int, words: str
) -> None:
    run = ended(monkeypatch, capsys, error)
    assert run.code == code
    assert words in run.err
    assert "Traceback" not in run.err
    assert run.out == ""


def test_a_defect_ends_as_one_message_and_shows_itself_where_it_is_asked_to(
    monkeypatch, capsys
) -> None:
    monkeypatch.delenv("METERLINK_TRACE", raising=False)
    run = ended(monkeypatch, capsys, ZeroDivisionError("division by zero"))
    assert run.code == 1
    assert "a defect of this program: ZeroDivisionError: division by zero" in run.err
    assert "METERLINK_TRACE=1" in run.err
    monkeypatch.setenv("METERLINK_TRACE", "1")
    monkeypatch.setattr(cli, "group", lambda **how: 1 // 0)
    with pytest.raises(ZeroDivisionError):
        cli.main()


def test_streams_that_the_caller_closed_are_no_reason_to_fail(monkeypatch) -> None:
    monkeypatch.setattr(cli, "group", lambda **how: print("to nobody"))
    for name in ("stdin", "stdout", "stderr"):
        monkeypatch.setattr(sys, name, None)
    with pytest.raises(SystemExit) as end:
        cli.main()
    assert sys.stdin.read() == ""
    opened = sys.stdin, sys.stdout, sys.stderr
    monkeypatch.undo()
    for stream in opened:
        stream.close()
    assert end.value.code == 0


def test_bytes_on_standard_input_that_are_no_text_are_read_as_replaced(monkeypatch) -> None:
    read: list[str] = []
    monkeypatch.setattr(cli, "group", lambda **how: read.extend(sys.stdin))
    typed = io.TextIOWrapper(io.BytesIO(b"ready\n\xff\nstop\n"), encoding="utf-8")
    monkeypatch.setattr(sys, "stdin", typed)
    with pytest.raises(SystemExit) as end:
        cli.main()
    assert end.value.code == 0
    assert read == ["ready\n", "\ufffd\n", "stop\n"]


def test_help_lists_every_command_in_the_order_of_the_job(meterlink: Callable[..., Run]) -> None:
    run = meterlink("--help")
    assert run.code == 0
    places = [run.out.index(f"\n  {name} ") for name in COMMANDS]
    assert places == sorted(places)
    assert all(line.split()[0] in run.out for _, line in COMMANDS.values())


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_of_the_table_is_there_and_has_its_examples_line_by_line(name: str) -> None:
    group = LazyGroup()
    context = click.Context(group)
    command = group.get_command(context, name)
    assert isinstance(command, click.Command)
    assert "\b\n" in (command.help or "")
    assert "\\b" not in (command.help or "")
    assert group.list_commands(context) == list(COMMANDS)


def test_a_command_that_is_not_there_is_wrong_usage(meterlink: Callable[..., Run]) -> None:
    assert LazyGroup().get_command(click.Context(LazyGroup()), "dance") is None
    run = meterlink("dance")
    assert run.code == 2
    assert "No such command 'dance'" in run.err


def test_a_table_that_names_no_command_is_a_defect(monkeypatch) -> None:
    monkeypatch.setitem(COMMANDS, "map", ("answers:Path", "no command"))
    with pytest.raises(TypeError, match="answers:Path is no click command"):
        LazyGroup().get_command(click.Context(LazyGroup()), "map")


def test_characters_that_a_stream_lacks_are_spelled_and_other_errors_stay_errors() -> None:
    error = UnicodeEncodeError("ascii", "5 Ω ± 1 台", 2, 9, "not in range")
    text, end = spelled_plainly(error)
    assert text == "ohm +- 1 \\u53f0"
    assert end == 9
    other = UnicodeDecodeError("utf-8", b"\xff", 0, 1, "invalid")
    with pytest.raises(UnicodeDecodeError):
        spelled_plainly(other)
