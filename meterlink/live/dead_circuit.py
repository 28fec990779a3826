"""What a visit to the isolated circuit does with its devices, and what is prepared before it.

The meter looks for mains before any source is let on, the leads of an ohmmeter are read by
themselves, and a supply's current is let on and watched.
"""

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from drivers.address import Address, parse_address, steady_s
from drivers.readings import Function, Reading
from drivers.scpi_source import Limits, ScpiSource
from meterlink.circuit.checks import CONTINUOUS_SHARE
from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.job import Job, header_of
from meterlink.circuit.setup import Hookup, made_setup
from meterlink.errors import MeterlinkError, UsageError
from meterlink.levels.dead_circuit import DeadDetector
from meterlink.live.session import LiveSession
from meterlink.live.terminal import tell
from meterlink.testlog.rows import coarse_step
from meterlink.visit.cautions import Mains, MainsCheck
from meterlink.visit.loop import Visit
from meterlink.visit.notices import Notice
from meterlink.visit.state import CHANGING, SetMark

POLL_S = 0.05
NULL_S = 60.0  # for a person to press the tips of the leads together
WATCH_EVERY_S = 1.0  # whether the source still gives what it should
LOOK_S = 120.0  # for a person to put the leads in and turn the meter's switch


class LiveCircuitError(MeterlinkError):
    """The circuit is live, or cannot be seen to be dead."""


def with_function(address: Address, function: Function) -> Address:
    """The address of a message-based instrument set to a function; others are set by hand."""
    if address.driver != "scpi":
        return address
    return replace(address, settings={**address.settings, "function": str(function)})


def look_for_mains(
    job: Job, address: Address, say: Callable[[str], None], *, within_s: float = LOOK_S
) -> None:
    """Read AC volts until it is known whether there is mains; the recording is kept.

    Args:
        job: Its folder of captures takes the recording.
        address: Of the meter.
        say: Takes sentences for the person.
        within_s: Longest time to look.

    Raises:
        LiveCircuitError: There is mains, or it could not be seen that there is none.
        DriverError: The meter cannot be opened.
    """
    say(
        "Look for mains: put the meter on AC volts, its leads in hot and neutral of a receptacle "
        "of this circuit, breaker off and locked. Nothing is let on before that."
    )
    job.captures_path.mkdir(exist_ok=True)
    path = job.captures_path / f"mains-{datetime.now(UTC):%Y%m%d-%H%M%S-%f}.jsonl"
    where = with_function(address, Function.AC)
    check, said = MainsCheck(), ""
    with LiveSession(where, path, circuit=header_of(job.circuit)) as session:
        while check.state is Mains.LOOKING and session.now_s() < within_s:
            for event in session.poll(POLL_S):
                if isinstance(event, Reading):
                    check.add(event)
                elif isinstance(event, Notice):
                    say(event.text)
            if check.why != said:
                said = check.why
                say(said)
        session.mark("note", f"mains check: {check.state.name.lower()}; {check.why}")
    if check.state is Mains.LOOKING:
        raise LiveCircuitError(
            f"No AC readings came for {within_s:.0f} s, so nobody knows that the circuit is dead. "
            f"{check.why} Nothing was let on."
        )
    if check.state is not Mains.ABSENT:
        raise LiveCircuitError(f"{check.why} Nothing was let on. Prove it dead, then start again.")


