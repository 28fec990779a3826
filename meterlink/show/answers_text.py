"""Protection and faults in sentences, for all screens; in the terminal in full, and as JSON."""

import json
import shlex
from collections.abc import Iterator, Sequence

from meterlink.answers.fault import Fault
from meterlink.answers.protection import Protected, Protection
from meterlink.show.format import (
    LIKELY_FROM,
    POSSIBLE_FROM,
    certainty,
    clean,
    display_width,
    listed,
    pad,
    percent,
    wrap,
)
from meterlink.show.sentences import NOTHING, UNSEEN, condition_sentence, named, names_listed
from meterlink.tree.wiring import PANEL, WiringMap

BEFORE_WORK = (
    "Fitting a device is work for a person licensed for it: breaker off and locked, every "
    "conductor proved dead. Local code says where devices are required (NEC 210.8, 406.4(D)). Then "
    "press TEST, and record what went dead:"
)
LOOK_FIRST = (
    "First, without opening anything: reset every ground-fault device and the breaker, also in "
    "other rooms; one that trips again is telling something. Heat, smell or crackling: breaker "
    "off, leave it off, call an electrician."
)
HOT_OR_NEUTRAL = (
    "At a dead receptacle, hot to ground tells which conductor is open: full voltage there and "
    "none hot to neutral is an open neutral; nothing at both is an open hot."
)
BOX_WORK = (
    "Opening a box is work for a person licensed for it: breaker off and locked, every conductor "
    "proved dead (NFPA 70E, 120.5). Look for burnt, loose or pushed-in wires and loose wire nuts."
)
FLICKER = (
    "Flickering is a connection that opens and closes under load: it can arc. Switch the breaker "
    "off until it is found."
)


def protection_text(
    protection: Protection, wiring_map: WiringMap, more: Sequence[str], width: int, job: str
) -> str:
    """The answer of ``meterlink protect``.

    Args:
        protection: The answer.
        wiring_map: For the number of tests and the hazards.
        more: Sentences about boxes without a ground.
        width: Cells in a line.
        job: Folder, for the command to type next.
    """
    lines: list[str] = []
    for condition in wiring_map.conditions:
        if condition.hazard and condition.probability >= 0.5:
            lines += wrap(f"! {condition_sentence(condition)}", width)
    for sentence in protection_sentences(protection, wiring_map.tests):
        lines += wrap(f"{sentence}.", width)
    if wiring_map.tests:
        lines += ["", *_table(protection)]
        if not protection.settled:
            lines += ["", *wrap(_why_unsettled(protection, wiring_map), width)]
    at = next((clean(d) for d in protection.devices if d != PANEL), "NAME")
    for text in (UNSEEN, *more, BEFORE_WORK):
        lines += ["", *wrap(text, width)]
    command = shlex.join(("meterlink", "isolate", job, "--tripped-at", at, "--found-dead", "NAMES"))
    lines.append(f"  {command}")
    return "\n".join(lines).replace("\u00a0", " ")


def _table(protection: Protection) -> Iterator[str]:
    every = (*protection.each, *protection.not_covered)
    wide = min(40, max(display_width(clean(item.name)) for item in every))
    for item in protection.each:
        yield f"  {pad(clean(item.name), wide)}  protected by {clean(item.by)}, {_sure(item)}"
    for item in protection.not_covered:
        yield f"  {pad(clean(item.name), wide)}  not protected, {percent(1 - item.protected)}"


def _sure(item: Protected) -> str:
    text = f"{certainty(item.probability)} {percent(item.probability)}"
    if item.protected > item.probability + 0.01:
        text += f" (by any device {percent(item.protected)})"
    return text


def _why_unsettled(protection: Protection, wiring_map: WiringMap) -> str:
    if protection.untested:
        return f"Not sure yet: {names_listed(protection.untested)} in no test so far."
    if not wiring_map.explained:
        return "Not sure yet: something contradicts every wiring weighed; see 'meterlink map'."
    return "Not sure yet: 'meterlink next --goal protect' names the test that tells most."


