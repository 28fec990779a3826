"""What a map says, as titles, sentences and remarks: the same for terminal, page and report.

Names and reasons come from people: every sentence here is safe to show, with control characters
replaced and right-to-left names kept to themselves.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from meterlink.answers.protection import Protection
from meterlink.circuit.circuit import Circuit
from meterlink.show.format import (
    LIKELY_FROM,
    NBSP,
    POSSIBLE_FROM,
    certainty,
    clean,
    counted,
    isolated,
    listed,
    percent,
    with_uncertainty,
)
from meterlink.show.layout import is_ring_drawn
from meterlink.tree.wiring import (
    MEANINGS,
    PANEL,
    Condition,
    Doubt,
    Loop,
    Point,
    PointFlag,
    PoorJoint,
    Splice,
    WiringMap,
)

NOTHING = "nothing was tested yet"
LICENSED = "have a licensed electrician remake it"
UNSEEN = (
    "Fixed lights and appliances between receptacles are not seen by these tests: whether a device "
    "protects them has to be looked at."
)
UNGROUNDED = (  # NEC 406.4(D)(2)(a) to (c) and 250.130(C); local code goes first
    "Boxes without a ground: the NEC allows another receptacle without ground contact "
    "(406.4(D)(2)(a)), a ground-fault receptacle marked “No Equipment Ground” (b), or a grounding "
    "type fed through a ground-fault device and marked “GFCI Protected” and “No Equipment Ground” "
    "(c).",
    "Between such outlets no equipment grounding conductor is connected; extending the circuit "
    "takes a real one (250.130(C)). A ground-fault device protects people without a ground, but "
    "it grounds nothing.",
)


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing to know or to do.

    Attributes:
        title: What it is about.
        sentences: One for each case.
        urgent: It concerns safety.
        minor: Too improbable to act on; for small type.
    """

    title: str
    sentences: tuple[str, ...]
    urgent: bool = False
    minor: bool = False


def named(name: str) -> str:
    """A name as it may stand in a sentence."""
    return isolated(clean(name))


def names_listed(names: Sequence[str], last: str = "and") -> str:
    """Names as a list in a sentence."""
    return listed([named(name) for name in names], last)


