"""The demonstration's circuit: invented, with names as people give them."""

import numpy as np

from meterlink.circuit.circuit import Circuit
from meterlink.simulation.wiring import OHM_PER_M_20C, Wiring, random_wiring

NAMES = (
    "Door", "Desk", "Bed", "Window", "Closet", "Bench", "Shelf", "Porch", "Attic", "Stairs",
    "Hall", "Lamp",
)  # fmt: skip
CONDUCTOR = "14 AWG copper"
VOLTS, HERTZ, LOAD_AMPS, BREAKER_AMPS = 120.0, 60.0, 11.6, 15.0


def invent(receptacles: int, rng: np.random.Generator) -> tuple[Circuit, Wiring]:
    """Invent a circuit: what a person knows of it, and how it is wired.

    Args:
        receptacles: 2 to 12.
        rng: Source of all randomness.

    Raises:
        ValueError: More or fewer receptacles.
    """
    if not 2 <= receptacles <= len(NAMES):
        raise ValueError(f"{receptacles} receptacles; expected 2 to {len(NAMES)}")
    names = NAMES[:receptacles]
    circuit = Circuit(
        name="Demonstration (simulated)",
        receptacles=names,
        volts=VOLTS,
        hertz=HERTZ,
        breaker_amps=BREAKER_AMPS,
        conductor=CONDUCTOR,
        load_amps=LOAD_AMPS,
    )
    return circuit, random_wiring(names, rng, ohm_per_m=OHM_PER_M_20C[CONDUCTOR])