def protection_json(protection: Protection) -> str:
    """One JSON object; keys after ``settled`` are additions and may grow."""

    def one(item: Protected) -> dict[str, object]:
        return {
            "name": item.name,
            "by": item.by,
            "probability": round(item.probability, 6),
            "protected": round(item.protected, 6),
        }

    return json.dumps(
        {
            "devices": list(protection.devices),
            "covered": round(protection.covered, 6),
            "each": [one(item) for item in protection.each],
            "not_covered": [item.name for item in protection.not_covered],
            "settled": protection.settled,
            "chosen": protection.chosen,
            "unprotected": [
                {"name": item.name, "probability": round(1 - item.protected, 6)}
                for item in protection.not_covered
            ],
            "redundant": [list(pair) for pair in protection.redundant],
            "untested": list(protection.untested),
            "not_on_circuit": list(protection.away),
            "on_ring": list(protection.on_ring),
        },
        indent=2,
        allow_nan=False,
    )


def fault_text(fault: Fault, width: int) -> str:
    """The answer of ``meterlink fault``."""
    lines: list[str] = []
    for sentence in _fault_sentences(fault):
        lines += wrap(sentence, width)
    shown = [box for box in fault.boxes if box.probability >= 0.01][:8]
    wide = min(60, max(display_width(clean(box.name)) for box in shown))
    lines += ["", "Boxes to open, best first:"]
    lines += [f"  {pad(clean(box.name), wide)}  {percent(box.probability)}" for box in shown]
    for text in _advice(fault):
        lines += ["", *wrap(text, width)]
    return "\n".join(lines).replace("\u00a0", " ")


def _fault_sentences(fault: Fault) -> Iterator[str]:
    best = fault.boxes[0]
    one = len(fault.dead) == 1
    what = (
        ("flickers" if one else "flicker") if fault.flickers else f"{'is' if one else 'are'} dead"
    )
    yield f"{names_listed(fault.dead)} {what}. First box to open: {named(best.name)} " + (
        f"({percent(best.probability)})."
    )
    if not fault.tested:
        yield (
            "Nothing was tested: this is only what is usual, with receptacles wired about in the "
            "order of the list. Some tests with a heater, where there is power, tell far more."
        )
    if fault.last_live is not None and fault.first_dead is not None:
        first = named(fault.first_dead) + (" (dead)" if fault.first_dead in fault.dead else "")
        yield (
            f"Most probable place: between {_nearer_end(fault, fault.last_live)} and {first}, "
            f"{percent(fault.place_probability)}."
        )
    if fault.on_ring:
        yield (
            f"{names_listed(fault.on_ring)}: fed from both sides of a ring, so that one break does "
            "not make them dead. Look for two breaks, or a tripped device in the panel."
        )
    elif fault.explained < 0.5 and fault.tested:
        yield (
            "One break hardly makes exactly these dead on the wirings that the tests leave "
            f"({percent(fault.explained)}): there may be two, or more are dead than were named, or "
            "the map is wrong."
        )


def _nearer_end(fault: Fault, name: str) -> str:
    """The end of the break that has power; whether that was looked at."""
    if name == PANEL:
        return "the panel"
    return f"{named(name)} ({'live' if name in fault.live else 'taken to be live'})"


def _advice(fault: Fault) -> Iterator[str]:
    if fault.flickers:
        yield FLICKER
    yield LOOK_FIRST
    if fault.question is not None and fault.question.look_at is not None:
        name = named(fault.question.look_at)
        yield f"What tells most now: look whether {name} is dead or live, and say so (--live)."
    elif fault.question is not None and fault.question.order_of is not None:
        a, b = (named(name) for name in fault.question.order_of)
        yield (
            f"What tells most now: which of {a} and {b} comes first, and whether one feeds the "
            "other. With a heater where there is power, or on the dead circuit with an ohmmeter."
        )
    yield HOT_OR_NEUTRAL
    yield BOX_WORK


def fault_json(fault: Fault) -> str:
    """One JSON object; keys after ``settled`` are additions and may grow."""
    question = fault.question
    return json.dumps(
        {
            "boxes": [
                {"name": box.name, "probability": round(box.probability, 6)} for box in fault.boxes
            ],
            "settled": fault.settled,
            "dead": list(fault.dead),
            "live": list(fault.live),
            "between": [fault.last_live, fault.first_dead],
            "between_probability": round(fault.place_probability, 6),
            "explained": round(fault.explained, 6),
            "tested": fault.tested,
            "look_at": question.look_at if question else None,
            "order_of": list(question.order_of) if question and question.order_of else None,
            "on_ring": list(fault.on_ring),
        },
        indent=2,
        allow_nan=False,
    )


