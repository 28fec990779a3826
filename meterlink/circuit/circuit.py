"""The circuit as it is known before any test: names, supply, wire and load."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from meterlink.circuit.conductors import DEFAULT_TEMPERATURE_C, ConductorError, conductor
from meterlink.errors import UsageError


class LoadKind(StrEnum):
    """What makes the current of a test."""

    HEATER = "heater"
    HALF_WAVE = "half-wave"  # a heater behind a diode: direct current, the meter is asked for DC
    DIRECT_SOURCE = "direct-source"  # a direct current sent into the dead circuit


@dataclass(frozen=True, slots=True)
class Circuit:
    """One breaker's circuit. ``None`` where a figure is not known.

    Attributes:
        name: What people call the circuit.
        receptacles: Names of the receptacles, each once, in the order given.
        volts, hertz: Nominal supply.
        breaker_amps: Rating of the breaker.
        conductor: Such as "14 AWG copper" or "2.5 mm2 copper" (``meterlink.circuit.conductors``).
        load_amps: Current of the heavy load at nominal volts.
        amps_low: Its current at its second, lower setting, where it has one.
        load_kind: What kind of load it is.
        rooms: Receptacle to room, where rooms are given.
        run_lengths_m: Known cable length of the run that feeds a receptacle.
        grounded: Whether the boxes have a ground contact to put a lead in.
        no_ground: Receptacles that are known to have none.
        ring_usual: Sockets are usually wired as rings there, both ends at the panel.
        wire_temperature_c: Of the cable as it was when tested; lengths are found with it.
        place, panel, breaker, measured_by, meter: For the record, as the person states them: the
            address, the panel, the number of the breaker, who measured, and with which meter
            (make, serial number, calibration).
    """

    name: str
    receptacles: tuple[str, ...]
    volts: float | None = None
    hertz: float | None = None
    breaker_amps: float | None = None
    conductor: str | None = None
    load_amps: float | None = None
    rooms: Mapping[str, str] = field(default_factory=dict)
    run_lengths_m: Mapping[str, float] = field(default_factory=dict)
    grounded: bool = True
    wire_temperature_c: float = DEFAULT_TEMPERATURE_C
    amps_low: float | None = None
    load_kind: LoadKind = LoadKind.HEATER
    no_ground: tuple[str, ...] = ()
    ring_usual: bool = False
    place: str | None = None
    panel: str | None = None
    breaker: str | None = None
    measured_by: str | None = None
    meter: str | None = None

    def __post_init__(self) -> None:
        """Refuse what would give a wrong answer without an error.

        Raises:
            UsageError: One text in the place of a list of names, a name twice, or a figure that is
                not finite and above 0.
        """
        given: object = self.receptacles
        if isinstance(given, str):
            raise UsageError(f"receptacles is the one text {given!r:.60}; give a list of names.")
        object.__setattr__(self, "receptacles", tuple(self.receptacles))
        object.__setattr__(self, "load_kind", LoadKind(self.load_kind))
        if len(set(self.receptacles)) != len(self.receptacles):
            raise UsageError("A receptacle is named twice; give each its own name.")
        for name in ("volts", "breaker_amps", "load_amps", "amps_low"):
            figure = getattr(self, name)
            if figure is not None and not 0 < figure < math.inf:  # refuses nan as well
                raise UsageError(f"{name} is {figure!r}; it is above 0, or left out.")

    @property
    def signed(self) -> bool:
        """Whether readings are of direct voltage and have a sign."""
        return self.hertz == 0 or self.load_kind is not LoadKind.HEATER

    def ohm_per_m(self) -> float | None:
        """Resistance of a metre of the stated conductor; ``None`` where none is known."""
        if self.conductor is None:
            return None
        try:
            return conductor(self.conductor).ohm_per_m(self.wire_temperature_c)
        except ConductorError:
            return None
