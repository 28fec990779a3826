"""The circuit as it is known before any test: names, supply, wire and load."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from meterlink.circuit.conductors import DEFAULT_TEMPERATURE_C, ConductorError, conductor


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
        rooms: Receptacle to room, where rooms are given.
        run_lengths_m: Known cable length of the run that feeds a receptacle.
        grounded: Whether the boxes have a ground contact to put a lead in.
        wire_temperature_c: Of the cable as it was when tested; lengths are found with it.
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

    def ohm_per_m(self) -> float | None:
        """Resistance of a metre of the stated conductor; ``None`` where none is known."""
        if self.conductor is None:
            return None
        try:
            return conductor(self.conductor).ohm_per_m(self.wire_temperature_c)
        except ConductorError:
            return None