def protection_sentences(protection: Protection, tests: int) -> tuple[str, ...]:
    """Where ground-fault devices go, what hangs on their load terminals, what stays unprotected.

    Args:
        protection: The answer.
        tests: Number of tests; without one nothing is said of places.
    """
    if not tests:
        return (f"Ground-fault protection: unknown; {NOTHING}",)
    if protection.chosen and len(protection.untested) == len(protection.wanted):
        which = names_listed(protection.wanted)
        return (f"Ground-fault protection: unknown; no test yet at {which}",)
    return tuple(
        sentence
        for sentence in (
            _devices_sentence(protection),
            *(_load_side(protection, d) for d in protection.devices if len(protection.wanted) > 1),
            *_unprotected(protection),
        )
        if sentence
    )


def _devices_sentence(protection: Protection) -> str:
    """The headline."""
    begin = "Ground-fault protection: "
    count = len(protection.wanted) - len(protection.untested)
    asked = "" if protection.everything else " asked for"
    wanted = f"all {count} {'tested ' if protection.untested else ''}receptacles{asked}"
    if len(protection.wanted) == 1:
        wanted = named(protection.wanted[0])
    elif count == 1:
        (only,) = set(protection.wanted) - set(protection.untested)
        wanted = f"{named(only)}, the only one tested"
    covered = protection.covered_tested if count else protection.covered
    sure = f"({certainty(covered, sound=protection.explained)}, {percent(covered)})"
    devices = names_listed(protection.devices)
    if not protection.chosen:
        told = sum(item.name not in protection.untested for item in protection.each)
        tested = "tested " if protection.untested else ""
        share = f"{told} of {count} {tested}receptacles{asked}"
        if len(protection.devices) == 1:
            return f"{begin}a device at {devices} protects {share}"
        return f"{begin}devices at {devices} protect {share}"
    if PANEL in protection.devices:
        return (
            f"{begin}only a device in the panel covers {wanted}; on a ring every receptacle is fed "
            "from both sides"
        )
    if covered < POSSIBLE_FROM:
        return f"{begin}unknown; the best guess is {devices} ({percent(covered)})"
    if len(protection.devices) == 1:
        return f"{begin}one device at {devices} covers {wanted} {sure}"
    if len(protection.devices) == 2:
        return (
            f"{begin}no single receptacle covers {wanted}; it takes devices at {devices}, "
            f"or one in the panel {sure}"
        )
    return (
        f"{begin}one device in the panel covers {wanted}; at receptacles it takes "
        f"{len(protection.devices)}: {devices} {sure}"
    )


def _load_side(protection: Protection, device: str) -> str:
    """What hangs on the load terminals of one device."""
    if device == PANEL:
        return ""
    beyond = [
        item
        for item in protection.each
        if item.by == device and item.name not in (device, *protection.untested)
    ]
    if not beyond:
        if len(protection.devices) > 2:
            return ""
        which = "" if protection.everything else " asked for"
        which = " tested" if protection.untested else which
        return f"Nothing else{which} hangs on {named(device)}"
    texts = [
        named(item.name)
        + ("" if item.probability >= LIKELY_FROM else f" ({percent(item.probability)})")
        for item in beyond
    ]
    return f"On the load terminals at {named(device)}: {listed(texts)}"


def _unprotected(protection: Protection) -> Iterator[str]:
    """What is left out, and why."""
    left = [item for item in protection.not_covered if item.name not in protection.away]
    if left:
        texts = [f"{named(item.name)} ({percent(1 - item.protected)})" for item in left]
        yield f"Stays unprotected: {listed(texts)}"
    for upper, lower in protection.redundant:
        yield (
            f"{named(lower)} is probably downstream of {named(upper)} already: a second device "
            "there protects nothing more, and either may trip"
        )
    if protection.bonded:
        yield (
            f"Ground bonded to neutral at {names_listed(protection.bonded)}: a device upstream "
            "trips until that is put right"
        )
    if protection.untested:
        yield f"Not tested, so unknown: {names_listed(protection.untested)}"
    if protection.away:
        yield (
            f"Probably on another circuit, so no device here protects it: "
            f"{names_listed(protection.away)}"
        )
