"""What a map says besides the tree, as titles and sentences for the terminal and the report.

Names and reasons come from people: every sentence here is safe to show, with control characters
replaced and right-to-left names kept to themselves.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from meterlink.show.text_width import clean, isolated
from meterlink.show.words import (
    LEANING_FROM,
    LICENSED,
    NBSP,
    certainty,
    counted,
    listed,
    percent,
    with_uncertainty,
)
from meterlink.tree.wiring import Doubt, Loop, PoorJoint, WiringMap

_NOTHING = "nothing was tested yet"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing to know or to do.

    Attributes:
        title: What it is about.
        sentences: One for each case.
        urgent: It concerns safety.
    """

    title: str
    sentences: tuple[str, ...]
    urgent: bool = False


def named(name: str) -> str:
    """A name as it may stand in a sentence."""
    return isolated(clean(name))


def first_sentence(wiring_map: WiringMap) -> str:
    """The answer most people came for: the receptacle right after the panel."""
    first = wiring_map.first
    if first.receptacle is not None and len(wiring_map.points) == 1 and not wiring_map.tests:
        only = named(first.receptacle)
        return f"First after the panel: {only}, the only receptacle; {_NOTHING}"
    sure = f"{certainty(first.probability)}, {percent(first.probability)}"
    if first.receptacle is None:
        return f"First after the panel: none; the circuit forks before any receptacle ({sure})"
    if first.probability < LEANING_FROM and not wiring_map.tests:
        return f"First after the panel: not known yet; {_NOTHING}"
    if first.probability < LEANING_FROM:
        return (
            "First after the panel: not known yet; the best guess is "
            f"{named(first.receptacle)} ({percent(first.probability)})"
        )
    return f"First after the panel: {named(first.receptacle)} ({sure})"


def order_sentence(wiring_map: WiringMap) -> str:
    """How sure the whole order is, and from how many tests.

    A single receptacle has only one order; what is not known is whether anything fits it.
    """
    tests = counted(wiring_map.tests, "test")
    begin = f"Order of {counted(len(wiring_map.points), 'receptacle')}"
    if len(wiring_map.points) == 1 and not wiring_map.settled:
        known = f"not confirmed yet, from {tests}" if wiring_map.tests else _NOTHING
        return f"{begin}: there is only one; {known}"
    state = "settled" if wiring_map.settled else "not settled yet"
    return f"{begin}: {state}, {percent(wiring_map.order_probability)}, from {tests}"


def joint_sentence(joint: PoorJoint) -> str:
    """A poor joint with its excess resistance, its heat and who may see to it."""
    excess = with_uncertainty(joint.excess_mohm, joint.excess_u_mohm)
    heat = "" if joint.heat_w is None else f", {joint.heat_w:.1f}{NBSP}W of heat with the load on"
    return (
        f"Run to {named(joint.run_to)}, {joint.side} side ({certainty(joint.probability)}, "
        f"{percent(joint.probability)}): {excess}{NBSP}mΩ more than its cable explains"
        f"{heat}; {LICENSED}."
    )


def doubt_sentence(doubt: Doubt) -> str:
    """A test that probably lies, with its number and the reason."""
    return (
        f"Test {doubt.test} probably does not say what it seems to "
        f"({percent(doubt.probability)}): {clean(doubt.why).rstrip('.')}. Repeat it."
    )


def loop_sentence(loop: Loop) -> str:
    """A second path, with its order once round, the resistance each way and what hangs on it."""
    start = named(loop.starts_at)
    round_trip = " - ".join((start, *map(named, loop.order), start))
    each_way = "; ".join(
        f"{named(name)} {one:.1f} and {other:.1f}{NBSP}mΩ"
        for name, (one, other) in zip(loop.order, loop.each_way_mohm(), strict=True)
    )
    spurs = [f"{named(spur.name)} on {named(spur.fed_from)}" for spur in loop.spurs]
    return (
        f"A second path is more probable than any tree ({percent(loop.probability)}). Once round: "
        f"{round_trip}. Resistance to {start} one way and the other: {each_way}. "
        + (f"Not on the ring: {', '.join(spurs)}. " if spurs else "")
        + "What is drawn above is the nearest tree."
    )


def findings(wiring_map: WiringMap) -> tuple[Finding, ...]:
    """Everything besides the tree, what concerns safety first."""
    return tuple(finding for finding in _candidates(wiring_map) if finding.sentences)


def _candidates(wiring_map: WiringMap) -> Iterator[Finding]:
    yield Finding(
        "Poor joints",
        tuple(joint_sentence(joint) for joint in wiring_map.poor_joints),
        urgent=True,
    )
    loop = wiring_map.loop
    yield Finding("Second path", (loop_sentence(loop),) if loop else (), urgent=True)
    yield Finding("Take note", tuple(map(clean, wiring_map.notes)), urgent=True)
    yield Finding("Tests in doubt", tuple(doubt_sentence(doubt) for doubt in wiring_map.doubts))
    yield Finding(
        "Not separated yet",
        tuple(
            f"{listed([named(name) for name in group])}: the tests do not tell their order."
            for group in wiring_map.unseparated
        ),
    )
    untested = [named(name) for name in wiring_map.untested]
    yield Finding(
        "Untested",
        (f"{listed(untested)}: in no test so far.",) if untested else (),
    )
