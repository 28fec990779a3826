"""What importing a module pulls in, and which way imports run."""

import ast
import json
import os
import pkgutil
import subprocess
import sys
from pathlib import Path

import pytest

import drivers
import meterlink

ROOT = Path(__file__).parents[1]

#: Rooms from the ground up: a room may import what stands above it in this table, and itself.
LAYERS = (
    "drivers",
    "meterlink.errors",
    "meterlink.files",
    "meterlink.assumptions",
    "meterlink.circuit",
    "meterlink.levels",
    "meterlink.testlog",
    "meterlink.tree",
    "meterlink.answers",
    "meterlink.plan",
    "meterlink.simulation",
    "meterlink.show",
    "meterlink.visit",
    "meterlink.page",
    "meterlink.live",
    "meterlink.lab",
    "meterlink.api",
    "meterlink.commands",
    "meterlink.cli",
)
OUTSIDE = ("meterlink.__main__",)  # starts cli; nothing imports it

#: Talk to devices, people or the network; everything else is pure of the libraries for that.
TALKING = (
    "drivers.address",
    "drivers.discovery",
    "drivers.meter",
    "drivers.scpi_source",
    "drivers.scpi",
    "drivers.serial_link",
    "drivers.simulated",
    "drivers.visa_link",
    "meterlink.__main__",
    "meterlink.cli",
    "meterlink.commands",
    "meterlink.live",
    "meterlink.page",
)
TALKERS = {"serial", "pyvisa", "pyvisa_py", "click", "starlette", "uvicorn", "segno", "socket"}

#: Only compute: no files, no clock, no printing, no network.
COMPUTING = ("meterlink.levels", "meterlink.tree", "meterlink.plan", "meterlink.answers")
COMPUTING_DRIVERS = (
    "lines",
    "segments",
    "scpi",
    "readings",
    "confirmation",
)
OUTSIDE_WORLD = {"os", "io", "pathlib", "socket", "subprocess", "sys", "tempfile", "time"}


def modules() -> list[str]:
    found = []
    for package in (drivers, meterlink):
        for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            found.append(module.name)
    return sorted(found)


def source_of(module: str) -> Path:
    path = ROOT.joinpath(*module.split("."))
    return path / "__init__.py" if path.is_dir() else path.with_suffix(".py")


def imported_names(module: str) -> set[str]:
    """Names of modules that a module imports anywhere in it, also inside functions."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(source_of(module).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            names.add(node.module or "")
    return names


FRESH = """
import importlib, json, os, sys
names, talkers = json.loads(sys.argv[1])
import numpy, encodings.utf_8_sig  # shared by the children; not among what is looked for
before = set(sys.modules)
for name in names:
    child = os.fork()
    if child == 0:
        importlib.import_module(name)
        loaded = sorted((set(sys.modules) - before) & set(talkers))
        os.write(1, (json.dumps([name, loaded]) + "\\n").encode())
        os._exit(0)
    os.waitpid(child, 0)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="makes fresh interpreters by fork")
def test_each_pure_module_keeps_devices_commands_and_the_web_unloaded():
    pure = [name for name in modules() if not name.startswith(TALKING)]
    assert len(pure) > 30
    talkers = sorted(TALKERS - {"socket"})
    done = subprocess.run(
        [sys.executable, "-c", FRESH, json.dumps([pure, talkers])],
        capture_output=True,
        text=True,
        check=True,
    )
    loaded = dict(json.loads(line) for line in done.stdout.splitlines())
    assert loaded == {name: [] for name in pure}


def layer_of(module: str) -> int | None:
    """Place of a module's room in the table; ``None`` where it is in none."""
    for place, room in enumerate(LAYERS):
        if module == room or module.startswith(f"{room}."):
            return place
    return None


def test_the_table_of_layers_names_every_room_and_none_that_is_not_there():
    rooms = set(LAYERS)
    assert {name for name in modules() if layer_of(name) is None} == set(OUTSIDE)
    assert rooms <= {*modules(), "drivers"}


def test_what_talks_is_named_by_prefixes_that_match_something():
    for prefix in (*TALKING, *COMPUTING):
        assert [name for name in modules() if name.startswith(prefix)], prefix


@pytest.mark.parametrize("module", [name for name in modules() if name not in OUTSIDE])
def test_imports_run_up_the_table_of_layers_and_never_back(module):
    here = layer_of(module)
    back = {
        name
        for name in imported_names(module)
        if name != "meterlink" and (there := layer_of(name)) is not None and there > here
    }
    assert not back


@pytest.mark.parametrize(
    "module",
    [name for name in modules() if name.startswith(COMPUTING)]
    + [f"drivers.{name}" for name in COMPUTING_DRIVERS],
)
def test_what_only_computes_touches_neither_files_nor_clock_nor_screen(module):
    assert not {name.split(".")[0] for name in imported_names(module)} & OUTSIDE_WORLD
    calls = {
        node.func.id
        for node in ast.walk(ast.parse(source_of(module).read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert not calls & {"open", "print", "input"}


def test_help_loads_neither_numpy_nor_a_driver():
    code = """
import sys
from meterlink.cli import main
sys.argv = ["meterlink", "--help"]
try:
    main()
except SystemExit:
    pass
loaded = {n for n in sys.modules if n.split(".")[0] in ("numpy", "drivers", "serial", "pyvisa")}
print(sorted(loaded - {"drivers", "drivers.errors"}))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
