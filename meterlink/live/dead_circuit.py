"""What a visit to the isolated circuit does with its devices.

The meter looks for mains before any source is let on, the leads of an ohmmeter are read by
themselves, and a supply's current is let on and watched.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

from drivers.address import Address, steady_s
from drivers.readings import Function, Reading
from drivers.scpi_source import ScpiSource
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import Job, header_of
from meterlink.circuit.setup import Hookup, made_setup
from meterlink.errors import MeterlinkError
from meterlink.levels.steady import DeadDetector
from meterlink.live.session import LiveSession
from meterlink.testlog.entered import coarse_step
from meterlink.visit.dead import Mains, MainsCheck
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
    session: LiveSession, visit: Visit, circuit: Circuit, say: Callable[[str], None]
) -> None:
    """Read the leads of a two-wire ohmmeter by themselves, so that they are taken off.

    Args:
        session: The meter in use.
        visit: It takes what comes from the meter.
        circuit: For what the last digit of the display is good for.
        say: Takes sentences for the person.
    """
    say("Press the tips of the leads together: their resistance is read first.")
    session.mark("null")
    leads = DeadDetector(made_setup(Hookup.PATH_RESISTANCE, "the leads"), session.now_s())
    until_s = session.now_s() + NULL_S
    progress = leads.progress()
    while not progress.enough and session.now_s() < until_s:
        for event in session.poll(POLL_S):
            visit.take(event)
            if isinstance(event, Reading):
                leads.add(event)
        progress = leads.progress()
    session.mark("end")
    if progress.enough and progress.idle_mv is not None:
        say(f"The leads have {progress.idle_mv:.1f} mohm; it is taken off.")
    else:
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
