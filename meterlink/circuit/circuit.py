"""The circuit as it is known before any test: names, supply, wire and load."""

from collections.abc import Mapping
from dataclasses import dataclass, field


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
