"""What the report says, gathered from the job; how it looks stands in the template."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from markupsafe import Markup

from meterlink import __version__
from meterlink.answers.protection import Protection, protect
from meterlink.answers.wirings import Expectation, Known, expectations, place_to_open
from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.job import Job
from meterlink.circuit.setup import Verdict
from meterlink.levels.test_flags import MEANINGS
from meterlink.show.answers_text import protection_sentences
from meterlink.show.format import clean, leads_text, load_text, percent, with_uncertainty
from meterlink.show.layout import places
from meterlink.show.map_svg import draw_map
from meterlink.show.power_off import MORE_CARE, STEPS
from meterlink.show.sentences import (
    UNSEEN,
    Advice,
    advice_on,
    first_sentence,
    meanings,
    names_listed,
    order_sentence,
    ungrounded,
)
from meterlink.show.traces import Digest, Recording, digests, level_text, visits
from meterlink.show.voltage_drop import Drop, Limit, drops, full_load, limits
from meterlink.testlog.columns import TestRow
from meterlink.tree.observations import USUAL_AMPS
from meterlink.tree.wiring import Point, Splice, WiringMap

CAUTIONS = (
    "This page tells how receptacles seem to be wired. It is no proof that anything is dead: "
    "verify absence of voltage before touching any conductor (NFPA 70E, 120.5).",
    "Opening boxes, devices and splices is for qualified persons, and for those whom local law "
    "licenses for it (OSHA 29 CFR 1910.333(c)(2)). Local code goes before anything said here.",
    "The neutral of a circuit under load is not at zero volts, and a neutral that is disconnected "
    "under load is live on its far side.",
    "A receptacle that carries the feed through its terminals opens everything behind it when it "
    "is taken out (NFPA 70, 300.13(B) and 110.14(B)).",
    "Lengths are what the measured resistance would be in the stated conductor. Joints add to it, "
    "so that a real cable is shorter, not longer.",
)
METHOD = (
    "A heavy load is plugged into one receptacle after another, and a meter between two neutrals, "
    "or between neutral and ground, shows whether its current flows between the meter's two leads.",
    "The millivolts tell how much of the path to the panel two receptacles share.",
    "All wirings that could be are weighed against all tests, so every answer has a probability.",
)
DEAD_METHOD = (
    "With the breaker off, locked and proved dead, an ohmmeter or a direct current sent into the "
    "circuit shows the resistance of the way between two receptacles, or to the panel.",
    "From many such ways follows which runs they share.",
    METHOD[-1],
)

_VERDICTS = {
    Verdict.IN_PATH: "Jump: the load current passes between the leads",
    Verdict.NOT_IN_PATH: "No jump: the load current does not pass between the leads",
    Verdict.UNCLEAR: "Unclear: neither a jump nor its absence is certain",
}
_FLAG_MEANINGS = {flag.value: meaning for flag, meaning in MEANINGS.items()}


@dataclass(frozen=True, slots=True)
class TestCard:
    """One test as the page shows it; texts as they stand in the log, not escaped yet."""

    __test__ = False  # keeps pytest from collecting the class by its name

    row: TestRow
    leads: str
    load: str
    verdict: str
    levels: str
    drop: str
    remarks: tuple[str, ...]
    plot: Markup | None


@dataclass(frozen=True, slots=True)
class PowerOff:
    """The form for the check with the power off."""

    at: str
    steps: tuple[str, ...]
    expected: tuple[Expectation, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """Everything that the template shows."""

    circuit: Circuit
    facts: tuple[tuple[str, str], ...]
    method: tuple[str, ...]
    answer: str
    answers: tuple[str, ...]
    map_picture: Markup
    points_shown: int
    findings: tuple[Advice, ...]
    minor: tuple[str, ...]
    next_steps: tuple[str, ...]
    points: tuple[Point | Splice, ...]
    meanings: tuple[str, ...]
    untested: frozenset[str]
    drops: tuple[Drop, ...]
    full_load: str
    limits: tuple[Limit, ...]
    power_off: PowerOff | None
    tests: tuple[TestCard, ...]
    visits: tuple[Recording, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]
    digests: tuple[Digest, ...]
    version: str
    dated: str


def assemble(job: Job, rows: Sequence[TestRow], known: Known, *, dated: str = "") -> Page:
    """Gather what the page shows; arguments as for ``meterlink.show.report.render_report``."""
    read, plots = visits(job, rows)
    circuit, wiring_map = job.circuit, known.wiring_map
    protection = protect(known.wirings)
    load = full_load(circuit)
    every = tuple(place.point for place in places(wiring_map) if place.point is not None)
    said = protection_sentences(protection, wiring_map.tests)
    found = advice_on(wiring_map)
    return Page(
        circuit=circuit,
        facts=tuple(_facts(circuit, rows, dated)),
        method=DEAD_METHOD if rows and all(row.setup.dead for row in rows) else METHOD,
        answer=said[0],
        answers=(*said[1:], first_sentence(wiring_map), order_sentence(wiring_map)),
        map_picture=Markup(draw_map(wiring_map, protection)),  # noqa: S704 (escaped where made)
        points_shown=len(every),
        findings=tuple(finding for finding in found if not finding.minor),
        minor=tuple(text for finding in found if finding.minor for text in finding.sentences),
        next_steps=tuple(_next_steps(wiring_map, protection, circuit)),
        points=every,
        meanings=meanings([flag for point in every for flag in point.flags]),
        untested=frozenset(wiring_map.untested),
        drops=drops(wiring_map, circuit),
        full_load=f"{load[0]:g} A ({load[1]})" if load else "",
        limits=limits(circuit),
        power_off=_power_off(known),
        tests=tuple(_card(row, wiring_map, plots.get(row.test)) for row in rows),
        visits=read,
        assumptions=tuple(_assumptions(circuit)),
        cautions=(*CAUTIONS, MORE_CARE),
        digests=digests(job),
        version=__version__,
        dated=dated,
    )


def _power_off(known: Known) -> PowerOff | None:
    """What must be dead and live with one receptacle disconnected; the same as ``isolate``."""
    if len(known.wirings.names) < 2:
        return None
    at = place_to_open(known.wirings)
    steps = tuple(step.replace("{at}", clean(at)) for step in STEPS)
    return PowerOff(at, steps, expectations(known.wirings, at=at))


def _facts(circuit: Circuit, rows: Sequence[TestRow], dated: str) -> Iterator[tuple[str, str]]:
    """What is stated; on page one, so only what somebody stated or measured."""

    def figure(value: float | None, unit: str) -> str:
        return "" if value is None else f"{value:g} {unit}"

    hertz = "" if circuit.hertz is None else f", {circuit.hertz:g} Hz"
    kinds = {LoadKind.HALF_WAVE: "heater with a diode", LoadKind.DIRECT_SOURCE: "direct source"}
    load = [figure(circuit.load_amps, "A"), kinds.get(circuit.load_kind, "heater")]
    facts = [
        ("Place", circuit.place or ""),
        ("Panel", circuit.panel or ""),
        ("Breaker", ", ".join(filter(None, (circuit.breaker, figure(circuit.breaker_amps, "A"))))),
        ("Date", dated or (max(row.time for row in rows).astimezone().strftime("%Y-%m-%d")
                           if rows else "")),
        ("Measured by", circuit.measured_by or ""),
        ("Meter, as stated", circuit.meter or "not stated"),
        ("Load", ", ".join(filter(None, load)) if circuit.load_amps else "not stated"),
        ("Supply", (figure(circuit.volts, "V") + hertz) or "not stated"),
        ("Conductor", circuit.conductor or "not stated"),
        ("Receptacles", str(len(circuit.receptacles))),
    ]  # fmt: skip
    if rows:
        facts.append(("Tests", f"{len(rows)}, the last {moment(max(row.time for row in rows))}"))
    yield from ((label, value) for label, value in facts if value)


def _next_steps(wiring_map: WiringMap, protection: Protection, circuit: Circuit) -> Iterator[str]:
    """What to do next, most important first."""
    if any(finding.urgent for finding in advice_on(wiring_map)):
        yield "See to what is marked with ! below before anything else; it may be a hazard."
    if wiring_map.untested:
        yield f"Test {names_listed(wiring_map.untested)}: nothing is known of their place."
    elif not wiring_map.settled:
        yield "Do more tests before relying on the order; the program names the best next one."
    places_of = [device for device in protection.devices if device in circuit.receptacles]
    if protection.settled and places_of:
        yield (
            f"Where ground-fault protection is wanted: have a device fitted at "
            f"{names_listed(places_of)}, line wires to LINE, outgoing wires to LOAD, by a person "
            "licensed for it. Then press TEST and see that all it is to protect goes dead."
        )
    yield from ungrounded(circuit)
    yield UNSEEN
    yield "Prove the map with the power off; the form is in the appendix."


def _assumptions(circuit: Circuit) -> Iterator[str]:
    yield (
        "The load is resistive: its current falls with the voltage that reaches it. The ground "
        "wire carries no current and is bonded to neutral at the service only."
    )
    if circuit.load_amps is None:
        yield (
            f"The current of the load is not stated; where a test does not state it either, "
            f"{USUAL_AMPS:g} A is taken. Resistances and lengths hang on it, the order does not."
        )
    yield (
        "For the voltage drop the hot conductor of each run has the resistance of its neutral, and "
        "is as warm as it was in the tests; a cable at full load is warmer and drops more."
    )
    if circuit.conductor is None:
        yield "The conductor is not stated, so that no lengths are given."
    else:
        yield (
            f"Lengths are for {circuit.conductor} at {circuit.wire_temperature_c:g} °C, joints "
            "included."
        )
    yield (
        "Probabilities weigh every wiring that the tests allow; each test is given a small chance "
        "of being wrong (a lead or plug without contact, a load that did not run)."
    )
    yield "± is one standard uncertainty: about two of three true values fall within it."


def _card(row: TestRow, wiring_map: WiringMap, plot: str | None) -> TestCard:
    setup = row.setup
    levels = (("idle", row.idle_mv), ("on", row.on_mv), ("after", row.after_mv))
    seen = [f"{name} {level_text(value)}" for name, value in levels if value is not None]
    return TestCard(
        row=row,
        leads=clean(leads_text(setup)),
        load=_sentence(clean(load_text(setup))),
        verdict="" if setup.hookup.ohms else _VERDICTS[row.verdict],
        levels=", ".join(seen),
        drop=_drop_text(row),
        remarks=tuple(_remarks(row, wiring_map)),
        plot=None if plot is None else Markup(plot),  # noqa: S704 (escaped where it is made)
    )


def _sentence(text: str) -> str:
    """With a capital at its beginning; names stay as they are."""
    return text[:1].upper() + text[1:]


def _drop_text(row: TestRow) -> str:
    if row.path_mohm is not None:
        return f"Resistance {with_uncertainty(row.path_mohm, row.path_u_mohm or 1.0)} mΩ"
    if row.drop_mv is None:
        return "Drop not measured"
    value = (
        f"{row.drop_mv:.1f}"
        if row.drop_u_mv is None
        else with_uncertainty(row.drop_mv, row.drop_u_mv)
    )
    if row.verdict is Verdict.IN_PATH or row.limit_mv is None:
        return f"Drop {value} mV"
    return f"Drop {value} mV; could only have seen {row.limit_mv:.1f} mV or more"


def _remarks(row: TestRow, wiring_map: WiringMap) -> Iterator[str]:
    for doubt in wiring_map.doubts:
        if doubt.test == row.test:
            yield f"Looks wrong ({percent(doubt.probability)}): {doubt.why}"
    for flag in row.flags:
        yield f"{flag.replace('-', ' ')}: {_FLAG_MEANINGS.get(flag, 'not a flag of this version.')}"
    if row.note:
        yield f"Note: {row.note}"


def moment(time: datetime) -> str:
    """Date and time of day where the report is made, with the offset."""
    return time.astimezone().isoformat(sep=" ", timespec="seconds")
