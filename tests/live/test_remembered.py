"""Meters kept under names of the user's choosing."""

import os
from pathlib import Path

import pytest

from drivers.address import parse_address
from drivers.errors import AddressError
from meterlink.errors import UsageError
from meterlink.live.remembered import (
    SettingsFileError,
    find_address,
    forget,
    meters_file,
    remember,
    remembered,
)

BENCH = parse_address("segments:/dev/ttyUSB1,2400,8N1,rts=off")


@pytest.fixture(autouse=True)
def _home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("METERLINK_HOME", str(tmp_path / "home"))


def test_a_name_stands_for_an_address_until_it_is_forgotten() -> None:
    remember("my bench", BENCH)
    assert find_address("my bench") == BENCH
    forget("my bench")
    with pytest.raises(UsageError, match="known: none"):
        find_address("my bench")


def test_an_address_needs_no_name() -> None:
    assert find_address(str(BENCH)) == BENCH
    assert remembered() == {}


@pytest.mark.parametrize("name", ["", "a:b", "x" * 100, "a\x1bb"])
def test_a_name_that_could_be_an_address_is_refused(name: str) -> None:
    with pytest.raises(UsageError, match="no name for a meter"):
        remember(name, BENCH)


@pytest.mark.parametrize(
    "content", [b"meters = 5\n", b"not toml [", b"\xff\xfe", b"[meters\n", b"a=" + b"[" * 9000]
)
def test_a_damaged_settings_file_is_named(content: bytes) -> None:
    meters_file().parent.mkdir()
    meters_file().write_bytes(content)
    with pytest.raises(SettingsFileError, match="Correct or delete"):
        find_address("bench")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
def test_a_pipe_in_the_place_of_the_settings_file_is_refused() -> None:
    meters_file().parent.mkdir()
    os.mkfifo(meters_file())
    with pytest.raises(SettingsFileError, match="a pipe or device"):
        find_address("bench")


def test_an_address_spoilt_by_hand_is_refused_as_an_address() -> None:
    meters_file().parent.mkdir()
    meters_file().write_text('[meters]\nbench = "morse:COM1"\n')
    with pytest.raises(AddressError):
        find_address("bench")
