"""The user's own folder: meters that have a name, and recordings that nobody named.

The names stand in a settings file of the user, not of a job.
"""

import os
import tomllib
from contextlib import suppress
from datetime import datetime
from pathlib import Path

import click
import tomli_w

from drivers.address import Address, parse_address
from drivers.errors import AddressError
from meterlink.errors import MeterlinkError, UsageError
from meterlink.files import open_regular, write_durably

_MOST_BYTES = 1 << 20
_MOST_NAME = 40


class SettingsFileError(MeterlinkError):
    """The user's settings file cannot be read or written."""


def settings_folder() -> Path:
    """The user's folder for this program; METERLINK_HOME overrides it."""
    given = os.environ.get("METERLINK_HOME")
    return Path(given) if given else Path(click.get_app_dir("meterlink"))


def meters_file() -> Path:
    """Where the names are kept."""
    return settings_folder() / "meters.toml"


def remembered() -> dict[str, str]:
    """All names with their addresses.

    Raises:
        SettingsFileError: The file is there but cannot be read.
    """
    path = meters_file()
    try:
        with open_regular(path) as stream:
            meters = tomllib.loads(stream.read(_MOST_BYTES).decode()).get("meters", {})
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, RecursionError) as error:
        raise SettingsFileError(f"{path} cannot be read: {error}. Correct or delete it.") from error
    if not isinstance(meters, dict):
        raise SettingsFileError(f"{path}: [meters] is no table. Correct or delete the file.")
    return {name: address for name, address in meters.items() if isinstance(address, str)}


def remember(name: str, address: Address) -> None:
    """Keep an address under a name, in place of an older one of that name.

    Raises:
        UsageError: The name could be taken for an address or is not printable.
        SettingsFileError: The file cannot be written.
    """
    if not name or len(name) > _MOST_NAME or ":" in name or not name.isprintable():
        raise UsageError(
            f"{name[:60]!r} is no name for a meter: use 1 to {_MOST_NAME} printable characters "
            "without a colon, such as bench."
        )
    _write(remembered() | {name: str(address)})


def forget(name: str) -> None:
    """Remove a name.

    Raises:
        UsageError: There is no such name.
    """
    meters = remembered()
    if name not in meters:
        raise UsageError(_unknown(name, meters))
    del meters[name]
    _write(meters)


def find_address(text: str) -> Address:
    """The address that ``--meter`` means: an address, or the name of a remembered one.

    Raises:
        UsageError: It is an address that cannot be read, or a name that is not known.
        DriverError: The remembered address cannot be read.
    """
    if ":" in text:
        try:
            return parse_address(text)
        except AddressError as error:
            raise UsageError(str(error)) from error
    meters = remembered()
    if text not in meters:
        raise UsageError(_unknown(text, meters))
    return parse_address(meters[text])


def _unknown(name: str, meters: dict[str, str]) -> str:
    known = ", ".join(sorted(meters)) or "none"
    return (
        f"There is no meter of the name {name[:60]!r}; known: {known}. Give an address such as "
        "lines:/dev/ttyUSB0,9600, or find it with 'meterlink meters' and keep it with "
        "'meterlink meters --remember NAME=ADDRESS'."
    )


def _write(meters: dict[str, str]) -> None:
    path = meters_file()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_durably(path, [tomli_w.dumps({"meters": meters}).encode()])
    except OSError as error:
        raise SettingsFileError(f"{path} cannot be written: {error.strerror}.") from error


#: Recordings without a name that are kept; the oldest beyond that are removed.
KEPT = 20
_PATTERN = "watch-*.jsonl"


def unnamed_recording(now: datetime) -> Path:
    """A new path in the user's folder; makes room by removing the oldest ones there.

    Raises:
        MeterlinkError: The folder cannot be made.
    """
    folder = settings_folder() / "recordings"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise MeterlinkError(
            f"{folder} cannot be made: {error.strerror}. Name a file with --record."
        ) from error
    for old in sorted(folder.glob(_PATTERN))[: -(KEPT - 1)]:
        with suppress(OSError):
            old.unlink()
    return folder / f"watch-{now:%Y%m%d-%H%M%S-%f}.jsonl"