def null_leads(
    session: LiveSession,
    visit: Visit,
    circuit: Circuit,
    say: Callable[[str], None],
    stopped: Callable[[], bool],
) -> None:
    """Read the leads of a two-wire ohmmeter by themselves, so that they are taken off.

    Args:
        session: The meter in use.
        visit: It takes what comes from the meter.
        circuit: For what the last digit of the display is good for.
        say: Takes sentences for the person.
        stopped: Whether somebody wants the visit to end.
    """
    say("Press the tips of the leads together: their resistance is read first.")
    session.mark("null")
    leads = DeadDetector(made_setup(Hookup.PATH_RESISTANCE, "the leads"), session.now_s())
    until_s = session.now_s() + NULL_S
    progress = leads.progress()
    while not progress.enough and session.now_s() < until_s and not stopped():
        for event in session.poll(POLL_S):
            visit.take(event)
            if isinstance(event, Reading):
                leads.add(event)
        progress = leads.progress()
    session.mark("end")
    if progress.enough and progress.idle_mv is not None:
        say(f"The leads have {progress.idle_mv:.1f} mohm; it is taken off.")
    elif not stopped():
        say("No steady reading: null the leads at the meter.")
    step = leads.last.resolution_ohm if leads.last is not None else None
    if step and (coarse := coarse_step(step, circuit)):
        say(coarse)


class VisitSource:
    """A supply in a visit: what goes wrong leaves it off.

    Args:
        source: The supply; it is closed by its owner.
        mark: Sets a mark in the recording.
    """

    def __init__(self, source: ScpiSource, mark: Callable[[SetMark], None]) -> None:
        self._source = source
        self._mark = mark
        self._seen_s = 0.0

    def let_flow(self, sign: int) -> None:
        """Have it give a current, one way or the other, or none.

        Raises:
            DriverError: It does not.
        """
        self._mark(SetMark("source", CHANGING))
        amps = 0.0
        if sign:
            amps = self._source.on(sign).amps
        else:
            self._source.off()
        self._seen_s = steady_s()
        self._mark(SetMark("source", f"{amps:.5f}"))

    def look(self) -> None:
        """Once in a while: whether it still gives what it should.

        Raises:
            DriverError: It does not.
        """
        if self._source.is_on and steady_s() - self._seen_s > WATCH_EVERY_S:
            self._seen_s = steady_s()
            self._source.output()


@dataclass(frozen=True, slots=True)
class Bench:
    """What a visit to the dead circuit works with.

    Attributes:
        job: With the direct source as its load, where there is one.
        address: Of the meter, set to what it measures; ``None`` where readings are typed.
        hookups: What is measured.
        source: The supply, open and off; ``None`` where a person switches, or an ohmmeter reads.
    """

    job: Job
    address: Address | None
    hookups: tuple[Hookup, ...]
    source: ScpiSource | None = None


def prepare(
    job: Job,
    address: Address | None,
    stack: ExitStack,
    *,
    source: str | None,
    amps: float | None,
    volts: float,
) -> Bench:
    """Open the source, which switches it off, then look for mains; nothing is let on before that.

    It is switched off once more when the stack ends.

    Raises:
        UsageError: What was asked for does not go together.
        LiveCircuitError: There is mains, or it cannot be seen that there is none.
        DriverError: Meter or supply cannot be opened, or the supply does not take its limits.
    """
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
    supply = _supply(source, circuit, volts, stack) if source is not None else None
    if address is not None:
        look_for_mains(job, address, tell)
        address = with_function(address, Function.DC if direct else Function.OHM)
        if address.driver != "scpi":
            unit = "DC volts" if direct else "ohms, leads nulled"
            tell(f"Now turn the meter to {unit}.")
    return Bench(job, address, hookups, supply)


def _supply(source: str, circuit: Circuit, volts: float, stack: ExitStack) -> ScpiSource:
    """The supply, open and off, before anything else: a visit that was killed left it on."""
    limits = Limits(volts, circuit.load_amps or 0.0)
    supply = stack.enter_context(ScpiSource(parse_address(source), limits))
    if supply.was_on:
        tell(
            f"{supply.identity} was ON when it was found; it was switched off now. If a visit was "
            "killed, current flowed in the circuit since."
        )
    turned = "turns its current by itself" if supply.reverses else "is switched on and off"
    tell(f"{supply.identity}: {limits.amps:g} A, at most {limits.volts:g} V; {turned}. It is off.")
    return supply


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
