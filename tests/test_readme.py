"""The README's terminal session and its Python, run as they stand.

``python tests/test_readme.py`` writes what the commands give now into the README; look at the
difference before it is committed.
"""

import contextlib
import io
import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
SESSION = re.compile(r"```console\n(.*?)```", re.DOTALL)
PYTHON = re.compile(r"```python\n(.*?)```\n\n```text\n(.*?)```", re.DOTALL)

WRONG = """import meterlink as ml

ml.nonsense
ml.resolve("Study", [])
ml.Test("neutral-ground", "Door", lod="Door")
"""
WRONG_IN = ["attr-defined", "arg-type", "call-arg"]


@contextlib.contextmanager
def clone_with_fixtures() -> Iterator[None]:
    """A folder to work in that has what the README names."""
    before = Path.cwd()
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(ROOT / "fixtures" / "captures", Path(folder) / "fixtures" / "captures")
        os.chdir(folder)
        try:
            yield
        finally:
            os.chdir(before)


def ran(command: str) -> str:
    """What one command line prints, both streams as they come."""
    from meterlink.cli import main

    _, *arguments = shlex.split(command)
    argv, sys.argv = sys.argv, ["meterlink", *arguments]
    printed = io.BytesIO()
    out = io.TextIOWrapper(printed, "utf-8", write_through=True)
    err = io.StringIO()
    try:
        with (
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            contextlib.suppress(SystemExit),
        ):
            main()
    finally:
        sys.argv = argv
    return printed.getvalue().decode() + err.getvalue()


def session_as_run(session: str) -> str:
    commands = [line for line in session.splitlines() if line.startswith("$ ")]
    return "".join(f"{command}\n{ran(command[2:])}" for command in commands)


def readme_as_run() -> str:
    """The README with every output replaced by what comes now."""
    text = README.read_text(encoding="utf-8")
    with clone_with_fixtures():
        text = SESSION.sub(lambda found: f"```console\n{session_as_run(found[1])}```", text)
    with clone_with_fixtures():
        return PYTHON.sub(_python_as_run, text)


def _python_as_run(found: re.Match[str]) -> str:
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        exec(found[1], {})  # the README's own code
    return f"```python\n{found[1]}```\n\n```text\n{out.getvalue()}```"


def test_the_session_and_the_python_of_the_readme_give_what_it_shows(monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    assert readme_as_run() == README.read_text(encoding="utf-8")


def test_the_readme_has_a_session_and_python_to_run():
    text = README.read_text(encoding="utf-8")
    assert len(SESSION.findall(text)) == 1
    assert len(PYTHON.findall(text)) == 5


def test_the_pictures_of_the_readme_are_there_and_it_is_short() -> None:
    text = README.read_text(encoding="utf-8")
    pictures = re.findall(r"!\[[^]]+\]\(([^)]+)\)", text)
    assert [(ROOT / name).read_bytes()[:4] for name in pictures] == [b"\x89PNG"] * 2
    assert text.count("\n") <= 250


def test_the_python_of_the_readme_passes_a_strict_type_checker(tmp_path: Path) -> None:
    programs = [found[0] for found in PYTHON.findall(README.read_text(encoding="utf-8"))]
    for number, program in enumerate((*programs, WRONG)):
        (tmp_path / f"program_{number}.py").write_text(program, encoding="utf-8")
    command = [sys.executable, "-m", "mypy", "--strict", f"--cache-dir={tmp_path / 'cache'}"]
    done = subprocess.run(
        [*command, "--follow-imports=silent", *sorted(tmp_path.glob("*.py"))],
        cwd=tmp_path,
        env={**os.environ, "MYPYPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert re.findall(r"(?m)^\S+: error: .*\[(\S+)\]$", done.stdout) == WRONG_IN, done.stdout


if __name__ == "__main__":
    os.environ["COLUMNS"] = "100"
    README.write_text(readme_as_run(), encoding="utf-8")
