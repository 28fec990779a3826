"""``meterlink test --dead``: what is prepared before the same visit runs on the dead circuit."""

from contextlib import ExitStack
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from drivers.address import Address, parse_address
from drivers.readings import Function
from drivers.scpi_source import Limits, ScpiSource
from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.setup import Hookup
from meterlink.errors import UsageError
from meterlink.live.terminal import tell

if TYPE_CHECKING:
    from meterlink.circuit.job import Job

CONTINUOUS_SHARE = 0.8  # of the breaker's rating: no conductor is loaded more (NEC 210.23(A)(1))


@dataclass(frozen=True, slots=True)
class Bench:
    """What a visit to the dead circuit works with.

    Attributes:
        job: With the direct source as its load, where there is one.
        address: Of the meter, set to what it measures; ``None`` where readings are typed.
        hookups: What is measured.
        source: The supply, open and off; ``None`` where a person switches, or an ohmmeter reads.
    """

    job: "Job"
    address: Address | None
    hookups: tuple[Hookup, ...]
    source: ScpiSource | None = None


def prepare(
    job: "Job",
    address: Address | None,
    stack: ExitStack,
    *,
    source: str | None,
    amps: float | None,
    volts: float,
) -> Bench:
    """Look for mains, then open the source; it is switched off when the stack ends.

    Raises:
        UsageError: What was asked for does not go together.
        LiveCircuitError: There is mains, or it cannot be seen that there is none.
        DriverError: Meter or supply cannot be opened, or the supply does not take its limits.
    """
    from meterlink.live.dead_circuit import look_for_mains, with_function

    circuit = job.circuit
    direct = source is not None or circuit.load_kind is LoadKind.DIRECT_SOURCE
    hookups = _hookups(circuit, direct=direct)
    if direct:
        circuit = _with_source(circuit, amps)
    elif amps is not None:
        raise UsageError("--source-amps goes with --source, or a direct-source in job.toml.")
    if source is not None and address is None:
        raise UsageError(
            "A source is let on only where a meter has looked for mains: give --meter too."
        )
    job = replace(job, circuit=circuit)
    if address is not None:
        look_for_mains(job, address, tell)
        address = with_function(address, Function.DC if direct else Function.OHM)
        if address.driver != "scpi":
            unit = "DC volts" if direct else "ohms, leads nulled"
            tell(f"Now turn the meter to {unit}.")
    if source is None:
        return Bench(job, address, hookups)
    limits = Limits(volts, circuit.load_amps or 0.0)
    supply = stack.enter_context(ScpiSource(parse_address(source), limits))
    turned = "turns its current by itself" if supply.reverses else "is switched on and off"
    tell(f"{supply.identity}: {limits.amps:g} A, at most {limits.volts:g} V; {turned}. It is off.")
    return Bench(job, address, hookups, supply)


def _hookups(circuit: Circuit, *, direct: bool) -> tuple[Hookup, ...]:
    if not direct:
        return (Hookup.PATH_RESISTANCE,)
    if circuit.grounded:
        return (Hookup.NEUTRAL_NEUTRAL, Hookup.NEUTRAL_GROUND)
    return (Hookup.NEUTRAL_NEUTRAL,)


def _with_source(circuit: Circuit, amps: float | None) -> Circuit:
    """The circuit with the source as its load."""
    stated = circuit.load_amps if circuit.load_kind is LoadKind.DIRECT_SOURCE else None
    current = amps or stated
    if current is None:
        raise UsageError("Say how much current the source gives: --source-amps 5.")
    most = CONTINUOUS_SHARE * circuit.breaker_amps if circuit.breaker_amps else None
    if most is not None and current > most:
        raise UsageError(
            f"{current:g} A is more than 80 % of the breaker's {circuit.breaker_amps:g} A: use "
            "less."
        )
    return replace(circuit, load_kind=LoadKind.DIRECT_SOURCE, load_amps=current)
