"""Every command says what it does, shows how, and stands in the README."""

import re
from pathlib import Path

import click
import pytest

from meterlink import cli
from meterlink.cli import COMMANDS, group

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example_and_stands_in_the_readme(name):
    command, line = group.get_command(click.Context(group), name), COMMANDS[name][1]
    assert command is not None
    assert command.help is not None
    examples = command.help.partition("Example")[2]
    assert f"meterlink {name}" in examples
    assert line.endswith(".")
    assert f"`meterlink {name}" in README


@pytest.mark.parametrize("name", COMMANDS)
def test_every_option_of_a_command_says_what_it_is_for(name):
    command = group.get_command(click.Context(group), name)
    assert command is not None
    subcommands = getattr(command, "commands", {}).values()
    for one in (command, *subcommands):
        for parameter in one.params:
            if parameter.param_type_name == "option":
                assert getattr(parameter, "help", None), (name, parameter.name)


def test_the_examples_of_the_group_use_commands_that_exist():
    assert group.help is not None
    used = re.findall(r"meterlink (\w+)", group.help)
    assert used
    assert set(used) <= set(COMMANDS)


def test_names_in_the_readme_after_the_program_are_commands():
    used = set(re.findall(r"(?:^\$ |`|/)meterlink ([a-z]+)", README, re.MULTILINE))
    assert used <= set(COMMANDS)


def test_ci_runs_the_commands_of_the_readme_and_of_developers():
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    command = re.search(r"The tests:\n\n    (.+)\n", README)
    linters = re.search(r"\n    (.+ruff check.+)\n", developers)
    assert command is not None
    assert linters is not None
    assert command[1] in ci
    assert command[1] in developers
    assert linters[1] in ci


def test_the_map_of_the_code_names_every_folder_and_none_that_is_not_there():
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"^\| `([a-z/]+)` \|", developers, re.MULTILINE))
    there = {
        str(path.parent.relative_to(ROOT)) for path in ROOT.glob("meterlink/*/__init__.py")
    } | {"drivers"}
    assert named == there


def test_the_map_of_the_code_names_every_module_of_a_folder():
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for folder, row in re.findall(r"^\| `([a-z/]+)` \|(.*)$", developers, re.MULTILINE):
        there = {path.stem for path in (ROOT / folder).glob("*.py")} - {"__init__"}
        assert there <= set(re.findall(r"`([a-z_]+)`", row)), folder


#: A dialect that grew here once; each has a plain word (outlier, predicted, disconnected).
DIALECT = re.compile(
    r"\b(liars?|foret(old|ells?)|climb(s|ed|ing)?|offspring|regraft\w*|make-up|rim of paper"
    r"|(can|could)(not)? be got at|nobody has counted|paper and pixels|counts no more|taken back"
    r"|as you wish|whoever is licensed|too few readings yet|stepped without|(is|be) said to be on"
    r"|what it seems to|class (Word|Beat|Hands)|utils)\b",
    re.IGNORECASE,
)


def test_names_docstrings_comments_and_messages_are_plain_english():
    found = [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()}"
        for room in ("meterlink", "drivers")
        for path in sorted((ROOT / room).rglob("*.py"))
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if DIALECT.search(line)
    ]
    assert found == []
    assert not any(ROOT.glob("meterlink/**/*words*.py"))


def test_a_defect_ends_as_one_message_and_its_place_is_shown_where_asked_for(monkeypatch, capsys):
    def broken() -> None:
        raise KeyError("x")

    monkeypatch.setattr(cli, "group", click.Command("broken", callback=broken))
    monkeypatch.setattr("sys.argv", ["meterlink"])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 1
    assert "a defect of this program: KeyError: 'x'" in capsys.readouterr().err
    monkeypatch.setenv("METERLINK_TRACE", "1")
    with pytest.raises(KeyError):
        cli.main()


def test_with_standard_output_closed_a_command_still_ends_well(monkeypatch, capsys):
    monkeypatch.setattr("sys.argv", ["meterlink", "--help"])
    monkeypatch.setattr("sys.stdout", None)
    with pytest.raises(SystemExit) as ended:
        cli.main()
    cli.sys.stdout.close()
    assert ended.value.code == 0
    assert capsys.readouterr().err == ""
