"""What the report says, gathered from the job; how it looks stands in the template."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from markupsafe import Markup

from meterlink import __version__
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import Job
from meterlink.circuit.setup import Verdict
from meterlink.levels.flags import MEANINGS
from meterlink.show.findings import Finding, findings, first_sentence, order_sentence
from meterlink.show.isolation import STEPS, Expected, expected
from meterlink.show.map_svg import draw_map
from meterlink.show.remarks import meanings
from meterlink.show.text_width import clean
from meterlink.show.trace_svg import level_text
from meterlink.show.visits import Digest, Visit, digests, visits
from meterlink.show.voltage_drop import Drop, Limit, drops, full_load, limits
from meterlink.show.words import LEADS, percent, with_uncertainty
from meterlink.testlog.rows import TestRow
from meterlink.tree.observations import USUAL_AMPS
from meterlink.tree.wiring import Point, Splice, WiringMap

CAUTIONS = (
    "This page tells how receptacles seem to be wired. It is no proof that anything is dead: "
    "verify absence of voltage before touching any conductor (NFPA 70E, 120.5).",
    "Opening boxes, devices and splices is for qualified persons, and for those whom local law "
    "licenses for it (OSHA 29 CFR 1910.333(c)(2)). Local code goes before anything said here.",
    "The neutral of a circuit under load is not at zero volts, and a neutral that is parted under "
    "load is live on its far side.",
    "A receptacle that carries the feed through its terminals opens everything behind it when it "
    "is taken out (NFPA 70, 300.13(B) and 110.14(B)).",
    "Lengths are what the measured resistance would be in the stated conductor. Joints add to it, "
    "so that a real cable is shorter, not longer.",
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
    verdict: str
    levels: str
    drop: str
    remarks: tuple[str, ...]
    plot: Markup | None


@dataclass(frozen=True, slots=True)
class Page:
    """Everything that the template shows."""

    circuit: Circuit
    facts: tuple[tuple[str, str], ...]
    first: str
    order: str
    map_picture: Markup
    findings: tuple[Finding, ...]
    points: tuple[Point | Splice, ...]
    meanings: tuple[str, ...]
    untested: frozenset[str]
    drops: tuple[Drop, ...]
    full_load: str
    limits: tuple[Limit, ...]
    isolation: Expected | None
    steps: tuple[str, ...]
    tests: tuple[TestCard, ...]
    visits: tuple[Visit, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]
    digests: tuple[Digest, ...]
    version: str
    dated: str


def assemble(job: Job, rows: Sequence[TestRow], wiring_map: WiringMap, *, dated: str = "") -> Page:
    """Gather what the page shows; arguments as for ``meterlink.show.report.render_report``."""
    read, plots = visits(job, rows)
    circuit = job.circuit
    load = full_load(circuit)
    every: tuple[Point | Splice, ...] = (*wiring_map.points, *wiring_map.splices)
    return Page(
        circuit=circuit,
        facts=tuple(_facts(circuit, rows)),
        first=first_sentence(wiring_map),
        order=order_sentence(wiring_map),
        map_picture=Markup(draw_map(wiring_map)),  # noqa: S704 (escaped where it is made)
        findings=findings(wiring_map),
        points=every,
        meanings=meanings([flag for point in every for flag in point.flags]),
        untested=frozenset(wiring_map.untested),
        drops=drops(wiring_map, circuit),
        full_load=f"{load[0]:g} A ({load[1]})" if load else "",
        limits=limits(circuit),
        isolation=expected(wiring_map),
        steps=STEPS,
        tests=tuple(_card(row, wiring_map, plots.get(row.test)) for row in rows),
        visits=read,
        assumptions=tuple(_assumptions(circuit)),
        cautions=CAUTIONS,
        digests=digests(job),
        version=__version__,
        dated=dated,
    )


def _facts(circuit: Circuit, rows: Sequence[TestRow]) -> Iterator[tuple[str, str]]:
    def figure(value: float | None, unit: str) -> str:
        return "not stated" if value is None else f"{value:g} {unit}"

    yield "Circuit", circuit.name
    yield "Receptacles", str(len(circuit.receptacles))
    hertz = "" if circuit.hertz is None else f", {circuit.hertz:g} Hz"
    yield "Supply", figure(circuit.volts, "V") + hertz
    yield "Breaker", figure(circuit.breaker_amps, "A")
    yield "Conductor", circuit.conductor or "not stated"
    yield "Load of the tests", figure(circuit.load_amps, "A")
    if rows:
        times = [row.time for row in rows]
        yield "Tests", f"{len(rows)}, {moment(min(times))} to {moment(max(times))}"


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
    yield "± is one standard uncertainty: about two of three true values lie within it."


def _card(row: TestRow, wiring_map: WiringMap, plot: str | None) -> TestCard:
    setup = row.setup
    levels = (
        ("Idle", level_text(row.idle_mv, row.idle_sd_mv)),
        ("load on", level_text(row.on_mv, row.on_sd_mv)),
        ("after", level_text(row.after_mv)),
    )
    return TestCard(
        row=row,
        leads=LEADS[setup.hookup].format(a=clean(setup.lead_a), b=clean(setup.lead_b or "")),
        verdict=_VERDICTS[row.verdict],
        levels=", ".join(f"{name} {text}" for name, text in levels),
        drop=_drop_text(row),
        remarks=tuple(_remarks(row, wiring_map)),
        plot=None if plot is None else Markup(plot),  # noqa: S704 (escaped where it is made)
    )


def _drop_text(row: TestRow) -> str:
    if row.drop_mv is None:
        return "not measured"
    value = (
        f"{row.drop_mv:.1f}"
        if row.drop_u_mv is None
        else with_uncertainty(row.drop_mv, row.drop_u_mv)
    )
    if row.verdict is Verdict.IN_PATH or row.limit_mv is None:
        return f"{value} mV"
    return f"{value} mV; from {row.limit_mv:.1f} mV on it would have shown"


def _remarks(row: TestRow, wiring_map: WiringMap) -> Iterator[str]:
    for doubt in wiring_map.doubts:
        if doubt.test == row.test:
            yield f"In doubt ({percent(doubt.probability)}): {doubt.why}"
    for flag in row.flags:
        yield f"{flag.replace('-', ' ')}: {_FLAG_MEANINGS.get(flag, 'not a flag of this version.')}"
    if row.note:
        yield f"Note: {row.note}"


def moment(time: datetime) -> str:
    """Date and time to the second, with the offset."""
    return time.isoformat(sep=" ", timespec="seconds")
