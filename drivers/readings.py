"""One reading of a meter, what every decoder does, and the decoders by name.

A decoder's module is imported only when it is used.
"""

import importlib
from collections.abc import Mapping
from enum import StrEnum
from typing import NamedTuple, Protocol

from drivers.errors import UnavailableError


class Function(StrEnum):
    """What the meter was measuring when it gave the reading."""

    AC = "AC"
    DC = "DC"
    OHM = "OHM"
    OTHER = "other"  # amperes, hertz, a diode test: never to be used
    UNKNOWN = "unknown"  # the meter's line does not say and the settings do not either


class Reading(NamedTuple):
    """One reading as the meter gave it.

    A named tuple, because readings are made by the million and a frozen dataclass takes three
    times as long to make (``tests/benchmarks/decode_speed.py``).

    Attributes:
        t_s: Monotonic time in seconds at which the last byte of the reading arrived.
        volts: The value in volts; ``None`` where there is none to use (overload, a blank display,
            the standard's not-a-number, or a function that does not measure volts).
        function: AC or DC volts, ohms, another function, or not known.
        resolution_v: Weight in volts of the last digit shown; ``None`` where it cannot be told.
        overload: The meter said that its input is beyond the range.
        hold: The display was frozen by the hold key: an old value, not a measurement.
        raw: The bytes that the reading was made from, without the line end.
        quantity: The unit as it was shown where it is neither volts nor ohms ("A", "Hz"), "ohm",
            else "V".
        ohms: The value in ohms where that is what is measured; ``None`` as for ``volts``.
        resolution_ohm: As ``resolution_v``, of ``ohms``.
    """

    t_s: float
    volts: float | None
    function: Function = Function.UNKNOWN
    resolution_v: float | None = None
    overload: bool = False
    hold: bool = False
    raw: bytes = b""
    quantity: str = "V"
    ohms: float | None = None
    resolution_ohm: float | None = None


class Decoder(Protocol):
    """Bytes in, readings out. No I/O, no clock; never raises on any input bytes."""

    @property
    def dropped_bytes(self) -> int:
        """Number of received bytes so far that were part of no reading and no line end."""

    def feed(self, data: bytes, t_s: float) -> list[Reading]:
        """Take the bytes that arrived at ``t_s`` and return the readings they complete."""

    def sent(self, data: bytes) -> None:
        """Take note of bytes that were sent to the meter: they say what its next reply means."""

    def resync(self, t_s: float) -> None:
        """The link was opened (again) at ``t_s``: what follows may start in mid-reading."""


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
