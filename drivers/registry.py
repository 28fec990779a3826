"""The drivers by name. A driver's module is imported only when the driver is used."""

import importlib
from collections.abc import Mapping

from drivers.errors import UnavailableError
from drivers.readings import Decoder

#: Name of a driver -> where its factory is; the factory takes the settings of a capture.
DRIVERS = {
    "lines": "drivers.lines:from_settings",
    "segments": "drivers.segments:from_settings",
    "scpi": "drivers.scpi:from_settings",
}


def make_decoder(name: str, settings: Mapping[str, object]) -> Decoder:
    """Make the decoder of a driver.

    Args:
        name: A key of ``DRIVERS``.
        settings: What the driver needs to read the bytes; keys it does not know are ignored.

    Raises:
        UnavailableError: There is no driver of that name.
        SettingsError: A setting has a value that the driver cannot use.
    """
    if name not in DRIVERS:
        known = ", ".join(DRIVERS)
        raise UnavailableError(f"There is no driver {name[:40]!r}. Known drivers: {known}.")
    module, _, factory = DRIVERS[name].partition(":")
    decoder: Decoder = getattr(importlib.import_module(module), factory)(settings)
    return decoder
