"""The README's example of repeat trials is what the commands print."""

import re
import shlex
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_the_readmes_trials_are_as_the_commands_print_them(meterlink, monkeypatch):
    monkeypatch.chdir(ROOT)
    block = re.search(r"```trials\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.DOTALL)
    assert block is not None
    commands = re.findall(r"^\$ meterlink (.*)$", block[1], re.MULTILINE)
    assert commands
    printed = "".join(
        f"$ meterlink {command}\n{meterlink(*shlex.split(command)).out}" for command in commands
    )
    assert printed == block[1]
