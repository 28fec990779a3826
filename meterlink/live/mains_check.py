"""The meter looks for mains on the isolated circuit before any source is let on."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

from drivers.address import Address
from drivers.readings import Function, Reading
from meterlink.circuit.job import Job, header_of
from meterlink.errors import MeterlinkError
from meterlink.live.session import LiveSession
from meterlink.visit.dead import Mains, MainsCheck
from meterlink.visit.notices import Notice

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
            for event in session.poll(0.1):
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