def first_sentence(wiring_map: WiringMap) -> str:
    """The receptacle right after the panel."""
    first = wiring_map.first
    if first.receptacle is not None and len(wiring_map.points) == 1 and not wiring_map.tests:
        only = named(first.receptacle)
        return f"First after the panel: {only}, the only receptacle; {NOTHING}"
    word = certainty(first.probability, sound=wiring_map.explained)
    sure = f"{word}, {percent(first.probability)}"
    if first.probability < POSSIBLE_FROM and not wiring_map.tests:
        return f"First after the panel: unknown; {NOTHING}"
    if first.receptacle is None and wiring_map.loop and wiring_map.loop.starts_at == PANEL:
        return f"First after the panel: none; both ends of a ring are there ({sure})"
    if first.receptacle is None and first.probability < POSSIBLE_FROM:
        return (
            "First after the panel: unknown; the best guess is that the circuit forks before any "
            f"receptacle ({percent(first.probability)})"
        )
    if first.receptacle is None:
        return f"First after the panel: none; the circuit forks before any receptacle ({sure})"
    if first.probability < POSSIBLE_FROM:
        return (
            "First after the panel: unknown; the best guess is "
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
        known = f"not confirmed yet, from {tests}" if wiring_map.tests else NOTHING
        return f"{begin}: there is only one; {known}"
    if not wiring_map.tests and wiring_map.order_probability < POSSIBLE_FROM:
        return f"{begin}: not known yet; {NOTHING}"
    state = certainty(wiring_map.order_probability) if wiring_map.settled else "not known yet"
    return f"{begin}: {state}, {percent(wiring_map.order_probability)}, from {tests}"


def joint_sentence(joint: PoorJoint) -> str:
    """A poor connection with its excess resistance, its heat and what to do or to measure."""
    run = f"Run to {named(joint.run_to)}, {joint.side} side"
    if joint.probability < POSSIBLE_FROM:
        return (
            f"{run}: possible poor connection ({percent(joint.probability)}); more probably just a "
            f"long run. To tell: hot to neutral at {named(joint.run_to)} and at what feeds it, "
            f"load at {named(joint.run_to)}; or state the cable's length."
        )
    excess = with_uncertainty(joint.excess_mohm, joint.excess_u_mohm)
    heat = "" if joint.heat_w is None else f", {joint.heat_w:.1f}{NBSP}W of heat with the load on"
    return (
        f"{run}: poor connection {certainty(joint.probability)} ({percent(joint.probability)}), "
        f"{excess}{NBSP}mΩ more than its cable explains{heat}; at either end of the run; "
        f"{LICENSED}."
    )


def doubt_sentence(doubt: Doubt) -> str:
    """A test that probably went wrong, with its number and the reason."""
    why = clean(doubt.why).rstrip(".")
    return f"Test {doubt.test} looks wrong ({percent(doubt.probability)}): {why}. Repeat it."


def round_trip(loop: Loop) -> str:
    """The points of a ring in order, from where it starts and back there."""
    start = named(loop.starts_at)
    return " - ".join((start, *map(named, loop.order), start))


def loop_sentence(loop: Loop) -> str:
    """A second path, with its order once round, the resistance each way and what hangs on it."""
    start = named(loop.starts_at)
    each_way = "; ".join(
        f"{named(name)} {one:.1f} and {other:.1f}{NBSP}mΩ"
        for name, (one, other) in zip(loop.order, loop.each_way_mohm(), strict=True)
    )
    spurs = [f"{named(spur.name)} on {named(spur.fed_from)}" for spur in loop.spurs]
    return (
        f"A second path is more probable than any tree ({percent(loop.probability)}). Once round: "
        f"{round_trip(loop)}. Resistance to {start} one way and the other: {each_way}. "
        + (f"Not on the ring: {', '.join(spurs)}." if spurs else "")
    ).strip()


_CONDITIONS = {
    "ground-bonded": "Ground bonded to neutral (bootleg ground)",
    "no-ground": "No ground contact",
    "not-on-circuit": "Not on this circuit",
    "shared-neutral": "Shared neutral",
    "other-load": "Another appliance",
    "sub-panel": "Sub-panel",
    "second-path": "Second path",
    "misnamed": "Lead or load at another receptacle than written",
    "restless-joint": "Connection that opens and closes",
}


def condition_sentence(condition: Condition) -> str:
    """A condition of the circuit with its probability, the reason and what to do."""
    name = _CONDITIONS.get(condition.name, clean(condition.name.replace("-", " ")).capitalize())
    place = f" at {named(condition.at)}" if condition.at else ""
    return (
        f"{name}{place} ({percent(condition.probability)}): {clean(condition.why)} "
        f"{clean(condition.what_to_do)}".rstrip()
    )


def other_notes(wiring_map: WiringMap) -> tuple[str, ...]:
    """Notes of the map that no condition says already."""
    said = {f"{one.why} {one.what_to_do}" for one in wiring_map.conditions}
    return tuple(clean(note) for note in wiring_map.notes if note not in said)


def advice_on(wiring_map: WiringMap) -> tuple[Advice, ...]:
    """Everything besides the tree, what concerns safety first."""
    return tuple(finding for finding in _candidates(wiring_map) if finding.sentences)


def _candidates(wiring_map: WiringMap) -> Iterator[Advice]:
    told = [one for one in wiring_map.conditions if one.probability >= POSSIBLE_FROM]
    second = [one for one in told if one.name == "second-path" and wiring_map.loop]
    doubtful = [one for one in wiring_map.conditions if one.probability < POSSIBLE_FROM]
    likely = [joint for joint in wiring_map.poor_joints if joint.probability >= POSSIBLE_FROM]
    possible = [joint for joint in wiring_map.poor_joints if joint.probability < POSSIBLE_FROM]
    loop = (loop_sentence(wiring_map.loop),) if wiring_map.loop else ()
    if loop and not is_ring_drawn(wiring_map):
        loop = (f"{loop[0]} What is drawn above is the nearest tree.",)
    hazards = tuple(condition_sentence(one) for one in told if one.hazard)
    yield Advice("Hazard", hazards, urgent=True)
    yield Advice("Poor connections", tuple(map(joint_sentence, likely)), urgent=True)
    usual = wiring_map.loop is not None and wiring_map.loop.usual
    yield Advice("Second path", (*loop, *map(condition_sentence, second)), urgent=not usual)
    yield Advice("Check", other_notes(wiring_map), urgent=True)
    others = tuple(condition_sentence(one) for one in told if not one.hazard and one not in second)
    yield Advice("About this circuit", others)
    yield Advice("Tests that look wrong", tuple(map(doubt_sentence, wiring_map.doubts)))
    yield Advice(
        "Order still unknown",
        tuple(
            f"{names_listed(group)}: the tests do not tell their order."
            for group in wiring_map.unseparated
        ),
    )
    untested = wiring_map.untested
    yield Advice("Untested", (f"{names_listed(untested)}: no test yet.",) if untested else ())
    small = [*map(joint_sentence, possible), *map(condition_sentence, doubtful)]
    yield Advice("Possible, not likely", tuple(small), minor=True)


@dataclass(frozen=True, slots=True)
class Remark:
    """A few words on a point; ``alert`` where something is to be looked at on the spot."""

    text: str
    alert: bool


_REMARKS = {
    PointFlag.HIGH_RESISTANCE: Remark("high resistance on the neutral side", alert=True),
    PointFlag.HOT_HIGH_RESISTANCE: Remark("high resistance on the hot side", alert=True),
    PointFlag.UNTESTED: Remark("untested", alert=False),
    PointFlag.UNSEPARATED: Remark("order still unknown", alert=False),
    PointFlag.RUN_UNKNOWN: Remark("length of this run unknown", alert=False),
    PointFlag.NO_GROUND: Remark("ground contact may be missing", alert=True),
    PointFlag.GROUND_TO_NEUTRAL: Remark("ground may be bonded to neutral here", alert=True),
}


def remarks(flags: Sequence[str]) -> tuple[Remark, ...]:
    """Words for flags; a name that is not known is shown as it is, as an alert."""
    known = {flag.value for flag in PointFlag if flag in _REMARKS}
    if PointFlag.UNTESTED in flags:  # which says it already
        flags = [flag for flag in flags if flag != PointFlag.RUN_UNKNOWN]
    return tuple(
        _REMARKS[PointFlag(flag)]
        if flag in known
        else Remark(clean(flag.replace("-", " ")), alert=True)
        for flag in flags
    )


def point_remarks(
    point: Point | Splice, wiring_map: WiringMap, protection: Protection | None
) -> tuple[Remark, ...]:
    """Everything to say of one point in a drawing, the same in the terminal and in pictures."""
    return tuple(_point_remarks(point, wiring_map, protection))


def _point_remarks(
    point: Point | Splice, wiring_map: WiringMap, protection: Protection | None
) -> Iterator[Remark]:
    first = wiring_map.first
    is_first = point.name == first.receptacle and first.probability >= LIKELY_FROM
    marks = ["first after the panel"] if is_first and wiring_map.tests else []
    marks += ["ground-fault device here"] if is_device(point.name, protection) else []
    if marks:
        yield Remark(", ".join(marks), alert=False)
    joints = [joint for joint in wiring_map.poor_joints if joint.run_to == point.name]
    for joint in joints:
        likely = joint.probability >= POSSIBLE_FROM
        excess = with_uncertainty(joint.excess_mohm, joint.excess_u_mohm)
        heat = "" if joint.heat_w is None else f", {joint.heat_w:.1f}{NBSP}W at the load"
        sure = percent(joint.probability)
        yield Remark(
            f"poor connection, {joint.side} side ({sure}): {excess}{NBSP}mΩ too much{heat}"
            if likely
            else f"possible poor connection, {joint.side} side ({sure})",
            alert=likely,
        )
    skipped = {PointFlag.UNTESTED, PointFlag.UNSEPARATED}  # the sign and the percentage say it
    if joints:
        skipped |= {PointFlag.HIGH_RESISTANCE, PointFlag.HOT_HIGH_RESISTANCE}
    if point.name in wiring_map.untested:
        skipped.add(PointFlag.RUN_UNKNOWN)
    yield from remarks([flag for flag in point.flags if flag not in skipped])


def is_device(name: str, protection: Protection | None) -> bool:
    """Whether a ground-fault device goes there, probably enough to be drawn."""
    return (
        protection is not None
        and name in protection.devices
        and name not in protection.untested
        and (protection.covered_tested >= LIKELY_FROM or not protection.chosen)
    )


def meanings(flags: Sequence[str]) -> tuple[str, ...]:
    """What each known flag means, in the order of ``PointFlag``, each once."""
    return tuple(
        f"{remarks([flag.value])[0].text}: {MEANINGS[flag]}"
        for flag in PointFlag
        if flag.value in flags
    )


def ungrounded(circuit: Circuit) -> tuple[str, ...]:
    """What the code allows where boxes have no ground; empty where they have one."""
    return () if circuit.grounded and not circuit.no_ground else UNGROUNDED
